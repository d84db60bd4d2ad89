"""What the stall guard compares: sensors as records, learned peaks with the figure's margins as limits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Protocol

from sequencer.errors import Fault, PlanError
from sequencer.figure.model import Figure, Sensor
from sequencer.tables.extra_guard import (
    NO_LIMIT,
    SUPPLY_CURRENT,
    SUPPLY_VOLTAGE,
    SensorRecord,
    guard_extra,
    slice_shift,
    slices,
)
from sequencer.tables.model import Extra, ShowImage

#: The converter's reference and its steps.
REFERENCE_MV = 5000.0
STEPS = 1024
#: A value must reach this much beyond the ceiling, so that being above it can be seen.
ROOM = 1.25


class LearnedPeaks(Protocol):
    """What a scene was seen to draw (see :mod:`sequencer.event.learned`)."""

    @property
    def motion(self) -> str:
        """Fingerprint of the motion that was learned."""

    @property
    def peak_a(self) -> Mapping[str, Sequence[float]]:
        """By sensor: the largest current in each slice, amperes; negative where it was not seen."""


def sensor_record(sensor: Sensor, tracks: Sequence[str], most_a: float, frame_us: int) -> SensorRecord:
    """A sensor as the player knows it; ``most_a`` is what its servos could draw at most."""
    scale = round(REFERENCE_MV / sensor.mv_per_unit * 1000.0 * 32768 / (STEPS * 64))
    if sensor.kind == "voltage":
        return SensorRecord(sensor.pin, SUPPLY_VOLTAGE, scale, 0, 8, NO_LIMIT, 1, hold=False, tell_only=True)
    wanted_ma = 1000.0 * ROOM * max(most_a, sensor.limit_a or 0.0)
    shift = next((s for s in range(1, 8) if NO_LIMIT * _unit_ma(scale, s) >= wanted_ma), 8)
    ceiling = NO_LIMIT
    if sensor.limit_a is not None:
        ceiling = min(NO_LIMIT, math.ceil(1000.0 * sensor.limit_a / _unit_ma(scale, shift)))
    return SensorRecord(
        pin=sensor.pin,
        watches=SUPPLY_CURRENT if sensor.watches is None else tracks.index(sensor.watches),
        scale=scale,
        offset_q6=round(sensor.offset_mv / REFERENCE_MV * STEPS * 64),
        shift=shift,
        ceiling=ceiling,
        frames=max(1, min(255, round(sensor.for_s * 1e6 / frame_us))),
        hold=sensor.on_trip == "hold",
        tell_only=sensor.on_trip == "tell",
    )


def _unit_ma(scale: int, shift: int) -> float:
    return scale * (1 << shift) / 32768


def limit_row(sensor: Sensor, record: SensorRecord, peaks_a: Sequence[float], count: int) -> bytes:
    """A limit a slice: the largest peak of it and of its neighbours, with the margins, rounded up.

    Neighbours count because a servo answers a little later than it is told. Where nothing was seen there
    is no limit.
    """
    row = bytearray()
    for index in range(count):
        near = peaks_a[max(0, index - 1) : index + 2]
        if sensor.kind == "voltage" or index >= len(peaks_a) or peaks_a[index] < 0.0:
            row.append(NO_LIMIT)
            continue
        most = max(near) * (1.0 + sensor.above_share) + sensor.above_a
        row.append(min(NO_LIMIT, math.ceil(1000.0 * most / record.unit)))
    return bytes(row)


def motion_of(contents: ShowImage, scene: str) -> str:
    """The fingerprint of a scene's motion: what was learned holds as long as this stays."""
    import zlib

    record = next(item for item in contents.scenes if item.name == scene)
    crc = zlib.crc32(record.frames.to_bytes(4, "little"))
    for stream in record.tracks:
        crc = zlib.crc32(stream or b"\0", crc)
    return f"{crc:08x}"


def sensor_records(figure: Figure, contents: ShowImage, servos: Sequence[str]) -> tuple[SensorRecord, ...]:
    """All sensors; ``servos`` names each track's servo, in the image's order.

    Raises:
        PlanError: a sensor watches a servo that moves nothing.
    """
    records = []
    for sensor in figure.sensors.values():
        if sensor.watches is not None and sensor.watches not in servos:
            raise PlanError(
                Fault(
                    f"input {sensor.name} watches servo {sensor.watches}, which moves no axis",
                    figure.file,
                    line=sensor.line,
                    quantity="watches",
                    value=sensor.watches,
                    limit=", ".join(servos) or "none",
                    remedy="watch another servo, or give this one an axis",
                )
            )
        watched = figure.servos.values() if sensor.watches is None else [figure.servos[sensor.watches]]
        most_a = sum(servo.stall_a for servo in watched)
        records.append(sensor_record(sensor, servos, most_a, contents.frame_us))
    return tuple(records)


def unlearned(figure: Figure, contents: ShowImage, learned: Mapping[str, LearnedPeaks]) -> dict[str, str]:
    """Scenes that only a ceiling guards, each with why."""
    if all(sensor.kind == "voltage" for sensor in figure.sensors.values()):
        return {}
    found = {}
    for scene in contents.scenes:
        known = learned.get(scene.name)
        if known is None:
            found[scene.name] = "its currents were never learned"
        elif known.motion != motion_of(contents, scene.name):
            found[scene.name] = "it changed since its currents were learned"
    return found


def guard_of(
    figure: Figure, contents: ShowImage, servos: Sequence[str], learned: Mapping[str, LearnedPeaks]
) -> Extra | None:
    """The guard's extra; scenes whose motion is another one than was learned have no limits."""
    records = sensor_records(figure, contents, servos)
    limits: list[tuple[bytes, ...] | None] = []
    for scene in contents.scenes:
        known = learned.get(scene.name)
        count = slices(scene.frames, slice_shift(scene.frames))
        if known is None or known.motion != motion_of(contents, scene.name):
            limits.append(None)
            continue
        limits.append(
            tuple(
                limit_row(sensor, record, known.peak_a.get(name, ()), count)
                for (name, sensor), record in zip(figure.sensors.items(), records, strict=True)
            )
        )
    return guard_extra(records, [scene.frames for scene in contents.scenes], limits)
