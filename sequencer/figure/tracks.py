"""The affine map from each axis's angle to its servo's pulse."""

from __future__ import annotations

from sequencer.figure.model import DirectDrive, Figure, TrackMap


def track_maps(figure: Figure) -> dict[str, TrackMap]:
    """Track name -> map, in the order of the axes. A direct axis gives its name to its track."""
    tracks: dict[str, TrackMap] = {}
    for axis in figure.axes.values():
        assert isinstance(axis.drive, DirectDrive)
        servo = figure.servos[axis.drive.servo]
        us_per_rad = servo.us_per_rad * axis.drive.ratio
        ends = sorted(servo.centre_us + us_per_rad * angle for angle in axis.range_rad)
        tracks[axis.name] = TrackMap(
            name=axis.name,
            axis=axis.name,
            servo=servo.name,
            pin=servo.pin,
            zero_us=servo.centre_us,
            us_per_rad=us_per_rad,
            low_us=ends[0],
            high_us=ends[1],
            rest_us=servo.centre_us + us_per_rad * axis.home_rad,
            parked_us=servo.centre_us + us_per_rad * axis.parked_rad,
            frame_s=servo.frame_s,
        )
    return tracks
