"""Every track of a figure as integers: specs by track, polygons by pair."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from sequencer.errors import PlanError, QuarterjackError
from sequencer.figure.drives import track_of
from sequencer.figure.limits import track_limits
from sequencer.figure.linkage import Linkage, linkages
from sequencer.figure.model import Axis, DirectDrive, Figure, Limits, PairDrive, TrackMap
from sequencer.figure.polygon import polygon
from sequencer.figure.torque_limits import is_torque_aware, most_limits, scene_limits
from sequencer.figure.tracks import track_maps
from sequencer.motion.model import Mode, PairSpec, TrackSpec
from sequencer.motion.polygon import pair_spec
from sequencer.motion.spec import group_specs, track_spec

#: A guess at the damping ratio of a neck of printed parts, rods and servo gears, without amplitudes.
TYPICAL_DAMPING = 0.03


@dataclass(frozen=True)
class FigureTracks:
    """``specs`` and ``limits`` by track, in the image's order; ``pairs`` by name of the pair.

    ``behind`` are the linkages whose tracks' angles are the servos' own, ``aware`` those that scenes plan
    with torque: ``calm_bounds`` of their tracks are then what loops and transitions keep. ``limits`` are
    never exceeded by any.
    """

    specs: dict[str, TrackSpec]
    limits: dict[str, Limits]
    pairs: dict[str, PairSpec]
    behind: tuple[Linkage, ...]
    aware: tuple[Linkage, ...] = ()


def figure_tracks(figure: Figure) -> FigureTracks:
    """The tracks of every linkage of ``figure``.

    Raises:
        QuarterjackError: all limits and ranges that cannot be kept or stored, at once, of the first's kind.
    """
    every = linkages(figure)
    found = FigureTracks(
        {},
        {},
        {},
        behind=tuple(link for link in every if not is_direct(figure, link)),
        aware=tuple(link for link in every if is_torque_aware(figure, link)),
    )
    maps = track_maps(figure)
    failed: list[QuarterjackError] = []
    for linkage in every:
        names = [track_of(figure, servo) for servo in linkage.servos]
        try:
            limits = [track_limits(figure, name) for name in names]
            found.limits.update(zip(names, scene_limits(figure, linkage), strict=True))
            specs = _specs(figure, linkage, [maps[name] for name in names], limits, found.pairs)
            for spec, axis in zip(specs, linkage.axes, strict=True):
                found.specs[spec.name] = replace(spec, mode=mode_of(figure.axes[axis]))
        except QuarterjackError as error:
            failed.append(error)
    if failed:
        raise type(failed[0]).from_faults(fault for error in failed for fault in error.faults)
    return found


def mode_of(axis: Axis) -> Mode | None:
    """How the axis wobbles, from its filmed tap; the damping is typical where no amplitudes were read."""
    if axis.wobble_hz is None:
        return None
    typical = axis.damping_ratio is None
    damping = TYPICAL_DAMPING if axis.damping_ratio is None else axis.damping_ratio
    return Mode(axis.wobble_hz, axis.wobble_spread_hz, damping, typical)


def is_direct(figure: Figure, linkage: Linkage) -> bool:
    """Whether the linkage's only track has its axis's angle."""
    return isinstance(figure.axes[linkage.axes[0]].drive, DirectDrive)


def _specs(
    figure: Figure,
    linkage: Linkage,
    maps: list[TrackMap],
    limits: list[Limits],
    pairs: dict[str, PairSpec],
) -> Iterator[TrackSpec]:
    error = figure.board.clock_error
    given = [frames for axis in linkage.axes if (frames := figure.axes[axis].knot_frames) is not None]
    knot_frames = min(given, default=None)
    drive = figure.axes[linkage.axes[0]].drive
    pair = drive.pair if isinstance(drive, PairDrive) else None
    if pair is not None and len({round(track.frame_s * 1e6) for track in maps}) > 1:
        raise PlanError(f"pair {pair}: its two servos ask for different frames")
    calm = _of_limits(maps, limits, pair, error, knot_frames, None)
    if is_torque_aware(figure, linkage):
        # One resolution for both: the finer one, so that neither is too coarse for its jerk.
        exponent = calm[0].lsb_exponent
        most = _of_limits(maps, most_limits(figure, linkage), pair, error, calm[0].knot_frames, exponent)
        specs = [
            replace(far, bounds=outermost(far.bounds, near.bounds), calm_bounds=near.bounds)
            for far, near in zip(most, calm, strict=True)
        ]
    else:
        specs = list(calm)
    if pair is not None:
        specs[0], specs[1], pairs[pair] = pair_spec(pair, specs[0], specs[1], polygon(figure, pair))
    yield from specs


def outermost(one: tuple[int, int, int], other: tuple[int, int, int]) -> tuple[int, int, int]:
    """The larger of each."""
    return max(one[0], other[0]), max(one[1], other[1]), max(one[2], other[2])


def _of_limits(
    maps: list[TrackMap],
    limits: list[Limits],
    pair: str | None,
    clock_error: float,
    knot_frames: int | None,
    exponent: int | None,
) -> tuple[TrackSpec, ...]:
    if pair is None:
        one = track_spec(
            maps[0], limits[0], clock_error=clock_error, knot_frames=knot_frames, lsb_exponent=exponent
        )
        return (one,)
    return group_specs(
        maps, limits, pair, clock_error=clock_error, knot_frames=knot_frames, lsb_exponent=exponent
    )
