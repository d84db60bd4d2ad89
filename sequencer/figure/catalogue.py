"""Classes of servos as shops carry them: typical values where the datasheet is missing.

No class is a product: the values are the middle of what is sold under such words, all *typical*, and
derated like every print. A file says ``class = "standard"`` and writes beside it whatever it knows better.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

ClassName = Literal["micro", "micro_metal", "standard", "standard_metal", "digital_metal", "strong", "large"]


@dataclass(frozen=True)
class ServoClass:
    """One row of the catalogue, in the builder's units; ``sold_kgcm`` is the range on sale."""

    name: ClassName
    words: str
    speed_s_per_60deg: float
    stall_kgcm: float
    at_v: float
    stall_a: float
    weight_g: float
    sold_kgcm: tuple[float, float]
    pulse_us: tuple[float, float] = (500.0, 2500.0)
    travel_deg: float = 180.0

    def keys(self) -> dict[str, Any]:
        """The keys of ``[servos.NAME]`` that the class fills in."""
        return {
            "speed_s_per_60deg": self.speed_s_per_60deg,
            "stall_kgcm": self.stall_kgcm,
            "at_v": self.at_v,
            "stall_a": self.stall_a,
            "pulse_us": list(self.pulse_us),
            "travel_deg": self.travel_deg,
        }


_ROWS = (
    ServoClass("micro", "micro servo, plastic gears, about 9 g", 0.10, 1.8, 6.0, 0.8, 9, (1.0, 2.2)),
    ServoClass("micro_metal", "micro servo, metal gears, about 13 g", 0.10, 2.2, 6.0, 1.0, 13, (1.8, 3.5)),
    ServoClass("standard", "standard servo, plastic gears", 0.18, 5.0, 6.0, 1.5, 42, (3.0, 7.0)),
    ServoClass("standard_metal", "standard servo, metal gears", 0.17, 11.0, 6.0, 2.5, 55, (8.0, 13.0)),
    ServoClass(
        "digital_metal", "standard size, digital, metal gears", 0.16, 20.0, 6.0, 2.8, 62, (15.0, 22.0)
    ),
    ServoClass(
        "strong", "standard size, digital, high torque at 7.4 V", 0.15, 33.0, 7.4, 4.5, 72, (25.0, 45.0)
    ),
    ServoClass("large", "large servo, a hand's width, for 7.4 V", 0.20, 80.0, 7.4, 9.0, 170, (50.0, 120.0)),
)
#: Name -> class, weakest first.
CLASSES: dict[str, ServoClass] = {row.name: row for row in _ROWS}
NAMES: tuple[str, ...] = get_args(ClassName)


def filled(table: dict[str, Any]) -> tuple[dict[str, Any], frozenset[str]]:
    """``[servos.NAME]`` with the keys that its ``class`` gives, and which of them it did not say itself.

    A class that is not known fills in the standard one, so that only its name is complained about.
    """
    name = table.get("class")
    if name is None:
        return table, frozenset()
    known = CLASSES.get(name) if isinstance(name, str) else None
    keys = (known or CLASSES["standard"]).keys()
    return {**keys, **table}, frozenset(keys) - frozenset(table)


def smallest_for(stall_kgcm: float, speed_s_per_60deg: float) -> ServoClass | None:
    """The weakest class with at least that printed stall torque and at most that time for 60 degrees."""
    for row in _ROWS:
        if row.stall_kgcm >= stall_kgcm and row.speed_s_per_60deg <= speed_s_per_60deg:
            return row
    return None
