"""A pair of cranks to scale: from the side and from the front, at home and at the corners of its ranges."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sequencer.figure.crank import Array
from sequencer.figure.facts import toward
from sequencer.figure.model import Axis, Figure, Pair
from sequencer.figure.neck import Neck
from sequencer.figure.polygon import PairReach, reach_of
from sequencer.figure.svg import BLUE, FAINT, INK, RED, Paper, Spot

#: Views: which coordinates go to the right and up on paper, and what that is in words.
_SIDE = (0, 2, "from its right side: forward is right")
_FRONT = (1, 2, "from the front: its left is right")
_COLOURS = (RED, BLUE)
_GAP, _TOP = 28.0, 44.0
_BIG, _SMALL = 330.0, 247.0


@dataclass(frozen=True)
class _Pose:
    """Points in metres: ``tips``, ``joints`` (2, 3), and where the head's up and forward point (3,)."""

    axis_rad: Array
    crank_rad: Array
    tips: Array
    joints: Array
    up: Array
    ahead: Array


def pair_svg(figure: Figure, pair_name: str, title: str) -> str:
    """The pair at home with its lengths, what it reaches, and the corners of its ranges in both views."""
    pair = figure.pairs[pair_name]
    axes = [figure.axes[name] for name in pair.axes]
    link = Neck(pair, axes[0], axes[1])
    reach = reach_of(figure, pair_name)
    home = _pose(link, link.home_rad)
    corners = [
        _pose(link, link.home_rad + corner.share * (np.array(corner.axis_rad) - link.home_rad))
        for corner in reach.corners
        if all(angle != rest for angle, rest in zip(corner.axis_rad, link.home_rad, strict=True))
    ]
    paper = Paper(4 * _SMALL, _TOP + _BIG + 2 * _SMALL + 3 * _GAP)
    paper.words((12.0, 22.0), title, size=15.0, bold=True)
    for column, view in enumerate((_SIDE, _FRONT)):
        frame = _Frame(link, [home, *corners], view, (column * _BIG, _TOP), _BIG, 74.0)
        frame.linkage(paper, home, _COLOURS)
        frame.heading(paper, f"home, {view[2]}", [])
        _dimensions(paper, frame, pair, link, home, view)
    _reach_chart(paper, figure, axes, reach, (2 * _BIG, _TOP))
    for row, view in enumerate((_SIDE, _FRONT)):
        for column, corner in enumerate(corners):
            top = _TOP + _BIG + _GAP + row * (_SMALL + _GAP)
            frame = _Frame(link, [home, *corners], view, (column * _SMALL, top), _SMALL, 30.0)
            frame.linkage(paper, home, (FAINT, FAINT))
            frame.linkage(paper, corner, _COLOURS)
            named = ", ".join(
                f"{axis.name} {toward(axis, float(angle))}"
                for axis, angle in zip(axes, corner.axis_rad, strict=True)
            )
            cranks = "  ".join(
                f"{crank.servo} {math.degrees(float(angle) - crank.at_centre_rad):+.0f}"
                for crank, angle in zip(pair.cranks, corner.crank_rad, strict=True)
            )
            frame.heading(paper, named, [cranks + " deg"] if row == 0 else [view[2]])
    for index, crank in enumerate(pair.cranks):
        spot = (12.0 + 120.0 * index, paper.height - 10.0)
        paper.words(spot, f"{'left' if index == 0 else 'right'}: {crank.servo}", _COLOURS[index], 11.0)
    return paper.svg(title)


def _pose(link: Neck, axis_rad: Array) -> _Pose:
    at = axis_rad[None, :]
    cranks = link.crank_rad(at)
    turn = link.turns(at)[0]
    return _Pose(axis_rad, cranks[0], link.tips_m(cranks)[0], link.joints_m(at)[0], turn[:, 2], turn[:, 0])


class _Frame:
    """One view in its square on the paper, all poses to the same scale."""

    def __init__(
        self,
        link: Neck,
        poses: list[_Pose],
        view: tuple[int, int, str],
        corner: Spot,
        size: float,
        margin: float,
    ) -> None:
        self.link, self.view, self.corner, self.size = link, view, corner, size
        pivots = np.array([crank.pivot_m for crank in link.pair.cranks])
        self.lever = float(np.max(np.linalg.norm(poses[0].joints - link.pivot_m, axis=1)))
        points = np.concatenate(
            [
                pivots,
                link.pivot_m[None, :],
                *(pose.tips for pose in poses),
                *(pose.joints for pose in poses),
                *(link.pivot_m + 1.2 * self.lever * pose.up[None, :] for pose in poses),
            ]
        )
        # One scale for both views, so that they can be held against each other.
        spans = points.max(axis=0) - points.min(axis=0)
        self.scale = (size - 2.0 * margin) / max(float(spans.max()), 1e-6)
        self.middle = (points.max(axis=0) + points.min(axis=0)) / 2.0

    def place(self, point: Array) -> Spot:
        across, up, _ = self.view
        return (
            self.corner[0] + self.size / 2.0 + self.scale * float(point[across] - self.middle[across]),
            self.corner[1] + self.size / 2.0 - self.scale * float(point[up] - self.middle[up]),
        )

    def heading(self, paper: Paper, first: str, more: list[str]) -> None:
        x, y = self.corner
        paper.words((x + 12.0, y + 6.0), first, size=11.5, bold=True)
        for index, text in enumerate(more):
            paper.words((x + 12.0, y + 20.0 + 13.0 * index), text, size=10.0)

    def linkage(self, paper: Paper, pose: _Pose, colours: tuple[str, str]) -> None:
        pivot = self.place(self.link.pivot_m)
        faint = colours[0] == FAINT
        ink = FAINT if faint else INK
        crown = self.place(self.link.pivot_m + 1.2 * self.lever * pose.up)
        nose = self.place(self.link.pivot_m + self.lever * (0.9 * pose.up + 0.35 * pose.ahead))
        paper.arrow(pivot, crown, ink, 1.4)
        if self.view is _SIDE:
            paper.line((crown, nose), ink, 1.4)
        for index, crank in enumerate(self.link.pair.cranks):
            axle = self.place(np.array(crank.pivot_m))
            tip, joint = self.place(pose.tips[index]), self.place(pose.joints[index])
            paper.line((pivot, joint), ink, 1.2, "5 3")
            paper.line((tip, joint), colours[index], 2.0)
            paper.line((axle, tip), colours[index], 4.5)
            paper.circle(axle, 5.5, colours[index], "white", 2.0)
            for spot in (tip, joint):
                paper.circle(spot, 2.8, colours[index], "white", 1.5)
        paper.circle(pivot, 4.5, ink, ink)


def _dimensions(
    paper: Paper, frame: _Frame, pair: Pair, link: Neck, home: _Pose, view: tuple[int, int, str]
) -> None:
    """Crank, rod and lever from the side; how far apart from the front."""
    pivot = link.pivot_m
    axles = [np.array(crank.pivot_m) for crank in pair.cranks]
    index = 0
    axle, tip, joint = axles[index], home.tips[index], home.joints[index]
    crank = pair.cranks[index]
    if view is _SIDE:
        paper.dimension(frame.place(axle), frame.place(tip), (0.0, 22.0), f"crank {1000 * crank.crank_m:g}")
        outward = -22.0 if tip[0] <= pivot[0] else 22.0
        paper.dimension(frame.place(tip), frame.place(joint), (outward, 0.0), f"rod {1000 * crank.rod_m:g}")
        level = np.array([joint[0], 0.0, pivot[2]])
        lever = 1000.0 * float(joint[0] - pivot[0])
        paper.dimension(frame.place(level), frame.place(pivot), (0.0, -24.0), f"{abs(lever):.3g}")
        below = np.array([axle[0], 0.0, pivot[2]])
        drop = 1000.0 * float(pivot[2] - axle[2])
        paper.dimension(frame.place(below), frame.place(axle), (-outward * 1.6, 0.0), f"{abs(drop):.3g}")
        paper.words(
            (frame.corner[0] + 12.0, frame.corner[1] + frame.size - 8.0),
            "pivot: black dot; arrow: the head's up, with its nose",
            size=10.0,
        )
        return
    joints = [np.array([0.0, end[1], pivot[2]]) for end in home.joints]
    apart = 1000.0 * float(abs(home.joints[0][1] - home.joints[1][1]))
    if apart > 0.05:
        paper.dimension(frame.place(joints[0]), frame.place(joints[1]), (0.0, -24.0), f"joints {apart:.3g}")
    apart = 1000.0 * float(abs(axles[0][1] - axles[1][1]))
    if apart > 0.05:
        paper.dimension(frame.place(axles[0]), frame.place(axles[1]), (0.0, 24.0), f"axles {apart:.3g}")
    bar = 0.05 if frame.lever > 0.02 else 0.02
    x, y = frame.corner[0] + frame.size - 30.0, frame.corner[1] + frame.size - 10.0
    paper.arrow((x - frame.scale * bar, y), (x, y), INK, 1.0, both=True)
    paper.words((x - frame.scale * bar / 2.0, y - 6.0), f"{1000 * bar:g} mm", size=10.0, anchor="middle")


def _reach_chart(paper: Paper, figure: Figure, axes: list[Axis], reach: PairReach, corner: Spot) -> None:
    """The reachable polygon in degrees of both axes, inside the rectangle of the ranges."""
    first, second = axes
    left, top, size = corner[0] + 56.0, corner[1] + 40.0, _BIG - 110.0
    (low_1, high_1), (low_2, high_2) = first.range_rad, second.range_rad

    def place(pose: Array | tuple[float, float]) -> Spot:
        return (
            left + size * (float(pose[1]) - low_2) / (high_2 - low_2),
            top + size * (high_1 - float(pose[0])) / (high_1 - low_1),
        )

    paper.words((corner[0] + 12.0, corner[1] + 6.0), "what both reach together", size=11.5, bold=True)
    box = [(low_1, low_2), (low_1, high_2), (high_1, high_2), (high_1, low_2)]
    paper.line([place(pose) for pose in [*box, box[0]]], FAINT, 1.0, "4 3")
    paper.line([place(pose) for pose in reach.border_rad[::10]], INK, 1.5, fill="#e9eef5")
    marks = [("home", (first.home_rad, second.home_rad), INK)]
    if (first.parked_rad, second.parked_rad) != (first.home_rad, second.home_rad):
        marks.append(("parked", (first.parked_rad, second.parked_rad), INK))
    marks += [
        (name, (pose.get(first.name, first.home_rad), pose.get(second.name, second.home_rad)), BLUE)
        for name, pose in figure.poses_rad.items()
        if first.name in pose or second.name in pose
    ]
    for name, pose, ink in marks:
        x, y = place(pose)
        paper.circle((x, y), 3.0, ink, ink)
        paper.words((x + 6.0, y + 4.0), name, ink, 10.0)
    for angle, spot in ((high_1, (left - 6.0, top + 4.0)), (low_1, (left - 6.0, top + size + 4.0))):
        paper.words(spot, toward(first, angle), size=10.0, anchor="end")
    for angle, at in ((low_2, left), (high_2, left + size)):
        paper.words((at, top + size + 18.0), toward(second, angle), size=10.0, anchor="middle")
    paper.words((left - 6.0, top + size / 2.0), first.name, size=10.0, anchor="end")
    paper.words((left + size / 2.0, top + size + 18.0), second.name, size=10.0, anchor="middle")
