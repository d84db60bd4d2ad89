"""Declared openings against the minimum gaps that keep a body part from being crushed. A caution only.

The gaps are those of ISO 13854 (read in secondary sources). To keep them is no claim of compliance:
local codes and licensed practice decide.
"""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.figure.model import Figure
from sequencer.finding import Finding

#: Body part -> the gap that stays open at the narrowest, metres.
MINIMUM_GAP_M = {"finger": 0.025, "hand": 0.100, "arm": 0.120, "head": 0.300, "body": 0.500}


def findings(figure: Figure) -> Iterator[Finding]:
    """A warning for each opening that is narrower than its body part needs."""
    for opening in figure.openings.values():
        least = MINIMUM_GAP_M[opening.part]
        if opening.gap_m >= least - 1e-9:
            continue
        yield Finding(
            code="gap",
            severity="warning",
            scene=None,
            channel=opening.name,
            time_s=None,
            value=1000.0 * opening.gap_m,
            limit=1000.0 * least,
            unit="mm",
            message=f"opening `{opening.name}` closes to {1000 * opening.gap_m:g} mm: enough to crush a "
            f"{opening.part}, for which {1000 * least:g} mm stay open (minimum gap of ISO 13854)",
            remedy=f"leave {1000 * least:g} mm at the narrowest, or guard it so that no {opening.part} gets "
            "in; warn only of what is left",
        )
