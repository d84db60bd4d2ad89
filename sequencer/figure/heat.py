"""How hot a servo's winding gets: a first-order model, with typical numbers by the servo's size.

A hobby servo's datasheet has no thermal numbers, so the typical ones here follow from its case: heat
leaves through its surface at about 10 W/(m2 K) (still air, handbook), and about half of its weight is
the motor, of iron and copper, 450 J/(kg K). They are good to perhaps a third either way, and whatever
is said with them says so.

Current goes with torque, heat with its square: at stall all power is heat, P = V I; at a share s of
the stall torque P = s^2 V I. The winding follows with one time constant:
dT/dt = (ambient + R P - T) / tau.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.figure.model import Figure, Servo
from sequencer.units import kgcm_from_n_m

Array = NDArray[np.float64]

#: Plastic gears and cases soften, grease runs and magnets fade somewhat above this (rule of thumb).
LIMIT_C = 80.0
#: A closed head is this much warmer than the room (rule of thumb).
CLOSED_HEAD_C = 15.0
#: Continuous torque: this range of stall (common practice); a servo's own share is ``continuous_share``.
CONTINUOUS_SHARES = (0.20, 0.50)
#: The typical thermal numbers may be wrong by this factor either way.
SPREAD = 1.33


@dataclass(frozen=True)
class Thermal:
    """Typical thermal numbers of a size of servo: K/W from winding to air, time constant in s."""

    size: str
    resistance_k_w: float
    time_s: float


#: Case about 23 x 12 x 27 mm: 0.0024 m2; motor of about 6 g.
MICRO = Thermal("micro", 40.0, 120.0)
#: Case about 40 x 20 x 40 mm: 0.0064 m2, and the way out of the motor; about 20 g.
STANDARD = Thermal("standard", 20.0, 180.0)
#: Case about 60 x 30 x 55 mm: 0.0135 m2; motor of about 60 g.
LARGE = Thermal("large", 10.0, 300.0)
#: The borders between the sizes, by weight where it is known, else by printed stall torque.
_BORDERS_KG = (0.020, 0.080)
_BORDERS_KGCM = (4.0, 40.0)


def thermal(servo: Servo) -> Thermal:
    """Typical thermal numbers for the servo's size."""
    if servo.weight_kg is not None:
        measure, borders = servo.weight_kg, _BORDERS_KG
    else:
        measure, borders = kgcm_from_n_m(servo.stall_torque_n_m), _BORDERS_KGCM
    return MICRO if measure < borders[0] else STANDARD if measure <= borders[1] else LARGE


def stall_current_a(figure: Figure, servo: Servo) -> float:
    """The stall current at the supply's real voltage: the winding is a resistance (Ohm)."""
    return servo.stall_a * figure.supply.voltage_v / servo.at_v


def stall_heat_w(figure: Figure, servo: Servo) -> float:
    """Heat of a stalled servo: all that it draws."""
    return figure.supply.voltage_v * stall_current_a(figure, servo)


def rise_k(figure: Figure, servo: Servo, mean_square_share: float) -> float:
    """Steady rise over ambient with this mean of (torque / stall torque)^2, kelvin."""
    return thermal(servo).resistance_k_w * stall_heat_w(figure, servo) * mean_square_share


def time_to_s(
    figure: Figure, servo: Servo, share: float = 1.0, limit_c: float = LIMIT_C, start_c: float | None = None
) -> float:
    """Seconds until the winding is at ``limit_c`` under a constant share of stall torque; inf if never.

    From ``start_c``, the ambient temperature by default; 0 when it is there already.
    """
    start = figure.ambient_c if start_c is None else start_c
    final = figure.ambient_c + rise_k(figure, servo, share * share)
    if start >= limit_c:
        return 0.0
    if final <= limit_c:
        return math.inf
    return thermal(servo).time_s * math.log((final - start) / (final - limit_c))


def longest_share(figure: Figure, servo: Servo, limit_c: float = LIMIT_C) -> float:
    """The share of stall torque that can be held for ever below ``limit_c`` by the model, 0..1."""
    room = limit_c - figure.ambient_c
    if room <= 0.0:
        return 0.0
    return min(1.0, math.sqrt(room / rise_k(figure, servo, 1.0)))


def winding_c(
    figure: Figure, servo: Servo, shares: Array, step_s: float, start_c: float | None = None
) -> Array:
    """The winding's temperature after each step of a load; ``shares`` (n,) of stall torque, any sign.

    Exact for a load that is constant within each step.
    """
    kept = math.exp(-step_s / thermal(servo).time_s)
    target = figure.ambient_c + thermal(servo).resistance_k_w * stall_heat_w(figure, servo) * shares**2
    start = figure.ambient_c if start_c is None else start_c
    return _lagging(target, kept, start)


def _lagging(target: Array, kept: float, start: float) -> Array:
    """x_i = target_i + (x_(i-1) - target_i) kept, from x_(-1) = ``start``; (n,).

    In about sqrt(n) rows at once, each from zero first; where a row begins fades through it afterwards.
    """
    count = len(target)
    width = max(1, math.isqrt(count))
    rows = -(-count // width)
    padded = np.zeros(rows * width)
    padded[:count] = (1.0 - kept) * target
    values = padded.reshape(rows, width)
    for column in range(1, width):
        values[:, column] += kept * values[:, column - 1]
    begins = np.empty(rows)
    fades = kept ** np.arange(1, width + 1)
    for row in range(rows):
        begins[row] = start
        start = values[row, -1] + fades[-1] * start
    out: Array = (values + begins[:, None] * fades).ravel()[:count]
    return out


def rounded_s(time_s: float) -> str:
    """A time that is typical only, in words that promise no more: ``25 s``, ``4 min``."""
    if time_s < 120.0:
        step = 1.0 if time_s < 10.0 else 5.0
        return f"{step * max(1, round(time_s / step)):.0f} s"
    return f"{time_s / 60.0:.0f} min"
