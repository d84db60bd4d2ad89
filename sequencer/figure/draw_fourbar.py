"""A four-bar to scale in its own plane: at servo centre with its lengths, and at the ends of the range."""

from __future__ import annotations

import math

import numpy as np

from sequencer.figure.facts import toward
from sequencer.figure.fourbar import FourBar
from sequencer.figure.model import Axis, Figure, FourBarDrive
from sequencer.figure.svg import BLUE, FAINT, GREY, INK, RED, Paper, Spot

_WIDE, _HIGH, _TOP = 340.0, 300.0, 44.0


def fourbar_svg(figure: Figure, axis_name: str, title: str) -> str:
    """The linkage of ``axis_name``, which must be a four-bar: at home and at both ends of its range."""
    axis = figure.axes[axis_name]
    assert isinstance(axis.drive, FourBarDrive)
    link = FourBar(axis_name, axis.drive)
    ends = [angle for angle in axis.range_rad if angle != axis.home_rad]
    if len(ends) == 1:
        ends.insert(0, (ends[0] + axis.home_rad) / 2.0)
    angles = (axis.home_rad, *ends)
    shapes = [_joints(link, axis.drive, angle) for angle in angles]
    spots = np.array([spot for joints in shapes for spot in joints])
    low, high = spots.min(axis=0), spots.max(axis=0)
    scale = min((_WIDE - 110.0) / (high[0] - low[0]), (_HIGH - 130.0) / max(high[1] - low[1], 1e-9))
    paper = Paper(3 * _WIDE, _HIGH + _TOP)
    paper.words((12.0, 22.0), title, size=15.0, bold=True)
    for column, angle in enumerate(angles):
        left = column * _WIDE

        def place(at: Spot, left: float = left) -> Spot:
            return (
                left + _WIDE / 2.0 + scale * (at[0] - (low[0] + high[0]) / 2.0),
                _TOP + _HIGH / 2.0 - scale * (at[1] - (low[1] + high[1]) / 2.0),
            )

        if column > 0:
            _links(paper, [place(at) for at in shapes[0]], FAINT)
        joints = [place(at) for at in shapes[column]]
        _links(paper, joints, RED if column > 0 else INK)
        _labels(paper, joints, axis, link, angle, (left + 12.0, _TOP + 8.0))
        if column == 0:
            _dimensions(paper, joints, axis.drive)
    paper.words(
        (12.0, _HIGH + _TOP - 10.0),
        "seen so that crank_deg counts counterclockwise from the ground line",
        GREY,
        10.0,
    )
    _scale_bar(paper, scale, 0.01 if scale * 0.01 > 30.0 else 0.05)
    return paper.svg(title)


def _joints(link: FourBar, drive: FourBarDrive, angle_rad: float) -> list[Spot]:
    """Axle, crank's tip, rocker's tip, pivot in metres."""
    crank, _, rocker = (float(turn[0]) for turn in link.links_rad(np.array([angle_rad])))
    return [
        (0.0, 0.0),
        (drive.crank_m * math.cos(crank), drive.crank_m * math.sin(crank)),
        (drive.ground_m + drive.rocker_m * math.cos(rocker), drive.rocker_m * math.sin(rocker)),
        (drive.ground_m, 0.0),
    ]


def _links(paper: Paper, joints: list[Spot], ink: str) -> None:
    axle, tip, end, pivot = joints
    paper.line((axle, pivot), FAINT, 1.0, "6 4")
    paper.line((tip, end), ink, 2.0)
    paper.line((axle, tip), ink, 4.5)
    paper.line((pivot, end), ink, 4.5)
    for spot in (tip, end):
        paper.circle(spot, 3.0, ink, "white", 1.5)
    paper.circle(axle, 6.0, ink, "white", 2.0)
    paper.circle(pivot, 4.5, ink, ink)


def _labels(paper: Paper, joints: list[Spot], axis: Axis, link: FourBar, angle: float, corner: Spot) -> None:
    turned = float(link.servo_rad(np.array([[angle]]))[0, 0])
    toggle = float(link.toggle_rad(np.array([[angle]]))[0])
    x, y = corner
    what = "home: " if angle == axis.home_rad else ""
    paper.words((x, y), f"{what}{axis.name} {toward(axis, angle)}", size=12.0, bold=True)
    paper.words((x, y + 15.0), f"servo {math.degrees(turned):+.1f} deg from its centre", size=10.0)
    paper.words((x, y + 29.0), f"{math.degrees(toggle):.0f} deg from a toggle", size=10.0)
    paper.words((joints[0][0], joints[0][1] + 20.0), f"servo {link.drive.servo}", INK, 10.0, "middle")
    paper.words((joints[3][0], joints[3][1] + 20.0), f"{axis.name}'s pivot", INK, 10.0, "middle")


def _dimensions(paper: Paper, joints: list[Spot], drive: FourBarDrive) -> None:
    axle, tip, end, pivot = joints
    paper.dimension(axle, pivot, (0.0, 34.0), f"ground {1000 * drive.ground_m:g}")
    paper.dimension(
        tip, end, (0.0, -16.0 if tip[1] < axle[1] else 16.0), f"coupler {1000 * drive.coupler_m:g}"
    )
    paper.dimension(axle, tip, (-20.0, 0.0), f"crank {1000 * drive.crank_m:g}")
    paper.dimension(pivot, end, (20.0, 0.0), f"rocker {1000 * drive.rocker_m:g}")


def _scale_bar(paper: Paper, scale: float, length_m: float) -> None:
    x, y = paper.width - 24.0, paper.height - 14.0
    paper.arrow((x - scale * length_m, y), (x, y), BLUE, 1.0, both=True)
    paper.words((x - scale * length_m / 2.0, y - 6.0), f"{1000 * length_m:g} mm", BLUE, 10.0, "middle")
