"""What transitions add to the certificates: the proofs of those that were chosen, and their merging."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sequencer.motion.certificate import merge
from sequencer.motion.model import (
    Certificate,
    PairCertificate,
    PairCertificates,
    PositionQuantity,
    Quantity,
    TrackCertificate,
    TrackSpec,
)
from sequencer.motion.polygon import merge_pairs
from sequencer.tables.worst import Worst

#: Labels of the proofs that belong to no single scene.
SETTLE, STOP, PARK = "settle", "stop", "park"


@dataclass(frozen=True)
class Proof:
    """What one kind of transition makes one track play at worst; ``label`` as in ``idle->greet``."""

    label: str
    track: str
    worst: Worst


@dataclass(frozen=True)
class PairProof:
    """What one kind of transition adds to a pair's certificate."""

    label: str
    certificate: PairCertificate


def pairs_with_transitions(certificates: PairCertificates, proofs: Sequence[PairProof]) -> PairCertificates:
    """The pairs' certificates of the scenes, worsened where a transition comes nearer to a face."""
    merged = dict(certificates)
    for proof in proofs:
        name = proof.certificate.spec.name
        have = merged.get(name)
        merged[name] = proof.certificate if have is None else merge_pairs([have, proof.certificate])
    return merged


def with_transitions(
    certificate: Certificate, specs: Mapping[str, TrackSpec], proofs: Sequence[Proof]
) -> Certificate:
    """The certificate of the scenes, worsened where a transition comes nearer to a bound."""
    merged = dict(certificate)
    for proof in proofs:
        have = merged.get(proof.track)
        new = _as_certificate(proof, specs[proof.track])
        merged[proof.track] = new if have is None else merge([have, new])
    return merged


def _as_certificate(proof: Proof, spec: TrackSpec) -> TrackCertificate:
    found, label = proof.worst, proof.label
    low, high = found.low, found.high
    if label == PARK:
        # likewise, and it ends at the parked pose
        low, high = spec.parked, spec.parked
    if label == SETTLE:
        # proven from every value that bounds allow, but it begins only where a stop (proven by itself)
        # has ended or where the figure is parked, and stays between there and rest
        low, high = sorted((spec.parked, spec.rest))
    return TrackCertificate(
        track=proof.track,
        position=PositionQuantity(low, spec.low, high, spec.high, label),
        velocity=Quantity(found.d1, spec.bounds[0], label),
        acceleration=Quantity(found.d2, spec.bounds[1], label),
        jerk=Quantity(found.d3, spec.bounds[2], label),
    )
