"""Between a figure's angles and its servos' pulses, many poses at once."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from sequencer.figure.crank import Array
from sequencer.figure.drives import track_of
from sequencer.figure.linkage import Linkage, linkages
from sequencer.figure.model import Figure


class FigureMap:
    """The map of a whole figure; tracks are named as :func:`~sequencer.figure.drives.track_of` says."""

    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        self.linkages: tuple[Linkage, ...] = linkages(figure)
        self.tracks = {
            link.axes: tuple(track_of(figure, servo) for servo in link.servos) for link in self.linkages
        }
        self._centre = {
            link.axes: np.array([figure.servos[name].centre_us for name in link.servos], dtype=float)
            for link in self.linkages
        }
        self._slope = {
            link.axes: np.array([figure.servos[name].us_per_rad for name in link.servos])
            for link in self.linkages
        }

    def linkage(self, axis_name: str) -> Linkage:
        """The linkage that moves an axis. Raises KeyError for an axis the figure does not have."""
        for link in self.linkages:
            if axis_name in link.axes:
                return link
        raise KeyError(axis_name)

    def _columns(self, link: Linkage, axis_rad: Mapping[str, Array]) -> Array:
        """(n, k) angles of a linkage's axes; one that is not given stays at home."""
        given = [np.asarray(axis_rad[name], dtype=float) for name in link.axes if name in axis_rad]
        count = len(given[0])
        columns = [
            np.asarray(axis_rad[name], dtype=float)
            if name in axis_rad
            else np.full(count, self.figure.axes[name].home_rad)
            for name in link.axes
        ]
        return np.stack(columns, axis=1)

    def servo_rad(self, axis_rad: Mapping[str, Array]) -> dict[str, Array]:
        """Servo -> its angles (n,) for axis angles (n,); NaN where a linkage cannot be closed.

        Only linkages of which an axis is given; the other axis of a pair is then taken at home.
        """
        found: dict[str, Array] = {}
        for link in self.linkages:
            if any(name in axis_rad for name in link.axes):
                angles = link.servo_rad(self._columns(link, axis_rad))
                found.update((servo, angles[:, column]) for column, servo in enumerate(link.servos))
        return found

    def pulse_us(self, axis_rad: Mapping[str, Array]) -> dict[str, Array]:
        """Track -> its pulses (n,) for axis angles (n,); NaN where a linkage cannot be closed.

        Only linkages of which an axis is given; the other axis of a pair is then taken at home.
        """
        found: dict[str, Array] = {}
        for link in self.linkages:
            if any(name in axis_rad for name in link.axes):
                pulses = (
                    self._centre[link.axes]
                    + link.servo_rad(self._columns(link, axis_rad)) * self._slope[link.axes]
                )
                found.update(
                    (track, pulses[:, column]) for column, track in enumerate(self.tracks[link.axes])
                )
        return found

    def axis_rad(
        self, pulse_us: Mapping[str, Array], near: Mapping[str, Array] | None = None
    ) -> dict[str, Array]:
        """Axis -> its angles (n,) for pulses (n,) of the tracks; NaN where a linkage cannot be closed.

        ``near`` (axis -> (n,)) are poses to start from, home by default. Both tracks of a pair are needed:
        a linkage of which a track is missing is left out.
        """
        found: dict[str, Array] = {}
        for link in self.linkages:
            names = self.tracks[link.axes]
            if not all(name in pulse_us for name in names):
                continue
            pulses = np.stack([np.asarray(pulse_us[name], dtype=float) for name in names], axis=1)
            start = self._columns(link, near) if near and any(name in near for name in link.axes) else None
            angles = link.axis_rad((pulses - self._centre[link.axes]) / self._slope[link.axes], start)
            found.update((axis, angles[:, column]) for column, axis in enumerate(link.axes))
        return found

    def jacobian_us(self, link: Linkage, axis_rad: Mapping[str, Array]) -> Array:
        """d pulse / d axis of one linkage in us per radian, (n, k tracks, k axes)."""
        slopes: Array = link.jacobian(self._columns(link, axis_rad)) * self._slope[link.axes][None, :, None]
        return slopes
