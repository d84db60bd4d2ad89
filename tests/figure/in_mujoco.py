"""A figure as a MuJoCo model: the peer that dynamics are held against. Knows nothing of our dynamics."""

from __future__ import annotations

import mujoco
import numpy as np
from numpy.typing import NDArray

from sequencer.figure.model import Figure
from sequencer.units import GRAVITY_M_S2

Array = NDArray[np.float64]


def _numbers(values: object) -> str:
    return " ".join(repr(float(value)) for value in np.ravel(values))


def model_of(figure: Figure, coulomb: bool = False, step_s: float = 0.001) -> mujoco.MjModel:
    """One body an axis at its pivot, one welded body a mass; springs and drag as MuJoCo has them.

    ``coulomb`` adds Coulomb friction as MuJoCo's constraint, which is for forward simulation only.
    """

    def below(name: str | None, at: Array) -> str:
        text = ""
        for axis in figure.axes.values():
            if axis.carried_by != name:
                continue
            pivot = np.array(axis.pivot_m)
            joint = f'damping="{axis.viscous_n_m_s!r}" '
            if axis.spring is not None:
                rate = axis.spring.rate_n_m_rad
                rest = axis.spring.at_rad + axis.spring.torque_n_m / rate - axis.home_rad
                joint += f'stiffness="{rate!r}" springref="{rest!r}" '
            if coulomb:
                joint += f'frictionloss="{axis.friction_n_m!r}" '
            text += (
                f'<body name="{axis.name}" pos="{_numbers(pivot - at)}">'
                f'<joint name="{axis.name}" type="hinge" axis="{_numbers(axis.direction)}" {joint}/>'
                '<inertial pos="0 0 0" mass="1e-12" diaginertia="1e-14 1e-14 1e-14"/>'
            )
            for mass in figure.masses.values():
                if mass.carried_by == axis.name:
                    i = np.array(mass.inertia_kg_m2)
                    at_home = np.array(mass.centre_m) - pivot
                    six = [i[0, 0], i[1, 1], i[2, 2], i[0, 1], i[0, 2], i[1, 2]]
                    text += (
                        f'<body name="{axis.name}/{mass.name}" pos="{_numbers(at_home)}">'
                        f'<inertial pos="0 0 0" mass="{mass.mass_kg!r}" fullinertia="{_numbers(six)}"/>'
                        "</body>"
                    )
            for pair in figure.pairs.values():
                if pair.axes[1] == axis.name:
                    for crank in pair.cranks:
                        text += (
                            f'<site name="{crank.servo}" pos="{_numbers(np.array(crank.joint_m) - pivot)}"/>'
                        )
            text += below(axis.name, pivot) + "</body>"
        return text

    xml = (
        '<mujoco><compiler angle="radian" autolimits="false"/>'
        f'<option gravity="0 0 {-GRAVITY_M_S2!r}" timestep="{step_s!r}" integrator="implicitfast"/>'
        f"<worldbody>{below(None, np.zeros(3))}</worldbody></mujoco>"
    )
    return mujoco.MjModel.from_xml_string(xml)


def order(figure: Figure, model: mujoco.MjModel) -> list[str]:
    """The axes in the order of the model's joints."""
    return [mujoco.mj_id2name(model, mujoco.mjtObj.mjOBJ_JOINT, index) for index in range(model.njnt)]
