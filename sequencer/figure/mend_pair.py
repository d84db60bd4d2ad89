"""Numbers that would make a pair work: found by trying them, so that what is told cures when it is written.

First what makes both sides mirror images again, because one slip of the pen is likelier than an odd build;
then the one length of one side, then of both, that changes least; then cranks with rods that fit at home.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from sequencer.errors import FigureError
from sequencer.figure.convex import slack
from sequencer.figure.crank import Array
from sequencer.figure.fitting import STEPS, fits, mm, other_shares
from sequencer.figure.model import Crank, Figure, Pair
from sequencer.figure.neck import Neck
from sequencer.figure.polygon import PairReach, pulses_us, reach_of

SIDES = ("left", "right")
#: Most tries fail, and a few poses tell.
_FEW = 24
#: Ranges are tried at these shares.
_SHRUNK = (0.97, 0.94, 0.9, 0.85, 0.8, 0.75, 0.7, 0.6, 0.5)
_SAME = 1e-6


class Slip(NamedTuple):
    """One key of one side that is not the mirror image of the other side's, and what would be."""

    side: int
    key: str
    words: str
    pair: Pair


def rod_at_centre_m(crank: Crank) -> float:
    """The rod that lets the crank stand at crank_deg while the head is at home."""
    return math.dist(tip_m(crank, crank.at_centre_rad), crank.joint_m)


def tip_m(crank: Crank, angle_rad: float) -> tuple[float, float, float]:
    """Where the crank's joint is when it stands at an angle above the horizontal."""
    x, y, z = crank.pivot_m
    ahead = crank.crank_m * math.cos(angle_rad)
    return (
        x + ahead * math.cos(crank.plane_rad),
        y + ahead * math.sin(crank.plane_rad),
        z + crank.crank_m * math.sin(angle_rad),
    )


def alone(figure: Figure, pair: Pair, column: int, steps: int = STEPS) -> Array:
    """(steps, 2) poses: one axis over its range, the other at home."""
    axes = [figure.axes[name] for name in pair.axes]
    poses = np.tile([axis.home_rad for axis in axes], (steps, 1)).astype(float)
    poses[:, column] = np.linspace(*axes[column].range_rad, steps)
    return poses


def missed_poses(
    figure: Figure, pair: Pair, link: Neck, reach: PairReach
) -> Iterator[tuple[str, Array, Array]]:
    """The file's poses that the pair cannot take: name, asked (2,), how far from home toward it (2,)."""
    servos = (figure.servos[link.servos[0]], figure.servos[link.servos[1]])
    sides = [(half.a, half.b, half.limit) for half in reach.half_planes]
    for name, pose in figure.poses_rad.items():
        if not any(axis in pose for axis in pair.axes):
            continue
        asked = np.array([pose.get(axis, figure.axes[axis].home_rad) for axis in pair.axes])
        ray = link.home_rad + np.linspace(0.0, 1.0, 401)[:, None] * (asked - link.home_rad)
        good = slack(sides, pulses_us(servos, link.servo_rad(ray))) >= 0.0
        if not good.all():
            yield name, asked, ray[max(0, int(np.argmin(good)) - 1)]


def with_pair(figure: Figure, pair: Pair) -> Figure:
    """The figure with another pair of that name."""
    return replace(figure, pairs={**figure.pairs, pair.name: pair})


def sound(figure: Figure, pair: Pair) -> bool:
    """Whether reading a figure with this pair in it would find nothing wrong with it."""
    first, second = (figure.axes[name] for name in pair.axes)
    link = Neck(pair, first, second)
    servos = [figure.servos[name] for name in link.servos]
    ways = [alone(figure, pair, column) for column in (0, 1)]
    looked = [link.home_rad[None, :], *(way[::_FEW] for way in ways), *ways]
    if not all(bool(np.all(fits(poses, link, servos))) for poses in looked):
        return False
    changed = with_pair(figure, pair)
    try:
        reach = reach_of(changed, pair.name)
    except FigureError:
        return False
    return next(missed_poses(changed, pair, link, reach), None) is None


def _mirrored(crank: Crank, key: str) -> object:
    """A crank's value on the other side of the figure."""
    value = getattr(crank, key)
    if key in ("pivot_m", "joint_m"):
        return (value[0], -value[1], value[2])
    if key == "plane_rad":
        return math.remainder(-value, math.tau)
    return value


def _differ(one: object, two: object) -> bool:
    if isinstance(one, tuple) and isinstance(two, tuple):
        return any(abs(a - b) > _SAME for a, b in zip(one, two, strict=True))
    assert isinstance(one, float)
    assert isinstance(two, float)
    return abs(math.remainder(one - two, math.tau)) > _SAME


def _spelled(crank: Crank, key: str) -> str:
    value = getattr(crank, key)
    if isinstance(value, tuple):
        name = {"pivot_m": "axle_mm", "joint_m": "joint_mm"}[key]
        return f"{name} = [{', '.join(f'{1000.0 * part:g}' for part in value)}]"
    if key.endswith("_rad"):
        name = {"plane_rad": "plane_deg", "at_centre_rad": "crank_deg"}[key]
        degrees = round(math.degrees(value), 3)
        return f"{name} = {180 if degrees == -180 else degrees + 0.0:g}"
    return f"{key[:-2]}_mm = {mm(value)}"


def _with_crank(pair: Pair, side: int, crank: Crank) -> Pair:
    first, second = pair.cranks
    return replace(pair, cranks=(crank, second) if side == 0 else (first, crank))


def slips(pair: Pair) -> Iterator[Slip]:
    """What would make one side the mirror image of the other, key by key."""
    for side in (0, 1):
        here, there = pair.cranks[side], pair.cranks[1 - side]
        for key in ("crank_m", "rod_m", "at_centre_rad", "plane_rad", "pivot_m", "joint_m"):
            wanted = _mirrored(there, key)
            if not _differ(getattr(here, key), wanted):
                continue
            crank = replace(here, **{key: wanted})  # type: ignore[arg-type]
            spelled = _spelled(crank, key)
            yield Slip(
                side,
                spelled.split(" = ")[0],
                f"{spelled} in [linkages.{pair.name}.{SIDES[side]}], the mirror image of "
                f"the {SIDES[1 - side]} side",
                _with_crank(pair, side, crank),
            )


def slip(figure: Figure, pair: Pair) -> Slip | None:
    """The one key that, made the mirror image of the other side's, cures everything."""
    return next((one for one in slips(pair) if sound(figure, one.pair)), None)


def _lengths(crank: Crank, share: float, keys: tuple[str, ...]) -> Crank:
    return replace(crank, **{key: round(1000.0 * getattr(crank, key) * share, 1) / 1000.0 for key in keys})


def _fitted(crank: Crank, share: float) -> Crank:
    """A crank of another length with the rod that fits it at home."""
    other = _lengths(crank, share, ("crank_m",))
    return replace(other, rod_m=round(1000.0 * rod_at_centre_m(other), 1) / 1000.0)


def said(pair: Pair, other: Pair) -> str:
    """``crank_mm = 44.0, rod_mm = 90.1 in [linkages.neck.left] and ...``: what differs, as lines to type."""
    told = []
    for side, (old, new) in enumerate(zip(pair.cranks, other.cranks, strict=True)):
        changed = [
            _spelled(new, key)
            for key in ("crank_m", "rod_m")
            if _differ(getattr(old, key), getattr(new, key))
        ]
        if changed:
            told.append(f"{', '.join(changed)} in [linkages.{pair.name}.{SIDES[side]}]")
    return " and ".join(told)


def fitted_cranks(pair: Pair, share: float) -> Pair:
    """Both cranks by ``share`` as long, each with the rod that fits at home."""
    return replace(pair, cranks=(_fitted(pair.cranks[0], share), _fitted(pair.cranks[1], share)))


def _tries(pair: Pair) -> Iterator[Pair]:
    yield fitted_cranks(pair, 1.0)
    alike = next(slips(pair), None) is None
    for share in other_shares():
        for key in (("rod_m",), ("crank_m",)):
            both = tuple(_lengths(crank, share, key) for crank in pair.cranks)
            if not alike:
                yield _with_crank(pair, 0, both[0])
                yield _with_crank(pair, 1, both[1])
            yield replace(pair, cranks=(both[0], both[1]))
        yield fitted_cranks(pair, share)


def other_numbers(figure: Figure, pair: Pair) -> str | None:
    """What to write instead so that the pair is sound, as lines to type in; None when no try is."""
    found = slip(figure, pair)
    if found is not None:
        return found.words
    for tried in _tries(pair):
        if said(pair, tried) and sound(figure, tried):
            return said(pair, tried)
    return None


def with_ranges(figure: Figure, pair: Pair, share: float) -> Figure:
    """The figure with both ranges of a pair shrunk around home, to half degrees."""
    axes = dict(figure.axes)
    for name in pair.axes:
        axis = axes[name]
        low, high = (math.degrees(axis.home_rad + share * (end - axis.home_rad)) for end in axis.range_rad)
        ends = math.radians(math.ceil(2.0 * low) / 2.0), math.radians(math.floor(2.0 * high) / 2.0)
        axes[name] = replace(axis, range_rad=ends)
    return replace(figure, axes=axes)


def narrower(figure: Figure, pair: Pair, good: Callable[[PairReach], bool]) -> str | None:
    """Ranges shrunk no more than ``good`` needs, as lines to type in; None when parked would not fit."""
    for share in _SHRUNK:
        tried = with_ranges(figure, pair, share)
        if not _keeps(tried, pair):
            return None
        if _holds(tried, pair, good):
            break
    else:
        return None
    ends = {name: [math.degrees(end) for end in tried.axes[name].range_rad] for name in pair.axes}
    return " and ".join(
        f"range_deg = [{below:g}, {above:g}] in [axes.{name}]" for name, (below, above) in ends.items()
    )


def _keeps(figure: Figure, pair: Pair) -> bool:
    """Whether home, parked and the file's poses are still inside the ranges."""
    return all(
        axis.range_rad[0] - _SAME <= angle <= axis.range_rad[1] + _SAME
        for axis in (figure.axes[name] for name in pair.axes)
        for angle in (
            axis.parked_rad,
            *(pose[axis.name] for pose in figure.poses_rad.values() if axis.name in pose),
        )
    )


def _holds(figure: Figure, pair: Pair, good: Callable[[PairReach], bool]) -> bool:
    return sound(figure, pair) and good(reach_of(figure, pair.name))
