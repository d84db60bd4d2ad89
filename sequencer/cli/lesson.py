"""Learning what a scene draws, for the stall guard; and a trip of it in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.errors import Fault, UsageError

if TYPE_CHECKING:
    from sequencer.board.link import Link
    from sequencer.board.reports import Step, Trip
    from sequencer.show_model import BuiltShow

#: A board finishes the last slice when the scene ends; it is asked for this long then.
AFTER_S = 1.0


class Lesson:
    """Collects the peaks of one scene's slices while it plays.

    Raises:
        UsageError: the figure measures no current.
    """

    def __init__(self, built: BuiltShow, number: int) -> None:
        from sequencer.tables.extra_guard import slice_shift, slices
        from sequencer.tables.limits import sensor_records

        servos = [spec.servo for spec in built.planned.specs.values()]
        self._built = built
        self._scene = built.contents.scenes[number]
        self._number = number
        self._records = dict(
            zip(built.figure.sensors, sensor_records(built.figure, built.contents, servos), strict=True)
        )
        currents = [name for name, item in built.figure.sensors.items() if item.kind == "current"]
        if not currents:
            raise UsageError(
                Fault(
                    "the figure has no current sensor to learn with",
                    built.figure.file,
                    remedy='describe one: [inputs.rail] with kind = "current" (FIGURE.md)',
                )
            )
        self._shift = slice_shift(self._scene.frames)
        count = slices(self._scene.frames, self._shift)
        self._peaks = {name: [-1.0] * count for name in currents}

    def look(self, link: Link) -> None:
        """Ask every sensor for its last slice."""
        for index, (name, record) in enumerate(self._records.items()):
            if name not in self._peaks:
                continue
            seen = link.seen(index)
            row = self._peaks[name]
            if seen.scene == self._number and seen.slice < len(row):
                # The board's value is rounded down.
                row[seen.slice] = max(row[seen.slice], (seen.peak + 1) * record.unit / 1000.0)

    def watch(self, link: Link, steps: Iterator[Step]) -> Iterator[Step]:
        """The same steps, with a look at each."""
        for step in steps:
            self.look(link)
            yield step

    def finish(self, link: Link) -> None:
        """The last slice; then the guard is on again."""
        for _ in range(round(AFTER_S / 0.1)):
            link.reports(0.1)
            self.look(link)
        link.learn(False)

    def save(self, folder: Path) -> str:
        """Into ``guard.toml``: the larger of what was known of this motion and was seen. A line to tell."""
        from sequencer.event.learned import LearnedScene, read_learned, write_learned
        from sequencer.tables.limits import motion_of

        name = self._scene.name
        motion = motion_of(self._built.contents, name)
        known = read_learned(folder)
        before = known.get(name)
        if before is not None and before.motion == motion:
            for sensor, row in self._peaks.items():
                old = before.peak_a.get(sensor, ())
                if len(old) == len(row):
                    self._peaks[sensor] = [max(pair) for pair in zip(old, row, strict=True)]
        peaks = {sensor: tuple(round(value, 3) for value in row) for sensor, row in self._peaks.items()}
        file = write_learned(folder, {**known, name: LearnedScene(motion, 1 << self._shift, peaks)})
        missed = max(_gaps(row) for row in peaks.values())
        most = ", ".join(f"{sensor} at most {max(row):.2f} A" for sensor, row in peaks.items())
        again = f"; {missed} slices were not seen: play it again" if missed else ""
        return f"learned {name}: {most}; written to {file}{again}; flash to let the board guard by it"


def _gaps(row: Sequence[float]) -> int:
    """Slices that a look missed. The first ones may belong to the fade into the scene: nobody sees those."""
    first = next((index for index, value in enumerate(row) if value >= 0), 0)
    return sum(value < 0 for value in row[first:])


def trip_words(built: BuiltShow, trip: Trip, here: str = "between scenes") -> str:
    """What tripped, where, and what it means now; ``here`` where the board knows of no scene."""
    sensors = list(built.figure.sensors.values())
    name = f"sensor {trip.sensor}"
    let_go = "what it watches is let go"
    if trip.sensor < len(sensors):
        sensor = sensors[trip.sensor]
        name = sensor.name
        who = "every servo" if sensor.watches is None else f"servo {sensor.watches}"
        let_go = (
            "nothing is let go"
            if sensor.on_trip == "tell"
            else f"{who} has no pulses until the board is reset: look what blocks it, and for a hot servo"
        )
    where = here
    if trip.scene < len(built.scene_names):
        seconds = trip.frame * built.contents.frame_us * 1e-6
        where = f"{seconds:.2f} s into {built.scene_names[trip.scene]} (frame {trip.frame})"
    return f"stall guard: {name} stayed above its limit {where}; {let_go}"
