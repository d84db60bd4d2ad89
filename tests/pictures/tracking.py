"""The Lantern Keeper in a squall in MuJoCo, his servos limited to their torque-speed lines: planned and raw.

The same head, servos and controller follow twice: the planned tracks as the board evaluates them, and
the wish as the author wrote it. ``python tests/pictures/tracking.py`` draws both into the show's folder.
"""

from __future__ import annotations

import dataclasses
import math
import sys
from dataclasses import dataclass
from pathlib import Path

import mujoco
import numpy as np
from numpy.typing import NDArray

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))

from sequencer import show, show_folder
from sequencer.figure.limits import line_at
from sequencer.figure.linkage import Linkage, linkages
from sequencer.figure.model import Figure
from sequencer.motion.model import TrackPlan
from sequencer.motion.spline import basis, extend
from sequencer.timeline.model import GRID_S
from sequencer.timeline.parse import parse_scene_text
from tests.figure.in_mujoco import model_of, order

Array = NDArray[np.float64]
#: A hobby servo gives all it has at about this error (a guess; they differ by a factor of two).
FULL_TORQUE_AT_RAD = math.radians(3.0)
DAMPING = 0.9
#: Asks for more than the servos have: gusts throw the head about, each blow in a fifth of a second.
SQUALL = """\
scene squall
length 0:07.5

pose gust: turn left 40, nod down 14, tilt right 10
pose back: turn right 35, nod up 12, tilt left 8
pose blown: turn left 15, nod up 15, tilt right 6

0:00.5  pose gust over 0.2s
0:00.6  jaw open 18 over 0.08s
0:01.4  pose back over 0.2s
0:01.5  jaw shut 4 over 0.08s
0:02.5  pose blown over 0.15s
0:03.2  pose gust over 0.15s
0:04.0  nod shakes 8 for 1.2s, every 0.3s
0:05.6  pose back over 0.2s
0:06.4  home over 0.3s
"""


@dataclass(frozen=True)
class Followed:
    """What was asked and what came of it, by axis in rad (n,); ``saturated`` by servo, one flag a step."""

    time_s: Array
    asked_rad: dict[str, Array]
    done_rad: dict[str, Array]
    saturated: dict[str, NDArray[np.bool_]]

    def share_saturated(self) -> float:
        """Share of the steps at which some servo was asked for more than its line gives."""
        return float(np.any(list(self.saturated.values()), axis=0).mean())

    def rms_deg(self, axis: str) -> float:
        """Root mean square of the error, degrees."""
        return math.degrees(float(np.sqrt(np.mean((self.asked_rad[axis] - self.done_rad[axis]) ** 2))))

    def worst_deg(self, axis: str) -> float:
        """Largest error, degrees."""
        return math.degrees(float(np.abs(self.asked_rad[axis] - self.done_rad[axis]).max()))


def planned_servos(figure: Figure, plans: dict[str, TrackPlan], time_s: Array) -> dict[str, Array]:
    """Servo -> its angles (n,) on the planned splines."""
    angles = {}
    for plan in plans.values():
        points = extend(plan.points, plan.loop).astype(float)
        at = np.clip(time_s / plan.spec.knot_s, 0.0, len(points) - 3 - 1e-9)
        span = at.astype(int)
        values = np.einsum("nj,nj->n", basis(at - span), points[span[:, None] + np.arange(4)])
        servo = figure.servos[plan.spec.servo]
        pulse_us = plan.spec.origin_us + values * plan.spec.lsb_us
        angles[servo.name] = (pulse_us - servo.centre_us) / servo.us_per_rad
    return angles


def asked_servos(figure: Figure, asked_rad: dict[str, Array]) -> dict[str, Array]:
    """Servo -> the angles (n,) that a wish asks of it; where a linkage cannot reach, what it last could."""
    angles = {}
    for link in linkages(figure):
        turned = link.servo_rad(np.stack([asked_rad[name] for name in link.axes], axis=1))
        for index, servo in enumerate(link.servos):
            reached = np.isfinite(turned[:, index])
            last = np.maximum.accumulate(np.where(reached, np.arange(len(turned)), 0))
            angles[servo] = turned[last, index]
    return angles


def follow(figure: Figure, servo_rad: dict[str, Array], asked_rad: dict[str, Array]) -> Followed:
    """Let every servo follow its angles on the 1 ms grid; from rest where the angles begin.

    Each is a proportional and differential controller whose torque is cut off at the torque-speed line.
    """
    model = model_of(figure, coulomb=True, step_s=GRID_S)
    data = mujoco.MjData(model)
    names = order(figure, model)
    links = linkages(figure)
    columns = {link.axes: [names.index(name) for name in link.axes] for link in links}
    homes = np.array([figure.axes[name].home_rad for name in names])
    data.qpos[:] = [asked_rad[name][0] - figure.axes[name].home_rad for name in names]
    mujoco.mj_forward(model, data)
    mass = np.zeros((model.nv, model.nv))
    mujoco.mj_fullM(model, data, mass)
    gains = {link.axes: _gains(figure, link, data.qpos + homes, mass, columns[link.axes]) for link in links}
    targets = {link.axes: np.stack([servo_rad[name] for name in link.servos], axis=1) for link in links}
    speeds = {axes: np.gradient(target, GRID_S, axis=0) for axes, target in targets.items()}
    lines = {
        link.axes: np.array([line_at(figure, figure.servos[name]) for name in link.servos]) for link in links
    }
    count = len(next(iter(servo_rad.values())))
    done = np.zeros((count, model.nv))
    saturated = {name: np.zeros(count, dtype=bool) for name in servo_rad}
    for step in range(count):
        done[step] = data.qpos + homes
        for link in links:
            own = columns[link.axes]
            pose = done[step, own][None, :]
            jacobian = link.jacobian(pose)[0]
            speed = jacobian @ data.qvel[own]
            stiff, damp = gains[link.axes]
            behind = targets[link.axes][step] - link.servo_rad(pose)[0]
            wanted = stiff * behind + damp * (speeds[link.axes][step] - speed)
            stall, no_load = lines[link.axes].T
            most = np.clip(stall * (1.0 - speed / no_load), 0.0, stall)
            least = -np.clip(stall * (1.0 + speed / no_load), 0.0, stall)
            data.qfrc_applied[own] = jacobian.T @ np.clip(wanted, least, most)
            for index, name in enumerate(link.servos):
                saturated[name][step] = not least[index] <= wanted[index] <= most[index]
        mujoco.mj_step(model, data)
    return Followed(
        time_s=np.arange(count) * GRID_S,
        asked_rad=asked_rad,
        done_rad={name: done[:, index] for index, name in enumerate(names)},
        saturated=saturated,
    )


def _gains(figure: Figure, link: Linkage, pose: Array, mass: Array, own: list[int]) -> tuple[Array, Array]:
    """Stiffness and damping of each servo, from its stall torque and what it moves there."""
    power = np.linalg.inv(link.jacobian(pose[own][None, :])[0])
    felt = np.diag(power.T @ mass[np.ix_(own, own)] @ power)
    stiff = np.array([line_at(figure, figure.servos[name]).stall_n_m for name in link.servos])
    stiff = stiff / FULL_TORQUE_AT_RAD
    return stiff, 2.0 * DAMPING * np.sqrt(stiff * felt)


def planned_squall(folder: Path) -> show.PlannedShow:
    """The show in ``folder`` with the squall as its only scene, planned."""
    read = show_folder.read_show(folder)
    scene = parse_scene_text(SQUALL, "squall.scene")
    return show.plan_show(dataclasses.replace(read, scenes={"squall": scene}), ["squall"])


def both(planned: show.PlannedShow, scene: str) -> tuple[Followed, Followed]:
    """The planned and the raw motion of a scene, each followed by the same servos."""
    figure = planned.show.figure
    wishes = planned.timelines[scene].axes
    steps = np.arange(round(planned.timelines[scene].duration_s / GRID_S))
    servos = planned_servos(figure, dict(planned.plans[scene]), steps * GRID_S)
    poses = {}
    for link in linkages(figure):
        turned = link.axis_rad(np.stack([servos[name] for name in link.servos], axis=1))
        poses.update({name: turned[:, index] for index, name in enumerate(link.axes)})
    homes = {name: np.full(len(steps), axis.home_rad) for name, axis in figure.axes.items()}
    asked = homes | {name: wish.asked_rad[steps] for name, wish in wishes.items()}
    return follow(figure, servos, poses), follow(figure, asked_servos(figure, asked), asked)


def draw(plan: Followed, raw: Followed, axis: str, file: Path) -> None:
    """Two panels, planned above raw: what was asked, what the head did, and where a servo gave all it had."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    grid, panels = pyplot.subplots(2, 1, figsize=(9.0, 5.0), sharex=True, sharey=True, dpi=90)
    for panel, followed, title in (
        (panels[0], plan, "planned: the servos follow"),
        (panels[1], raw, "the raw wish: they run out of torque"),
    ):
        asked, done = np.degrees(followed.asked_rad[axis]), np.degrees(followed.done_rad[axis])
        out = np.any(list(followed.saturated.values()), axis=0)
        low, high = min(asked.min(), done.min()) - 2.0, max(asked.max(), done.max()) + 2.0
        panel.fill_between(
            followed.time_s,
            low,
            high,
            where=out,
            color="#d9822b",
            alpha=0.3,
            lw=0,
            label="a servo at its limit",
        )
        panel.plot(followed.time_s, asked, color="#444444", lw=1.0, ls="--", label="asked")
        panel.plot(followed.time_s, done, color="#1f5fa8", lw=1.3, label="done (MuJoCo)")
        share = 100.0 * followed.share_saturated()
        panel.set_title(
            f"{title} - rms {followed.rms_deg(axis):.1f} deg, at the limit {share:.0f} % of the time",
            loc="left",
            fontsize=9,
        )
        panel.set_ylabel(f"{axis}, deg")
        panel.spines[["top", "right"]].set_visible(False)
    panels[0].legend(loc=(0.45, 0.06), fontsize=8, frameon=False)
    panels[1].set_xlabel("s")
    grid.tight_layout()
    grid.savefig(file, metadata={"Software": None})
    pyplot.close(grid)


def main() -> None:
    """Draw the picture into the show's folder and print its numbers."""
    folder = Path(__file__).parents[2] / "shows" / "lantern_keeper"
    plan, raw = both(planned_squall(folder), "squall")
    for name, followed in (("planned", plan), ("raw", raw)):
        rms = ", ".join(
            f"{axis} {followed.rms_deg(axis):.2f}/{followed.worst_deg(axis):.2f}"
            for axis in followed.done_rad
        )
        print(f"{name}: at the limit {100 * followed.share_saturated():.2f} %, rms/worst deg {rms}")
    draw(plan, raw, "turn", folder / "tracking.png")


if __name__ == "__main__":
    main()
