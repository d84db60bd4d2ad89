"""Clearances: wishes are cut, what is played keeps them, and a motion that breaks one is told."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from sequencer.check import gaps
from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure
from sequencer.show import build_show, check_built
from sequencer.timeline.clear import AROUND_S, INSIDE_RAD, beyond, keep_clear
from sequencer.timeline.model import AxisWish, Timeline
from tests.figure.linkage_text import HEAD

CLEAR = '[clearances.chin]\naxis = "jaw"\nat_most_deg = 12\nwhen = "nod"\nabove_deg = 10\n\n'
TEXT = HEAD.replace("[masses.head]", CLEAR + "[masses.head]")
SCENE = """\
scene bow
0:00.5  nod down 20 over 1s
0:01.0  jaw open 24 over 0.5s
0:03.0  nod home over 1s
0:05.0  jaw home over 0.5s
0:06.0  home over 1s
"""


@pytest.fixture
def figure() -> Figure:
    return parse_figure(TEXT.encode())


def played(figure: Figure, jaw_deg: float, nod_deg: float) -> dict[str, SimpleNamespace]:
    """A report of a scene that stands at a pose from its 11th millisecond to its 20th."""
    del figure
    axes = {}
    for name, angle in (("jaw", jaw_deg), ("nod", nod_deg)):
        path = np.zeros(101)
        path[10:20] = math.radians(angle)
        axes[name] = SimpleNamespace(played_rad=path)
    return {"bow": SimpleNamespace(scene="bow", axes=axes)}


@pytest.mark.parametrize(
    ("jaw", "nod", "broken"),
    [(12.0, 20.0, False), (12.2, 20.0, True), (20.0, 9.9, False), (20.0, 10.1, True), (20.0, -20.0, False)],
)
def test_both_sides_of_a_clearance(figure: Figure, jaw: float, nod: float, broken: bool) -> None:
    found = list(gaps.findings(figure, played(figure, jaw, nod)))  # type: ignore[arg-type]
    assert bool(found) == broken
    for item in found:
        assert (item.code, item.severity, item.scene, item.channel) == ("gap", "error", "bow", "jaw")
        assert item.time_s == pytest.approx(0.01)
        assert item.value == pytest.approx(jaw)
        assert item.limit == pytest.approx(12.0)
        assert f"{jaw - 12.0:.1f} deg less" in (item.remedy or "")


def test_the_other_sides(figure: Figure) -> None:
    clearance = dataclasses.replace(
        figure.clearances["chin"], keep_side=1, keep_rad=math.radians(5), when_side=-1
    )
    turned = dataclasses.replace(figure, clearances={"chin": clearance})
    for jaw, nod, broken in ((4.0, 9.0, True), (6.0, 9.0, False), (4.0, 11.0, False)):
        report = played(figure, jaw, nod)
        # The pose's own milliseconds only: at rest this clearance would be broken.
        report["bow"].axes = {
            name: SimpleNamespace(played_rad=axis.played_rad[10:20])
            for name, axis in report["bow"].axes.items()
        }
        assert bool(list(gaps.findings(turned, report))) == broken  # type: ignore[arg-type]


def timeline(jaw_deg: np.ndarray, nod_deg: np.ndarray, loop: bool = False) -> Timeline:
    axes = {
        name: AxisWish(name, np.radians(path), np.radians(path))
        for name, path in (("jaw", jaw_deg), ("nod", nod_deg))
    }
    return Timeline("bow", (len(jaw_deg) - 1) / 1000, loop, axes, {}, {}, ())


def test_the_wish_is_cut_around_the_condition_and_only_there(figure: Figure) -> None:
    nod = np.zeros(4001)
    nod[2000:2500] = 15.0
    kept = keep_clear(timeline(np.full(4001, 20.0), nod), figure)
    wish = np.degrees(kept.axes["jaw"].wish_rad)
    around = round(AROUND_S * 1000)
    inside = 12.0 - math.degrees(INSIDE_RAD)
    assert wish[2000 - around : 2500 + around] == pytest.approx(inside)
    assert wish[: 2000 - around] == pytest.approx(20.0)
    assert wish[2500 + around :] == pytest.approx(20.0)
    assert np.degrees(kept.axes["jaw"].asked_rad) == pytest.approx(20.0)
    (told,) = kept.shortfalls
    assert (told.code, told.severity, told.channel, told.unit) == ("reach", "note", "jaw", "deg")
    assert told.time_s == pytest.approx(2.0 - AROUND_S, abs=0.002)
    assert (told.value, told.limit) == pytest.approx((20.0, 12.0))
    assert "clearance `chin`" in told.message
    assert "at most jaw open 12 while nod is above 10 deg" in told.remedy


def test_a_loop_is_cut_round_its_seam(figure: Figure) -> None:
    nod = np.zeros(3001)
    nod[:50] = nod[-1] = 15.0
    wish = keep_clear(timeline(np.full(3001, 20.0), nod, loop=True), figure).axes["jaw"].wish_rad
    assert wish[0] == wish[-1] == wish[-100] < math.radians(12.0)
    assert wish[1500] == pytest.approx(math.radians(20.0))


def test_nothing_is_cut_where_nothing_collides(figure: Figure) -> None:
    asked = timeline(np.full(2001, 20.0), np.zeros(2001))
    kept = keep_clear(asked, figure)
    assert kept.axes["jaw"].wish_rad is asked.axes["jaw"].wish_rad
    assert kept.shortfalls == ()


def test_a_show_plays_within_its_clearance_and_without_it_would_not(tmp_path: Path) -> None:
    """The jaw is asked to 24 while the nod is at 20: it waits at 12, and opens when the nod is back."""
    (tmp_path / "bow.scene").write_text(SCENE, encoding="utf-8")
    (tmp_path / "figure.toml").write_text(TEXT, encoding="utf-8")
    checked = check_built(build_show(tmp_path))
    assert not [item for item in checked.report.findings if item.code == "gap"]
    axes = checked.report.scenes["bow"].axes
    jaw, nod = axes["jaw"].played_rad, axes["nod"].played_rad
    figure = checked.built.figure
    mask = beyond(figure.clearances["chin"], nod)
    assert mask.any()
    assert math.radians(10.0) < jaw[mask].max() <= math.radians(12.05)
    assert jaw.max() > math.radians(23.0)

    (tmp_path / "figure.toml").write_text(HEAD, encoding="utf-8")
    free = check_built(build_show(tmp_path)).report.scenes["bow"]
    assert [item.code for item in gaps.findings(figure, {"bow": free})] == ["gap"]
