"""Which servo a head wants, before anything is bought: four numbers in, ranges and their reasons out.

The head is taken for something between a full ball and a thin shell of its width; the nodding servo sits
on its line, without gears. Torque rules are those of the figure's limits: half of the stall torque is
left at half of the no-load speed (textbook), and the load that is held is at most a third of stall
(common practice). Prints are derated as in a figure file.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from sequencer import units
from sequencer.figure import catalogue
from sequencer.figure.build import FRAME_S, TYPICAL_DERATING, TYPICAL_FRICTION
from sequencer.figure.catalogue import ServoClass
from sequencer.figure.limits import LEAST_RAMP_FRAMES, TYPICAL_STIFFNESS_N_M_RAD
from sequencer.figure.needed import LOAD_SHARE
from sequencer.figure.servo_line import SHARE_AT_SPEED, SHARE_OF_SPEED

#: fastest(distance, velocity, acceleration, jerk) -> seconds of the quickest move from rest to rest.
Fastest = Callable[[float, float, float, float], float]

#: Peaks of the 3-4-5 polynomial over a unit rise in unit time (check-values 1).
PEAK_VELOCITY, PEAK_ACCELERATION = 1.875, 10.0 / math.sqrt(3.0)
#: Inertia over m r^2 of a full ball and of a thin shell (handbook mechanics).
BALL, SHELL = 0.4, 2.0 / 3.0
#: Where an elastic usually pulls, from the pivot.
SPRING_ARM_M = 0.02
#: What is allowed for the error of a counterweight that was trimmed, of the imbalance (rule of thumb).
LEFT_OVER = 0.1
#: Below this torque nobody fits a counterweight.
WORTH_BALANCING_N_M = 0.02
#: A class' speed is typical, so one that is slower by this factor still does.
SPEED_ROUND = 1.05
#: A move slower than this is no move.
LONGEST_S = 60.0
#: The turn whose time is told.
TURN_RAD = math.radians(40.0)


@dataclass(frozen=True)
class Range:
    """The lower and the upper end of what it may be."""

    low: float
    high: float


@dataclass(frozen=True)
class Asked:
    """What the builder knows: kg, m, the balance point's distance from the pivot in m, the quickest move."""

    mass_kg: float
    width_m: float
    balance_m: float
    move_rad: float
    move_s: float


@dataclass(frozen=True)
class Need:
    """What one build asks of its nodding servo. Torques in N m; ``printed`` is what a box must say.

    ``held`` is gravity's torque at its worst, ``moved`` what the quickest move adds; ``printed_s_per_60deg``
    is the speed; ``by_holding`` tells whether a third of stall or the move decides, ``by_speed`` that a
    weaker servo would carry it but turns too slowly. ``servos``: the classes at both ends, None when no
    class does it.
    """

    held_n_m: float
    inertia_kg_m2: Range
    moved_n_m: Range
    printed_n_m: Range
    printed_s_per_60deg: float
    by_holding: bool
    by_speed: bool
    servos: tuple[ServoClass | None, ServoClass | None]


@dataclass(frozen=True)
class Counterweight:
    """What balances the head: its mass at ``arm_m`` on the other side, and what is then needed."""

    mass_kg: float
    arm_m: float
    need: Need


@dataclass(frozen=True)
class Sizing:
    """The answer. ``move_s`` and ``turn_s`` are seconds with the better build's servo, None without one.

    ``shortest_s``: when no class does the move, the time in which one would (None when none ever does).
    """

    asked: Asked
    bare: Need
    counterweight: Counterweight | None
    spring_pull_kg: float | None
    servo: ServoClass | None
    move_s: Range | None
    turn_s: Range | None
    shortest_s: float | None = None


def size(asked: Asked, fastest: Fastest) -> Sizing:
    """Torque, servo class, counterweight or spring, and how fast it would then be."""
    radius = asked.width_m / 2.0
    central = Range(BALL * asked.mass_kg * radius**2, SHELL * asked.mass_kg * radius**2)
    off = asked.mass_kg * asked.balance_m**2
    held = asked.mass_kg * units.GRAVITY_M_S2 * abs(asked.balance_m)
    bare = _need(asked, held, Range(central.low + off, central.high + off))
    counterweight, spring = None, None
    best, inertia = bare, bare.inertia_kg_m2
    if held > WORTH_BALANCING_N_M:
        spring = held / units.GRAVITY_M_S2 / SPRING_ARM_M
        mass = asked.mass_kg * abs(asked.balance_m) / radius
        added = mass * radius**2
        heavier = Range(bare.inertia_kg_m2.low + added, bare.inertia_kg_m2.high + added)
        balanced = _need(asked, LEFT_OVER * held, heavier)
        counterweight = Counterweight(mass, radius, balanced)
        if balanced.printed_n_m.high < bare.printed_n_m.high:
            best, inertia = balanced, heavier
    servo = best.servos[1]
    if servo is None:
        shortest = _shortest(asked, best.held_n_m, inertia)
        return Sizing(asked, bare, counterweight, spring, None, None, None, shortest)
    # A turn carries no gravity; the balance point may lie ahead of its line or on it.
    turning = Range(central.low, inertia.high)
    return Sizing(
        asked=asked,
        bare=bare,
        counterweight=counterweight,
        spring_pull_kg=spring,
        servo=servo,
        move_s=_seconds(asked.move_rad, servo, inertia, best.held_n_m, fastest),
        turn_s=_seconds(TURN_RAD, servo, turning, 0.0, fastest),
    )


def _need(asked: Asked, held: float, inertia: Range) -> Need:
    acceleration = PEAK_ACCELERATION * asked.move_rad / asked.move_s**2
    moved = Range(inertia.low * acceleration, inertia.high * acceleration)
    # Friction is itself a share of the stall torque, so it stands on the servo's side.
    holding = held / (LOAD_SHARE - TYPICAL_FRICTION)
    share = SHARE_AT_SPEED - TYPICAL_FRICTION
    stalls = [max(holding, (held + extra) / share) for extra in (moved.low, moved.high)]
    printed = Range(stalls[0] / TYPICAL_DERATING, stalls[1] / TYPICAL_DERATING)
    top = PEAK_VELOCITY * asked.move_rad / asked.move_s / SHARE_OF_SPEED / TYPICAL_DERATING
    speed = math.radians(60.0) / top
    torques = [units.kgcm_from_n_m(torque) for torque in (printed.low, printed.high)]
    low, high = (catalogue.smallest_for(torque, SPEED_ROUND * speed) for torque in torques)
    return Need(
        held_n_m=held,
        inertia_kg_m2=inertia,
        moved_n_m=moved,
        printed_n_m=printed,
        printed_s_per_60deg=speed,
        by_holding=stalls[1] <= holding,
        by_speed=high is not None and catalogue.smallest_for(torques[1], math.inf) is not high,
        servos=(low, high),
    )


def _shortest(asked: Asked, held: float, inertia: Range) -> float | None:
    """The time for the move at which some class does it at the worst end; more time is always easier."""
    low, high = asked.move_s, LONGEST_S
    if _need(replace(asked, move_s=high), held, inertia).servos[1] is None:
        return None
    while high - low > 0.005 * high:
        middle = (low + high) / 2.0
        if _need(replace(asked, move_s=middle), held, inertia).servos[1] is None:
            low = middle
        else:
            high = middle
    return high


def _seconds(
    angle_rad: float, servo: ServoClass, inertia: Range, held: float, fastest: Fastest
) -> Range | None:
    """Quickest move: light on a stiff mount, and heavy on a neck of guessed stiffness."""
    stall = TYPICAL_DERATING * units.n_m_from_kgcm(servo.stall_kgcm)
    left = (SHARE_AT_SPEED - TYPICAL_FRICTION) * stall - held
    if left <= 0.0:
        return None
    velocity = SHARE_OF_SPEED * TYPICAL_DERATING * units.rad_s_from_s_per_60deg(servo.speed_s_per_60deg)
    least = LEAST_RAMP_FRAMES * FRAME_S
    ends = []
    for moment, own in (
        (inertia.low, least),
        (inertia.high, math.tau * math.sqrt(inertia.high / TYPICAL_STIFFNESS_N_M_RAD)),
    ):
        ramp = max(least, own)
        acceleration = min(velocity / ramp, left / moment)
        ends.append(fastest(angle_rad, velocity, acceleration, acceleration / ramp))
    return Range(ends[0], ends[1])
