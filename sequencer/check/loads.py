"""What each servo has to give while a scene plays: angle, speed, torque over time, from what is played.

The control points that the player plays are exact splines, and so are their derivatives. They go
through each linkage (servo angle -> axis angle) and the rigid-body dynamics, and come back as torque
at each servo by virtual work.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sequencer.check.played import PlayedScene
from sequencer.figure.linkage import Linkage
from sequencer.figure.model import Figure
from sequencer.figure.servo_line import line_at
from sequencer.motion.model import TrackSpec
from sequencer.motion.spline import BASIS, extend

Array = NDArray[np.float64]
#: Loads are looked at this often: five times as often as the closest knots.
STEP_S = 0.004
#: Points that hold still are rounded up or down: up to this many LSB a knot mean no motion.
REST_LSB = 2.0
#: How far along the path the linkage's change is looked at, seconds.
_ASIDE_S = 1e-4


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
    powers = np.stack([np.ones_like(u), u, u**2, u**3])
    slopes = np.stack([np.zeros_like(u), np.ones_like(u), 2.0 * u, 3.0 * u**2])
    bends = np.stack([np.zeros_like(u), np.zeros_like(u), np.full_like(u, 2.0), 6.0 * u])
    windows = np.stack([c[span + j] for j in range(4)])
    value, rate, rate2 = (
        np.einsum("jn,jp,pn->n", windows, BASIS, monomials) for monomials in (powers, slopes, bends)
    )
    rad_per_lsb = spec.lsb_us / servo.us_per_rad
    angle = (spec.origin_us - servo.centre_us) / servo.us_per_rad + value * rad_per_lsb
    rate = np.where(np.abs(rate) <= REST_LSB, 0.0, rate)
    return angle, rate * rad_per_lsb / spec.knot_s, rate2 * rad_per_lsb / spec.knot_s**2


def through_linkage(
    linkage: Linkage, angle: Array, speed: Array, acceleration: Array, near: Array
) -> tuple[Array, Array, Array]:
    """Axis angles, speeds, accelerations (n, k) from those of the servos (n, k).

    With J = d servo / d axis: s' = J q' and s'' = J q'' + J' q'; J' is the difference of J a tenth of a
    millisecond either side along the path. ``near`` (n, k) says which of several closures is meant.
    """
    q: Array = linkage.axis_rad(angle, near)
    jacobian = linkage.jacobian(q)
    qd = _solved(jacobian, speed)
    ahead = linkage.jacobian(q + _ASIDE_S * qd)
    behind = linkage.jacobian(q - _ASIDE_S * qd)
    # At the very end of a range a tenth of a millisecond can be out of reach; there nothing moves.
    turning = np.nan_to_num((ahead - behind) / (2.0 * _ASIDE_S), nan=0.0)
    pushed = acceleration - np.einsum("nij,nj->ni", turning, qd)
    return q, qd, _solved(jacobian, pushed)


def _solved(matrices: Array, right: Array) -> Array:
    """x (n, k) of ``matrices`` (n, k, k) x = ``right`` (n, k)."""
    return np.asarray(np.linalg.solve(matrices, right[:, :, None])[:, :, 0], dtype=np.float64)


def scene_motion(
    figure: Figure,
    linkages: tuple[Linkage, ...],
    played: PlayedScene,
    specs: Mapping[str, TrackSpec],
    frame_s: float,
) -> Motion:
    """What the axes do while the player plays a scene, every :data:`STEP_S`."""
    duration = played.frames * frame_s
    steps = np.arange(round(duration / STEP_S) + (0 if played.loop else 1))
    time_s: Array = np.multiply(steps, STEP_S, dtype=np.float64)
    by_servo = {
        spec.servo: servo_motion(figure, spec, played.points[name], played.loop, time_s)
        for name, spec in specs.items()
    }
    q: dict[str, Array] = {}
    qd: dict[str, Array] = {}
    qdd: dict[str, Array] = {}
    for linkage in linkages:
        stacked = [
            np.stack([by_servo[servo][order] for servo in linkage.servos], axis=1) for order in range(3)
        ]
        home = np.array([figure.axes[name].home_rad for name in linkage.axes])
        near = np.broadcast_to(home, stacked[0].shape)
        for store, values in zip(
            (q, qd, qdd), through_linkage(linkage, stacked[0], stacked[1], stacked[2], near), strict=True
        ):
            store.update({name: values[:, place] for place, name in enumerate(linkage.axes)})
    return Motion(time_s, q, qd, qdd, {servo: values[1] for servo, values in by_servo.items()})


def scene_loads(
    figure: Figure, machine: Machine, played: PlayedScene, specs: Mapping[str, TrackSpec], frame_s: float
) -> SceneLoads:
    """The load of every servo over one played scene."""
    motion = scene_motion(figure, machine.linkages, played, specs, frame_s)
    # A figure of lamps alone has nothing to hold.
    torque = machine.servo_torque(motion.q, motion.qd, motion.qdd) if motion.q else {}
    servos = {}
    for name, speed in motion.servo_rad_s.items():
        stall, no_load = line_at(figure, figure.servos[name])
        servos[name] = ServoLoad(
            servo=name,
            time_s=motion.time_s,
            torque_n_m=torque[name],
            speed_rad_s=speed,
            available_n_m=available_n_m(stall, no_load, torque[name], speed),
            stall_n_m=stall,
            no_load_rad_s=no_load,
        )
    return SceneLoads(played.scene, played.loop, played.frames * frame_s, motion, servos)
