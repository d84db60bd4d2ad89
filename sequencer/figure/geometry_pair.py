"""Whether a pair of cranks can hold its head at home and move it as far as its ranges promise."""

from __future__ import annotations

import math

import numpy as np

from sequencer.errors import FigureError
from sequencer.figure import kept_poses
from sequencer.figure.crank import Array
from sequencer.figure.explain import Reporter
from sequencer.figure.fitting import fits, mm, range_around, range_fault, why_not
from sequencer.figure.mend_pair import (
    SIDES,
    alone,
    missed_poses,
    other_numbers,
    rod_at_centre_m,
    slip,
    tip_m,
)
from sequencer.figure.model import Axis, Crank, Figure, Pair
from sequencer.figure.neck import Neck, lines_meet_m
from sequencer.figure.polygon import LEAST_TOGGLE_RAD, reach_of, servo_window_us
from sequencer.figure.toml_lines import Path

#: Lines of a pair's axes this far apart are one rod end's play; more is a mistake, metres.
_MEET_M = 0.5e-3


def check_pair(figure: Figure, pair: Pair, reporter: Reporter) -> None:
    """Faults of one pair: its pivot, both cranks at home, each axis alone, both together, the poses."""
    path: Path = ("linkages", pair.name)
    first, second = (figure.axes[name] for name in pair.axes)
    if not _lines_meet(first, second, reporter):
        return
    link = Neck(pair, first, second)
    before = len(reporter.faults)
    for index, side in enumerate(SIDES):
        _home(figure, pair, index, link, (*path, side), reporter)
    if len(reporter.faults) > before or not _apart(pair, link, path, reporter):
        return
    _alone(figure, pair, link, reporter)
    if len(reporter.faults) > before:
        return
    try:
        reach = reach_of(figure, pair.name)
    except FigureError as error:
        if not kept_poses.explain(figure, pair, reporter):
            reporter.faults.extend(error.faults)
        return
    for name, asked, kept in missed_poses(figure, pair, link, reach):
        _pose(pair, name, asked, kept, reporter)


def _alone(figure: Figure, pair: Pair, link: Neck, reporter: Reporter) -> None:
    """Whether each axis reaches the ends of its range while the other is at home."""
    servos = [figure.servos[name] for name in link.servos]
    other: str | None = None
    for column, name in enumerate(pair.axes):
        wanted = alone(figure, pair, column)
        if bool(np.all(fits(wanted, link, servos))):
            continue

        def good_at(angles: Array, column: int = column) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
            poses = np.tile(link.home_rad, (len(angles), 1))
            poses[:, column] = angles
            return fits(poses, link, servos)

        low, high = range_around(figure.axes[name], good_at)
        # One advice for both axes: it cures them together, or there is none.
        other = other or other_numbers(figure, pair)
        range_fault(figure.axes[name], low, high, why_not(wanted, link, servos), other, reporter)


def _pose(pair: Pair, name: str, asked_rad: Array, kept_rad: Array, reporter: Reporter) -> None:
    """The fault of a pose that the pair cannot take."""
    kept = [math.degrees(angle) for angle in kept_rad]
    shown = ", ".join(
        f"{axis}_deg = {math.floor(abs(angle) * 10) / 10 * math.copysign(1, angle):g}"
        for axis, angle in zip(pair.axes, kept, strict=True)
    )
    reporter.add(
        ("poses", name),
        f"the linkage `{pair.name}` cannot take {pair.axes[0]} and {pair.axes[1]} there together",
        value=", ".join(
            f"{axis}_deg = {math.degrees(angle):g}" for axis, angle in zip(pair.axes, asked_rad, strict=True)
        ),
        limit=shown,
        remedy=f"write {shown} or less",
    )


def _lines_meet(first: Axis, second: Axis, reporter: Reporter) -> bool:
    try:
        at, apart = lines_meet_m(first, second)
    except ValueError:
        reporter.add(
            ("axes", second.name, "turns_about"),
            f"`{first.name}` and `{second.name}` turn about parallel lines, which two rods cannot tell apart",
            remedy='write turns_about = "forward" for the tilt and "left" for the nod',
        )
        return False
    if apart > _MEET_M:
        spot = ", ".join(mm(float(part)) for part in at)
        reporter.add(
            ("axes", second.name, "pivot_mm"),
            f"the lines of `{first.name}` and `{second.name}` do not meet, but one rod end is their pivot",
            value=f"{mm(apart)} mm apart",
            limit=f"at most {mm(_MEET_M)} mm",
            remedy=f"write pivot_mm = [{spot}] for both",
        )
        return False
    return True


def _home(figure: Figure, pair: Pair, index: int, link: Neck, path: Path, reporter: Reporter) -> None:
    """Whether one crank can hold the head at home, off its toggle and inside its servo's ends."""
    crank = pair.cranks[index]
    fitting = mm(rod_at_centre_m(crank))
    lever = math.dist(crank.joint_m, tuple(link.pivot_m))
    if lever < 1e-3:
        reporter.add(
            (*path, "joint_mm"),
            "the rod ends in the pivot, where it moves nothing",
            value=f"{mm(lever)} mm from the pivot",
            limit="at least 1 mm; usually 20 to 60",
            remedy=f"measure joint_mm again: for a lever as long as the crank, {mm(crank.crank_m)} mm away",
        )
        return
    home = link.home_rad[None, :]
    cosine = float(link.reach(home)[0, index])
    if not abs(cosine) <= 1.0:
        least, most = sorted(math.dist(tip_m(crank, turned), crank.joint_m) for turned in _in_line_rad(crank))
        _home_fault(
            *(figure, pair, path),
            f"the rod is too {'short' if cosine > 1.0 else 'long'} for home",
            value=f"{mm(crank.rod_m)} mm",
            limit=f"{mm(least)} to {mm(most)} mm",
            remedy=f"write rod_mm = {fitting}, which holds the head at home with the crank at "
            f"{math.degrees(crank.at_centre_rad):g} degrees",
            reporter=reporter,
        )
        return
    away = _crank_toggle_rad(crank, link, index)
    if away < LEAST_TOGGLE_RAD:
        _home_fault(
            *(figure, pair, path),
            "crank and rod are nearly in line at home: a toggle",
            value=f"{math.degrees(away):.0f} deg from it",
            limit=f"at least {math.degrees(LEAST_TOGGLE_RAD):.0f} deg; best square",
            remedy=f"write rod_mm = {mm(_square_rod_m(crank))}, which is square to the crank at home"
            if _square_rod_m(crank) > 0.0
            else f"write rod_mm = {fitting}",
            reporter=reporter,
        )
        return
    servo = figure.servos[crank.servo]
    low, high = servo_window_us(servo)
    pulse = servo.centre_us + servo.us_per_rad * float(link.servo_rad(home)[0, index])
    if not low <= pulse <= high:
        _home_fault(
            *(figure, pair, path),
            f"home needs a pulse that servo `{servo.name}` may not be given",
            value=f"{pulse:.0f} us",
            limit=f"{low:g} to {high:g} us",
            remedy=f"write rod_mm = {fitting}, so that home is at the servo's centre, "
            "or fit the horn on another tooth",
            reporter=reporter,
        )


def _home_fault(
    figure: Figure,
    pair: Pair,
    path: Path,
    message: str,
    value: str,
    limit: str,
    remedy: str,
    reporter: Reporter,
) -> None:
    """A fault of one side at home, laid on the key that is not as on the other side, or else on the rod."""
    found = slip(figure, pair)
    if found is not None and SIDES[found.side] == path[-1]:
        if found.key != "rod_mm":
            value, limit = f"rod_mm = {value}", f"rod_mm = {limit}, or another {found.key}"
        reporter.add((*path, found.key), message, value=value, limit=limit, remedy=f"write {found.words}")
        return
    whole = other_numbers(figure, pair)
    reporter.add(
        (*path, "rod_mm"), message, value=value, limit=limit, remedy=f"write {whole}" if whole else remedy
    )


def _plane(crank: Crank) -> tuple[float, float, float]:
    """The head's joint seen from the crank's axle at home: ahead, above, off its plane."""
    x, y, z = (joint - pivot for joint, pivot in zip(crank.joint_m, crank.pivot_m, strict=True))
    cosine, sine = math.cos(crank.plane_rad), math.sin(crank.plane_rad)
    return x * cosine + y * sine, z, -x * sine + y * cosine


def _in_line_rad(crank: Crank) -> tuple[float, float]:
    ahead, above, _ = _plane(crank)
    toward = math.atan2(above, ahead)
    return toward, toward + math.pi


def _crank_toggle_rad(crank: Crank, link: Neck, index: int) -> float:
    """Angle at home between rod and crank's line, seen in the crank's plane and shortened by its slant."""
    angle = float(link.crank_rad(link.home_rad[None, :])[0, index])
    tip = tip_m(crank, angle)
    rod = [joint - part for joint, part in zip(crank.joint_m, tip, strict=True)]
    along = (
        -math.sin(angle) * math.cos(crank.plane_rad),
        -math.sin(angle) * math.sin(crank.plane_rad),
        math.cos(angle),
    )
    lever = sum(part * other for part, other in zip(rod, along, strict=True)) / crank.rod_m
    return math.asin(min(1.0, abs(lever)))


def _square_rod_m(crank: Crank) -> float:
    """The rod that stands square to the crank, in its plane, at home; 0 when there is none."""
    ahead, above, off = _plane(crank)
    square = ahead**2 + above**2 - crank.crank_m**2
    return math.sqrt(square + off**2) if square > 0.0 else 0.0


def _apart(pair: Pair, link: Neck, path: Path, reporter: Reporter) -> bool:
    """Whether the two rods do different things to the head at home."""
    away = float(link.toggle_rad(link.home_rad[None, :])[0])
    if away >= LEAST_TOGGLE_RAD:
        return True
    joints = [[1000.0 * part for part in crank.joint_m] for crank in pair.cranks]
    lever = max(abs(joints[0][0] - 1000.0 * link.pivot_m[0]), 1000.0 * pair.cranks[0].crank_m)
    x, y, z = (1000.0 * float(part) for part in link.pivot_m)
    suggestion = [
        f"[{x - lever:.0f}, {y + sign * lever:.0f}, {joint[2] if abs(joint[2] - z) < lever else z:.0f}]"
        for sign, joint in zip((1.0, -1.0), joints, strict=True)
    ]
    reporter.add(
        (*path, "left", "joint_mm"),
        "both rods move the head the same way at home, so that one axis is left loose: a toggle",
        value=f"{math.degrees(away):.0f} deg from it",
        limit=f"at least {math.degrees(LEAST_TOGGLE_RAD):.0f} deg",
        remedy="put one joint to the left and one to the right of the pivot and both behind it, such as "
        f"left joint_mm = {suggestion[0]} and right joint_mm = {suggestion[1]}",
    )
    return False
