"""Which angles of an axis its servo can reach."""

from __future__ import annotations


def fitting_range(
    pulse_us: tuple[float, float], ends_us: tuple[float, float] | None, centre_us: float, us_per_unit: float
) -> tuple[float, float, str]:
    """The widest range (low, high) of an axis and what ends it.

    Angle 0 is at ``centre_us``; ``us_per_unit`` is microseconds per radian or degree of the axis, with
    sign, and the answer is in that unit.
    """
    low_us, high_us = pulse_us
    why = "the servo's pulse range"
    if ends_us is not None:
        low_us, high_us = max(low_us, ends_us[0]), min(high_us, ends_us[1])
        why = "the recorded ends"
    low, high = sorted(((low_us - centre_us) / us_per_unit, (high_us - centre_us) / us_per_unit))
    return low, high, why
