"""The affine map of each track: from its axis's angle, or its servo's where a linkage stands between."""

from __future__ import annotations

import numpy as np

from sequencer.figure.drives import track_of
from sequencer.figure.linkage import linkages
from sequencer.figure.model import Axis, DirectDrive, Figure, FourBarDrive, PairDrive, TrackMap
from sequencer.figure.polygon import reach_of


def track_maps(figure: Figure) -> dict[str, TrackMap]:
    """Track name -> map, in the order of the axes, see :class:`TrackMap`.

    Raises FigureError for a pair that cannot keep home, which reading a file finds out before.
    """
    tracks: dict[str, TrackMap] = {}
    for link in linkages(figure):
        axes = [figure.axes[name] for name in link.axes]
        drive = axes[0].drive
        bounds = _bounds_us(figure, axes, [figure.servos[name].us_per_rad for name in link.servos])
        rest, parked = (
            link.servo_rad(np.array([[getattr(axis, which) for axis in axes]]))[0]
            for which in ("home_rad", "parked_rad")
        )
        for column, servo_name in enumerate(link.servos):
            servo = figure.servos[servo_name]
            name = track_of(figure, servo_name)
            tracks[name] = TrackMap(
                name=name,
                axis=drive.pair if isinstance(drive, PairDrive) else axes[0].name,
                servo=servo_name,
                pin=servo.pin,
                zero_us=servo.centre_us,
                us_per_rad=servo.us_per_rad * (drive.ratio if isinstance(drive, DirectDrive) else 1.0),
                low_us=bounds[column][0],
                high_us=bounds[column][1],
                rest_us=servo.centre_us + servo.us_per_rad * float(rest[column]),
                parked_us=servo.centre_us + servo.us_per_rad * float(parked[column]),
                frame_s=servo.frame_s,
            )
    return tracks


def _bounds_us(figure: Figure, axes: list[Axis], slopes: list[float]) -> list[tuple[float, float]]:
    """(shortest, longest) pulse of each track of a linkage: its range as the servo sees it."""
    drive = axes[0].drive
    if isinstance(drive, PairDrive):
        corners = np.array(reach_of(figure, drive.pair).vertices_us)
        return [(float(column.min()), float(column.max())) for column in corners.T]
    (link,) = (link for link in linkages(figure) if axes[0].name in link.axes)
    ends = link.servo_rad(np.array(axes[0].range_rad)[:, None])[:, 0]
    assert isinstance(drive, DirectDrive | FourBarDrive)
    low, high = sorted(figure.servos[drive.servo].centre_us + slopes[0] * float(end) for end in ends)
    return [(low, high)]
