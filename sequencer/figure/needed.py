"""Which servo would carry a load: found by putting it in, because guessed friction grows with it."""

from __future__ import annotations

import math
from dataclasses import replace

from sequencer import units
from sequencer.figure import build
from sequencer.figure.drives import track_of
from sequencer.figure.linkage import linkage_of
from sequencer.figure.model import Figure
from sequencer.figure.physics import physics
from sequencer.figure.servo_line import SHARE_OF_SPEED
from sequencer.figure.torque import torque_rows

#: Moving load at most this share of stall torque (common practice).
LOAD_SHARE = 1.0 / 3.0
_TRIES = 20
#: Beyond this no servo is looked for.
_MOST_KGCM = 1e5


def with_servos(figure: Figure, axis_name: str, stall_kgcm: float) -> Figure:
    """The figure with servos of another printed stall torque at one axis's linkage, all else as it was."""
    servos = dict(figure.servos)
    for name in linkage_of(figure, axis_name).servos:
        servos[name] = replace(servos[name], stall_torque_n_m=units.n_m_from_kgcm(stall_kgcm))
    return build.with_friction(replace(figure, servos=servos))


def servo_needed_kgcm(figure: Figure, axis_name: str) -> float:
    """Printed stall torque in whole kg cm of a servo for which the load of an axis is a third of stall.

    Infinite when none is: then typical friction alone takes a third. Raises KeyError for an axis the
    figure does not have.
    """
    linkage = linkage_of(figure, axis_name)
    tried = max(units.kgcm_from_n_m(figure.servos[name].stall_torque_n_m) for name in linkage.servos)
    for _ in range(_TRIES):
        share = _loaded(with_servos(figure, axis_name, tried), axis_name)
        if share <= LOAD_SHARE:
            return tried
        tried = float(math.ceil(tried * max(share / LOAD_SHARE, 1.0 + 1e-6)))
        if not tried < _MOST_KGCM:
            break
    return math.inf


def _loaded(figure: Figure, axis_name: str) -> float:
    """Share of stall that an axis's linkage takes, or more where speed itself leaves too little of it."""
    linkage = linkage_of(figure, axis_name)
    shares = [1.0 - physics(figure, name).torque_margin for name in linkage.axes]
    rows = torque_rows(figure, track_of(figure, linkage.servos[0]))
    tops = {row.track: SHARE_OF_SPEED * row.no_load_rad_s for row in rows}
    if min(row.left_n_m(tops) for row in rows) <= 0.0:
        shares.append(1.02 * LOAD_SHARE)
    return max(shares)


def fit_words(figure: Figure, axis_name: str, needed_kgcm: float) -> str:
    """``fit a servo of 45 kg cm or more``, at the servos of an axis, and how to write it."""
    names = linkage_of(figure, axis_name).servos
    if not math.isfinite(needed_kgcm):
        return "measure its friction: as guessed, no servo carries it"
    which = "a servo" if len(names) == 1 else "two servos"
    tables = " and ".join(f"[servos.{name}]" for name in names)
    return f"fit {which} of {needed_kgcm:.0f} kg cm or more (stall_kgcm = {needed_kgcm:.0f} in {tables})"
