"""Whether a pair of cranks can hold its head at home and move it as far as its ranges promise."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sequencer.errors import FigureError
from sequencer.figure.convex import slack
from sequencer.figure.crank import Array
from sequencer.figure.explain import Reporter
from sequencer.figure.fitting import STEPS, fits, mm, other_shares, range_around, range_fault, why_not
from sequencer.figure.model import Axis, Crank, Figure, Pair
from sequencer.figure.neck import Neck, lines_meet_m
from sequencer.figure.polygon import LEAST_TOGGLE_RAD, PairReach, pulses_us, reach_of, servo_window_us
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
    for index, side in enumerate(("left", "right")):
        _home(figure, pair, index, link, (*path, side), reporter)
    if len(reporter.faults) > before or not _apart(pair, link, path, reporter):
        return
    for column in (0, 1):
        _alone(figure, pair, link, column, reporter)
    if len(reporter.faults) > before:
        return
    try:
        reach = reach_of(figure, pair.name)
    except FigureError as error:
        reporter.faults.extend(error.faults)
        return
    _poses(figure, pair, link, reach, reporter)


def _alone(figure: Figure, pair: Pair, link: Neck, column: int, reporter: Reporter) -> None:
    """Whether one axis reaches the ends of its range while the other is at home."""
    first, second = axes = [figure.axes[name] for name in pair.axes]
    servos = [figure.servos[name] for name in link.servos]

    def alone(angles: Array) -> Array:
        poses = np.tile(link.home_rad, (len(angles), 1))
        poses[:, column] = angles
        return poses

    wanted = alone(np.linspace(*axes[column].range_rad, STEPS))
    if bool(np.all(fits(wanted, link, servos))):
        return
    low, high = range_around(axes[column], lambda angles: fits(alone(angles), link, servos))

    def good(neck: Neck) -> bool:
        # Most tries fail, and a few poses tell.
        return all(bool(np.all(fits(poses, neck, servos))) for poses in (wanted[::24], wanted))

    other = _other_cranks(pair, first, second, good)
    range_fault(axes[column], low, high, why_not(wanted, link, servos), other, reporter)


def _poses(figure: Figure, pair: Pair, link: Neck, reach: PairReach, reporter: Reporter) -> None:
    """Whether the pair can take the file's poses."""
    servos = (figure.servos[link.servos[0]], figure.servos[link.servos[1]])
    sides = [(half.a, half.b, half.limit) for half in reach.half_planes]
    for name, pose in figure.poses_rad.items():
        if not any(axis in pose for axis in pair.axes):
            continue
        asked = np.array([pose.get(axis, figure.axes[axis].home_rad) for axis in pair.axes])
        ray = link.home_rad + np.linspace(0.0, 1.0, 401)[:, None] * (asked - link.home_rad)
        good = slack(sides, pulses_us(servos, link.servo_rad(ray))) >= 0.0
        if good.all():
            continue
        kept = [math.degrees(angle) for angle in ray[max(0, int(np.argmin(good)) - 1)]]
        shown = ", ".join(
            f"{axis}_deg = {math.floor(abs(angle) * 10) / 10 * math.copysign(1, angle):g}"
            for axis, angle in zip(pair.axes, kept, strict=True)
        )
        reporter.add(
            ("poses", name),
            f"the linkage `{pair.name}` cannot take {pair.axes[0]} and {pair.axes[1]} there together",
            value=", ".join(
                f"{axis}_deg = {math.degrees(angle):g}" for axis, angle in zip(pair.axes, asked, strict=True)
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


def _rod_at_centre_m(crank: Crank) -> float:
    """The rod that lets the crank stand at crank_deg while the head is at home."""
    return math.dist(_tip_m(crank, crank.at_centre_rad), crank.joint_m)


def _tip_m(crank: Crank, angle_rad: float) -> tuple[float, float, float]:
    x, y, z = crank.pivot_m
    ahead = crank.crank_m * math.cos(angle_rad)
    return (
        x + ahead * math.cos(crank.plane_rad),
        y + ahead * math.sin(crank.plane_rad),
        z + crank.crank_m * math.sin(angle_rad),
    )


def _home(figure: Figure, pair: Pair, index: int, link: Neck, path: Path, reporter: Reporter) -> None:
    """Whether one crank can hold the head at home, off its toggle and inside its servo's ends."""
    crank = pair.cranks[index]
    fitting = mm(_rod_at_centre_m(crank))
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
        least, most = sorted(
            math.dist(_tip_m(crank, turned), crank.joint_m) for turned in _in_line_rad(crank)
        )
        reporter.add(
            (*path, "rod_mm"),
            f"the rod is too {'short' if cosine > 1.0 else 'long'} for home",
            value=f"{mm(crank.rod_m)} mm",
            limit=f"{mm(least)} to {mm(most)} mm",
            remedy=f"write rod_mm = {fitting}, which holds the head at home with the crank at "
            f"{math.degrees(crank.at_centre_rad):g} degrees",
        )
        return
    away = _crank_toggle_rad(crank, link, index)
    if away < LEAST_TOGGLE_RAD:
        reporter.add(
            (*path, "rod_mm"),
            "crank and rod are nearly in line at home: a toggle",
            value=f"{math.degrees(away):.0f} deg from it",
            limit=f"at least {math.degrees(LEAST_TOGGLE_RAD):.0f} deg; best square",
            remedy=f"write rod_mm = {mm(_square_rod_m(crank))}, which is square to the crank at home"
            if _square_rod_m(crank) > 0.0
            else f"write rod_mm = {fitting}",
        )
        return
    servo = figure.servos[crank.servo]
    low, high = servo_window_us(servo)
    pulse = servo.centre_us + servo.us_per_rad * float(link.servo_rad(home)[0, index])
    if not low <= pulse <= high:
        reporter.add(
            (*path, "rod_mm"),
            f"home needs a pulse that servo `{servo.name}` may not be given",
            value=f"{pulse:.0f} us",
            limit=f"{low:g} to {high:g} us",
            remedy=f"write rod_mm = {fitting}, so that home is at the servo's centre, "
            "or fit the horn on another tooth",
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
    tip = _tip_m(crank, angle)
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


def _other_cranks(pair: Pair, first: Axis, second: Axis, good: Callable[[Neck], bool]) -> str | None:
    """`crank_mm = 44.0`: rods, or cranks with rods that fit at home, with which the whole range works."""
    for share in (1.0, *other_shares()):
        told, cranks = [], []
        for side, crank in zip(("left", "right"), pair.cranks, strict=True):
            other = replace(crank, crank_m=round(1000.0 * crank.crank_m * share, 1) / 1000.0)
            other = replace(other, rod_m=round(1000.0 * _rod_at_centre_m(other), 1) / 1000.0)
            cranks.append(other)
            changed = [
                f"{key}_mm = {mm(getattr(other, f'{key}_m'))}"
                for key in ("crank", "rod")
                if abs(getattr(other, f"{key}_m") - getattr(crank, f"{key}_m")) > 1e-6
            ]
            if changed:
                told.append(f"{' with '.join(changed)} ({side})")
        if told and good(Neck(replace(pair, cranks=(cranks[0], cranks[1])), first, second)):
            return " and ".join(told)
    return None
