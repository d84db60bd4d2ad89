"""The drawing is to scale, says its lengths, and shows a wrong sign."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from sequencer.figure.drawing import Drawing, drawings
from sequencer.figure.linkage_words import linkage_lines
from sequencer.figure.svg import Paper
from tests.figure.linkage_text import head

SVG = "{http://www.w3.org/2000/svg}"


def texts(drawing: Drawing) -> list[str]:
    return [item.text or "" for item in ET.fromstring(drawing.svg).iter(f"{SVG}text")]


def strokes(drawing: Drawing, width: str) -> list[tuple[str, np.ndarray]]:
    """(colour, points) of lines of one width, in the order in which they were drawn."""
    found = []
    for item in ET.fromstring(drawing.svg).iter(f"{SVG}polyline"):
        if item.get("stroke-width") == width:
            points = [tuple(map(float, spot.split(","))) for spot in item.get("points", "").split()]
            found.append((item.get("stroke", ""), np.array(points)))
    return found


def test_every_linkage_is_drawn_with_its_lengths() -> None:
    neck, mouth = drawings(head())
    assert (neck.linkage, mouth.linkage) == ("neck", "mouth")
    for word in ("crank 40", "rod 90", "joints 68", "axles 68", "home", "left: left", "right: right"):
        assert any(word in text for text in texts(neck)), word
    for word in ("crank 14", "coupler 42", "rocker 16", "ground 42", "home: jaw 0", "jaw open 25"):
        assert any(word in text for text in texts(mouth)), word


def test_a_title_says_a_name_once_and_tells_servo_from_axis() -> None:
    named = (("[linkages.mouth]", "[linkages.jaw]"), ('linkage = "mouth"', 'linkage = "jaw"'))
    assert drawings(head())[1].title == "mouth: jaw on a four-bar"
    jaw = drawings(head(*named))[1]
    assert jaw.title == "jaw on a four-bar"
    assert {"servo jaw", "jaw's pivot"} <= set(texts(jaw))


def test_a_direct_figure_has_no_drawing(bust: object) -> None:
    assert drawings(bust) == ()  # type: ignore[arg-type]
    assert list(linkage_lines(bust)) == []  # type: ignore[arg-type]


def test_cranks_and_rods_are_to_one_scale() -> None:
    neck, mouth = drawings(head())
    crank, rod = strokes(neck, "4.5")[0][1], strokes(neck, "2")[0][1]
    drawn = math.dist(*rod) / math.dist(*crank)
    assert drawn == pytest.approx(90.0 / 40.0, rel=1e-3)
    first, second = (points for _, points in strokes(mouth, "4.5")[:2])
    coupler = strokes(mouth, "2")[0][1]
    assert math.dist(*second) / math.dist(*first) == pytest.approx(16.0 / 14.0, rel=1e-3)
    assert math.dist(*coupler) / math.dist(*first) == pytest.approx(42.0 / 14.0, rel=1e-3)


def crowns(drawing: Drawing) -> list[np.ndarray]:
    """Where the head's up points on paper, one for each drawn pose that is not the faint home."""
    arrows = [points for colour, points in strokes(drawing, "1.4") if colour == "#222" and len(points) == 2]
    return [points[1] - points[0] for points in arrows]


def test_the_corners_lean_the_way_their_names_say() -> None:
    """From the side nodding down leans to the right, forward; from the front tilting right leans left."""
    (neck, _) = drawings(head())
    named = [text for text in texts(neck) if re.match(r"nod (up|down) [\d.]+, tilt", text)]
    side, front = named[:4], named[4:]
    assert side == front
    leans = [lean for lean in crowns(neck) if abs(lean[0]) > 1.0 and np.hypot(*lean) > 25.0]
    # The nose's line begins at the crown: only lines from the pivot are long.
    assert len(leans) >= 8
    pivot_lines = [
        points[1] - points[0]
        for colour, points in strokes(neck, "1.4")
        if colour == "#222" and len(points) == 2 and np.hypot(*(points[1] - points[0])) > 25.0
    ][2:]
    for name, lean in zip(side, pivot_lines[:4], strict=True):
        assert (lean[0] > 0) == ("down" in name)
    for name, lean in zip(front, pivot_lines[4:], strict=True):
        assert (lean[0] < 0) == ("tilt right" in name)


def test_a_wrong_sign_changes_the_picture() -> None:
    wrong = head(("joint_mm = [-38, 34, 0]", "joint_mm = [-38, 34, 12]"), ("rod_mm = 90", "rod_mm = 102"))
    assert drawings(wrong)[0].svg != drawings(head())[0].svg


def test_words_on_paper_are_escaped() -> None:
    paper = Paper(10, 10)
    paper.words((1, 1), "<b> & co")
    assert ET.fromstring(paper.svg("a < b"))[-1].text == "<b> & co"


def test_sentences_tell_ratio_toggle_and_corners() -> None:
    told = "\n".join(linkage_lines(head()))
    assert "linkage neck: the cranks turn left -4" in told
    assert "servo degrees per degree of nod" in told
    assert re.search(r"nod up 2\d\.?\d? with tilt left 2\d\.?\d? \(9\d %\)", told)
    assert "linkage mouth: the crank turns 0 to 29 deg" in told
