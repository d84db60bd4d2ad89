"""What each servo has to give while a scene plays: angle, speed, torque over time, from what is played.

The control points that the player plays are exact splines, and so are their derivatives. They go
through each linkage (servo angle -> axis angle) and the rigid-body dynamics, and come back as torque
at each servo by virtual work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sequencer.check.moments import Momentary
from sequencer.check.played import PlayedScene
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import Figure
from sequencer.figure.servo_line import line_at
from sequencer.figure.through import through_linkage
from sequencer.kept import Kept, Same
from sequencer.motion.model import TrackSpec
from sequencer.motion.spline import BASIS, extend

Array = NDArray[np.float64]
#: Loads are looked at this often: five times as often as the closest knots.
STEP_S = 0.004
#: Points that hold still are rounded up or down: up to this many LSB a knot mean no motion.
REST_LSB = 2.0


class Machine(Protocol):
    """What the dynamics must answer; see :class:`sequencer.figure.dynamics.Dynamics`."""

    @property
    def linkages(self) -> tuple[Linkage, ...]:
        """What connects servos and axes."""

    def servo_torque(
        self, q: Mapping[str, Array], qd: Mapping[str, Array], qdd: Mapping[str, Array]
    ) -> Mapping[str, Array]:
        """Servo -> the torque that it must give, N m (n,)."""


@dataclass(frozen=True)
class Motion:
    """Axis angles, speeds and accelerations, and servo speeds, (n,) each at ``time_s``; rad and s."""

    time_s: Array
    q: Mapping[str, Array]
    qd: Mapping[str, Array]
    qdd: Mapping[str, Array]
    servo_rad_s: Mapping[str, Array]

    def slower(self, at: slice, times: float) -> Motion:
        """The moments ``at``, as they would be when the same path took ``times`` as long."""

        def all_of(values: Mapping[str, Array], power: int) -> dict[str, Array]:
            return {name: value[at] / times**power for name, value in values.items()}

        return Motion(
            self.time_s[at] * times,
            *(all_of(self.q, 0), all_of(self.qd, 1), all_of(self.qdd, 2), all_of(self.servo_rad_s, 1)),
        )


@dataclass(frozen=True)
class ServoLoad:
    """One servo over a scene, (n,) each at ``time_s``: what it gives, and what it has to give.

    ``torque_n_m`` is signed, ``speed_rad_s`` is the servo's. ``available_n_m`` is the torque-speed line
    at that moment, toward the side of the torque; ``stall_n_m`` and ``no_load_rad_s`` are the line's
    ends, derated, at the supply's voltage.
    """

    servo: str
    time_s: Array
    torque_n_m: Array
    speed_rad_s: Array
    available_n_m: Array
    stall_n_m: float
    no_load_rad_s: float

    @property
    def shares(self) -> Array:
        """Torque as a share of stall, signed."""
        return self.torque_n_m / self.stall_n_m

    @property
    def rms_share(self) -> float:
        """Root mean square of the torque over the scene, as a share of stall."""
        return float(np.sqrt(np.mean(self.shares**2)))


@dataclass(frozen=True)
class SceneLoads:
    """All servos over one scene; ``motion`` is what they were asked for."""

    scene: str
    loop: bool
    duration_s: float
    motion: Motion
    servos: Mapping[str, ServoLoad]


def available_n_m(stall_n_m: float, no_load_rad_s: float, torque_n_m: Array, speed_rad_s: Array) -> Array:
    """What a servo can give toward the side of ``torque_n_m`` at that speed.

    The line of a DC motor (textbook): stall torque at rest, none at no-load speed. Against its own
    motion a servo brakes with its stall torque; more is not counted on, for the gears' sake.
    """
    along = np.where(torque_n_m * speed_rad_s > 0.0, np.abs(speed_rad_s), 0.0)
    left: Array = stall_n_m * np.clip(1.0 - along / no_load_rad_s, 0.0, 1.0)
    return left


def servo_motion(
    figure: Figure, spec: TrackSpec, points: NDArray[np.int64], loop: bool, time_s: Array
) -> tuple[Array, Array, Array]:
    """A servo's own angle, speed and acceleration at ``time_s``, exact, in rad and s.

    A speed that rounding alone can make (:data:`REST_LSB`) is rest: friction then pushes to no side.
    """
    servo = figure.servos[spec.servo]
    c = extend(np.asarray(points), loop).astype(np.float64)
    knots = time_s / spec.knot_s
    span = np.minimum(knots.astype(np.int64), len(c) - 4)
    u = knots - span
    # Each span as a cubic in u, by ascending powers.
    cubics = np.lib.stride_tricks.sliding_window_view(c, 4) @ BASIS
    c0, c1, c2, c3 = (cubics[:, power][span] for power in range(4))
    value = ((c3 * u + c2) * u + c1) * u + c0
    rate = (3.0 * c3 * u + 2.0 * c2) * u + c1
    rate2 = 6.0 * c3 * u + 2.0 * c2
    rad_per_lsb = spec.lsb_us / servo.us_per_rad
    angle = (spec.origin_us - servo.centre_us) / servo.us_per_rad + value * rad_per_lsb
    rate = np.where(np.abs(rate) <= REST_LSB, 0.0, rate)
    return angle, rate * rad_per_lsb / spec.knot_s, rate2 * rad_per_lsb / spec.knot_s**2


def scene_motion(
    figure: Figure,
    linkages: tuple[Linkage, ...],
    played: PlayedScene,
    specs: Mapping[str, TrackSpec],
    frame_s: float,
    kept: Kept | None = None,
) -> Motion:
    """What the axes do while the player plays a scene, every :data:`STEP_S`; ``kept`` spares what it can."""
    kept = Kept() if kept is None else kept
    duration = played.frames * frame_s
    steps = np.arange(round(duration / STEP_S) + (0 if played.loop else 1))
    time_s: Array = np.multiply(steps, STEP_S, dtype=np.float64)
    by_servo = {}
    for name, spec in specs.items():
        points = played.points[name]
        by_servo[spec.servo] = kept.of(
            ("servo motion", Same(figure), spec, played.loop, len(time_s), points.tobytes()),
            partial(servo_motion, figure, spec, points, played.loop, time_s),
        )
    q: dict[str, Array] = {}
    qd: dict[str, Array] = {}
    qdd: dict[str, Array] = {}
    for linkage in linkages:
        columns = [by_servo[servo] for servo in linkage.servos]
        through = kept.of(
            ("through", Same(linkage), played.scene), partial(Momentary, partial(through_linkage, linkage))
        )
        values = kept.of(
            ("linkage motion", Same(figure), linkage.axes, *(Same(column) for column in columns)),
            partial(_axes_motion, figure, linkage, columns, through),
        )
        for place, name in enumerate(linkage.axes):
            q[name], qd[name], qdd[name] = values[place]
    return Motion(time_s, q, qd, qdd, {servo: values[1] for servo, values in by_servo.items()})


def _axes_motion(
    figure: Figure, linkage: Linkage, columns: list[tuple[Array, Array, Array]], through: Momentary
) -> list[tuple[Array, Array, Array]]:
    """Angle, speed and acceleration of each axis of a linkage from those of its servos."""
    angle, speed, acceleration = (np.stack(each, axis=1) for each in zip(*columns, strict=True))
    home = np.array([figure.axes[name].home_rad for name in linkage.axes])
    near = np.broadcast_to(home, angle.shape)
    q, qd, qdd = through(angle, speed, acceleration, near)
    return [(q[:, place], qd[:, place], qdd[:, place]) for place in range(len(linkage.axes))]


def scene_loads(
    figure: Figure,
    machine: Machine,
    played: PlayedScene,
    specs: Mapping[str, TrackSpec],
    frame_s: float,
    kept: Kept | None = None,
) -> SceneLoads:
    """The load of every servo over one played scene; ``kept`` spares what it can."""
    kept = Kept() if kept is None else kept
    motion = scene_motion(figure, machine.linkages, played, specs, frame_s, kept)
    torque: dict[str, Array] = {}
    if motion.q:  # a figure of lamps alone has nothing to hold
        names, servos = tuple(motion.q), tuple(motion.servo_rad_s)

        def servo_torque(*columns: Array) -> list[Array]:
            q, qd, qdd = (dict(zip(names, columns[at::3], strict=True)) for at in range(3))
            found = machine.servo_torque(q, qd, qdd)
            return [np.asarray(found[servo]) for servo in servos]

        again = kept.of(("torque", Same(machine), played.scene), lambda: Momentary(servo_torque))
        columns = (each[name] for name in names for each in (motion.q, motion.qd, motion.qdd))
        torque = dict(zip(servos, again(*columns), strict=True))
    loads = {
        name: kept.of(
            ("load", Same(figure), name, Same(torque[name]), Same(speed), len(motion.time_s)),
            partial(_load, figure, name, motion.time_s, torque[name], speed),
        )
        for name, speed in motion.servo_rad_s.items()
    }
    return SceneLoads(played.scene, played.loop, played.frames * frame_s, motion, loads)


def _load(figure: Figure, name: str, time_s: Array, torque: Array, speed: Array) -> ServoLoad:
    stall, no_load = line_at(figure, figure.servos[name])
    return ServoLoad(
        servo=name,
        time_s=time_s,
        torque_n_m=torque,
        speed_rad_s=speed,
        available_n_m=available_n_m(stall, no_load, torque, speed),
        stall_n_m=stall,
        no_load_rad_s=no_load,
    )
