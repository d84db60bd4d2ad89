"""The figure sheet: what a builder must know, in sentences first, then where each number comes from."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from sequencer.figure import details, doubt
from sequencer.figure.drives import servos_of
from sequencer.figure.facts import Facts, toward
from sequencer.figure.limits import ramp
from sequencer.figure.linkage_words import linkage_lines
from sequencer.figure.model import Axis, Figure
from sequencer.figure.needed import LOAD_SHARE
from sequencer.figure.physics import carried
from sequencer.figure.pins import PINS
from sequencer.figure.sheet_power import cook, supply
from sequencer.figure.tight import TightJoint, tight_joint
from sequencer.units import kgcm_from_n_m

#: fastest(distance, velocity, acceleration, jerk) -> seconds of the quickest move from rest to rest.
Fastest = Callable[[float, float, float, float], float]


@dataclass(frozen=True)
class Section:
    """A heading and its lines; each line is one sentence or one row of a table."""

    title: str
    lines: tuple[str, ...]


def sheet(
    known: Facts, fastest: Fastest, detail: bool = False, extra_sentences: Sequence[str] = ()
) -> tuple[Section, ...]:
    """The sheet's sections, page one first; ``detail`` adds limits, wiring and masses.

    ``extra_sentences`` are facts that later stages know (the longest transition of the show).
    """
    figure = known.figure
    first = [
        Section(f"{figure.name}: {inventory(figure)}", ()),
        Section("Will it carry?", (*_carry(known), *_tightest(known))),
        Section("How fast?", (*_speed(known, fastest), *extra_sentences)),
        Section("Will it cook?", tuple(cook(known))),
        Section("Which supply and fuse?", tuple(supply(known))),
        Section("What to change first", tuple(_change(known))),
        Section("Cautions", tuple(cautions(figure))),
        Section("Not measured", tuple(_unmeasured(known))),
    ]
    if detail:
        first += [
            Section("Limits and where each comes from", tuple(details.limits_lines(known))),
            Section("Directions and ranges", tuple(details.direction_lines(figure))),
            Section("Linkages", tuple(linkage_lines(figure))),
            Section("Is a joint too tight?", tuple(joint.words() for joint in tight_joints(known))),
            Section("Wiring", tuple(details.wiring_lines(figure))),
            Section("Masses", tuple(details.mass_lines(figure))),
        ]
    return tuple(first)


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def inventory(figure: Figure) -> str:
    """What the figure has, counted."""
    return (
        f"{_count(len(figure.servos), 'servo', 'servos')}, {_count(len(figure.lamps), 'lamp', 'lamps')}, "
        f"{_count(len(figure.switches), 'switch', 'switches')}, "
        f"{_count(len(figure.inputs), 'input', 'inputs')} on {PINS[figure.board.kind].a_title}"
    )


def _load_kg(figure: Figure, axis: Axis) -> float:
    riders = carried(figure, axis.name)
    return sum(mass.mass_kg for mass in figure.masses.values() if mass.carried_by in riders)


def _carry(known: Facts) -> Iterator[str]:
    figure = known.figure
    for name, axis in figure.axes.items():
        seen = doubt.load(figure, axis, known.physics[name])
        pull, rub, has = (doubt.kgcm(item) for item in (seen.gravity, seen.friction, seen.stall))
        yield (
            f"{name}: {verdict(known, name, seen)}. It moves {1000 * _load_kg(figure, axis):.0f} g; "
            f"gravity takes at most {doubt.said(pull, 'kg cm')} ({pull.basis}) and friction "
            f"{doubt.said(rub, 'kg cm')} ({rub.basis}), together {doubt.percent(seen.share)} of the "
            f"{doubt.said(has, 'kg cm')} that {_its_servos(figure, name)} really {_has(figure, name)} "
            f"({has.basis}; common practice: at most a third)."
        )
    if not figure.axes:
        yield "There are no axes yet."


def tight_joints(known: Facts) -> list[TightJoint]:
    """What friction would do to each axis that can be held, the one with the least to spare first."""
    joints = [tight_joint(known.figure, name, known.physics[name]) for name in known.limits]
    return sorted(joints, key=lambda joint: joint.spent_n_m - joint.counted_n_m)


def _tightest(known: Facts) -> Iterator[str]:
    """How to feel for a joint that was tightened too far, said of the one that minds the most."""
    for joint in tight_joints(known)[:1]:
        yield f"Is a joint too tight? {joint.words()}"


def verdict(known: Facts, name: str, seen: doubt.Load) -> str:
    """Whether an axis carries its load: yes, probably, barely or no."""
    if name not in known.limits:
        return "no"
    if seen.nominal_share > LOAD_SHARE:
        return "barely"
    return "yes" if seen.share.high <= LOAD_SHARE else "probably"


def _its_servos(figure: Figure, name: str) -> str:
    return "its servos" if len(servos_of(figure, name)) > 1 else "its servo"


def _has(figure: Figure, name: str) -> str:
    return "have" if len(servos_of(figure, name)) > 1 else "has"


def _speed(known: Facts, fastest: Fastest) -> Iterator[str]:
    for name, limit in known.limits.items():
        axis = known.figure.axes[name]
        low, high = axis.range_rad
        numbers = (limit.velocity_rad_s, limit.acceleration_rad_s2, limit.jerk_rad_s3)
        whole = fastest(high - low, *numbers)
        small = min(math.radians(10.0), high - low)
        yield (
            f"{name}: up to {math.degrees(limit.velocity_rad_s):.0f} deg/s; from {toward(axis, low)} to "
            f"{toward(axis, high)} in {whole:.2f} s, {math.degrees(small):.0f} deg in "
            f"{fastest(small, *numbers):.2f} s."
        )
    for name in known.figure.axes:
        if name not in known.limits:
            yield f"{name}: not at all; see what to change first."
    if known.limits:
        yield "For the noise, let idle loops use a quarter of that (rule of thumb)."


def _change(known: Facts) -> Iterator[str]:
    for finding in known.findings:
        yield f"{finding.severity}: {finding.message}" + (f"; {finding.remedy}." if finding.remedy else ".")
    if not known.findings:
        yield "Nothing stands out."


def cautions(figure: Figure) -> Iterator[str]:
    """The usual words about what pinches, falls, burns and flashes, a sentence each."""
    yield "Local codes and licensed practice decide; these are the usual words, not a claim of compliance."
    yield (
        "A stop is a switch that removes the servos' power with its own contacts. A key, a message or an "
        "input that the program reads is a software stop, and a software stop is not one."
    )
    if figure.axes:
        yield "Everything that moves pinches: keep fingers out, leave 25 mm gaps for fingers or none at all."
        yield (
            "Without power a head falls or turns to where gravity takes it: balance it or give it a stop "
            "to rest on, and keep hands from under it when the stop is pressed."
        )
        parks = [name for name, axis in figure.axes.items() if axis.on_stop == "park"]
        if parks:
            yield (
                f"A stop lets {' and '.join(parks)} go, after a move to the parked pose: what does not lie "
                "there falls. The other axes are held, and carry current, until the board is resumed."
            )
        if any(axis.release_at_rest for axis in figure.axes.values()):
            yield (
                "An axis that has fallen silent at rest can be pushed; when its pulses return it goes back "
                "at its servo's full speed."
            )
        chips = [chip.name for chip in figure.expanders.values() if chip.serves == "servos"]
        if chips:
            yield (
                f"While the board is loaded, and after an upload that was cut short, {' and '.join(chips)} "
                "would go on with the servos' last pulses: nothing reaches an expander then but its /OE pin. "
                "Turn its outputs off there (see the wiring), or the servos' power, before each upload."
            )
        yield "Check the horn screws every night."
    if figure.lamps:
        yield (
            "Flicker and flashes harm photosensitive visitors: at most three flashes a second, all lamps "
            "together, and a notice at the entrance."
        )
    if figure.switches:
        yield (
            "What a relay switches may be mains: then a licensed person wires it. Fit a pull resistor at "
            "each switch pin, because pins float while the board resets."
        )


def _unmeasured(known: Facts) -> Iterator[str]:
    figure = known.figure
    for servo in figure.servos.values():
        marks = []
        if servo.derating_basis == "typical":
            marks.append(
                f"speed x {servo.speed_derating:g} and torque x {servo.torque_derating:g} "
                "of the print (typical)"
            )
        if servo.stall_a_basis == "typical":
            marks.append(f"stall current {servo.stall_a:g} A (typical)")
        if servo.ends_us is None:
            marks.append("no recorded ends: a real board will refuse to play until they are")
        if marks:
            yield f"servo {servo.name}: {'; '.join(marks)}."
    for name, axis in figure.axes.items():
        marks = []
        if axis.friction_basis != "measured":
            marks.append(f"friction {kgcm_from_n_m(axis.friction_n_m):.2f} kg cm ({axis.friction_basis})")
        rise = ramp(figure, name, known.physics[name])
        if rise.basis != "measured":
            marks.append(f"{rise.why} ({rise.basis})")
        if marks:
            yield f"axis {name}: {'; '.join(marks)}."
    guessed = [mass.name for mass in figure.masses.values() if mass.basis != "measured"]
    if guessed:
        yield f"masses not marked as measured: {', '.join(guessed)}."
