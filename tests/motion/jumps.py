"""Scenes that ask for more than servos have: every axis jumps about. For tests."""

from __future__ import annotations

import dataclasses

import numpy as np

from sequencer.figure.model import Figure
from sequencer.timeline.model import GRID_S, AxisWish, Timeline


def all_aware(figure: Figure) -> Figure:
    """The figure with every axis planned with torque."""
    axes = {name: dataclasses.replace(axis, torque_aware=True) for name, axis in figure.axes.items()}
    return dataclasses.replace(figure, axes=axes)


def jumps(figure: Figure, seed: int, share: float, duration_s: float = 6.0) -> Timeline:
    """Every axis jumps about within a share of its range, and is home for the last 1.5 s."""
    source = np.random.default_rng(seed)
    wishes = {}
    for name, axis in figure.axes.items():
        wish = np.full(round(duration_s / GRID_S) + 1, axis.home_rad)
        time_s = 0.3
        while time_s < duration_s - 2.0:
            wish[round(time_s / GRID_S) :] = share * source.uniform(*axis.range_rad)
            time_s += source.uniform(0.4, 1.2)
        wish[round((duration_s - 1.5) / GRID_S) :] = axis.home_rad
        wishes[name] = AxisWish(name, wish, wish)
    return Timeline("jumps", duration_s, False, wishes, {}, {}, ())
