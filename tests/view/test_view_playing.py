"""The page in an open browser: pressing play moves it, and it can be used at any width."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.finding import Finding
from sequencer.player.wasm import wasm_bytes
from sequencer.view.page import scene_page
from tests.view.live_browser import LiveBrowser
from tests.view.made_show import keeper


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    image, views = keeper()
    late = Finding(
        *("rate", "warning", "greet", "turn", 3.0, 0.16, 0.0, "s"),
        "turn arrives 0.16 s late",
        "give it 0.9 s",
    )
    close = tuple(
        replace(late, time_s=time_s, severity=severity)
        for time_s, severity in ((3.0, "note"), (3.02, "warning"), (3.04, "note"), (7.0, "error"))
    )
    file = tmp_path_factory.mktemp("page") / "show.html"
    scene_page([views[0], replace(views[1], findings=close), views[2]], image, wasm_bytes(), file)
    return file


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveBrowser]:
    with LiveBrowser(tmp_path_factory.mktemp("profile")) as browser:
        yield browser


_SHOWN = """({
    frame: Number(at("scrub").value), clock: at("clock").textContent, play: at("play").textContent,
    angles: [...document.querySelectorAll("#gauges .number")].map((each) => each.textContent),
    pulses: [...document.querySelectorAll("#pulses td.number")].map((each) => each.textContent),
    line: Number(document.querySelector("#lanes svg line[stroke='var(--now)']").getAttribute("x1")),
    head: [...at("head").getContext("2d").getImageData(0, 0, 300, 300).data].reduce(
      (sum, each) => (sum * 31 + each) % 65521, 0)
})"""


def test_pressing_play_moves_everything_and_pressing_again_stops_it(page: Path, window: LiveBrowser) -> None:
    window.resize(1300, 900)
    window.open(page, "#greet@0.4")
    before = window.value(_SHOWN)
    assert (before["frame"], before["play"]) == (20, "Play")
    window.click("play")
    window.until("Number(at('scrub').value) >= 50")
    assert window.value("at('play').textContent") == "Pause"
    window.click("play")
    after = window.value(_SHOWN)
    assert after["play"] == "Play"
    assert after["frame"] >= 50
    for key in ("clock", "angles", "pulses", "head"):
        assert after[key] != before[key], key
    assert after["line"] > before["line"]
    time.sleep(0.2)
    assert window.value(_SHOWN) == after  # and stays so


def test_a_scene_plays_to_its_end_and_a_loop_goes_round(page: Path, window: LiveBrowser) -> None:
    window.open(page, "#greet@8.8")
    window.click("play")
    window.until("at('play').textContent === 'Play'")
    assert window.value("at('clock').textContent") == "8.98 of 9.00 s"
    window.open(page, "#idle@11.8")
    window.click("play")
    window.until("Number(at('scrub').value) < 100")  # of 600: it began again
    assert window.value("at('play').textContent") == "Pause"


@pytest.mark.parametrize("width", [500, 800, 1300])
def test_the_bar_covers_nothing_at_the_end_and_no_label_is_broken(
    page: Path, window: LiveBrowser, width: int
) -> None:
    window.resize(width, 800)
    window.open(page, "#greet")
    window.value("scrollTo(0, document.body.scrollHeight), 0")
    box: dict[str, Any] = window.value(
        """({
        content: document.querySelector("main").getBoundingClientRect().bottom,
        bar: document.querySelector(".transport").getBoundingClientRect().top,
        wide: document.documentElement.scrollWidth,
        rooms: [...document.querySelectorAll(".transport label")].map((each) => each.getClientRects().length),
        tall: [...document.querySelectorAll(".transport label")].map((each) => each.offsetHeight),
        rows: document.querySelectorAll(".transport .row").length
        })"""
    )
    assert box["content"] <= box["bar"]
    assert box["wide"] <= width
    assert max(box["tall"]) < 45  # a label on two lines would be taller
    assert box["rows"] == 2


def test_close_findings_share_a_mark_and_the_remedy_has_its_own_line(page: Path, window: LiveBrowser) -> None:
    window.resize(1300, 900)
    window.open(page, "#greet")
    marks = "[...document.querySelectorAll('#lanes text.number')].map((each) => each.textContent)"
    assert window.value(marks) == ["1-3", "4"]
    lines = "document.querySelectorAll('#findings li:first-child div div')"
    assert window.value(f"[...{lines}].map((each) => each.textContent)") == [
        "note: turn arrives 0.16 s late.",
        "Do: give it 0.9 s.",
    ]


@pytest.mark.parametrize(
    ("names", "eyes", "rest"),
    [
        (["eyes"], [["eyes"], ["eyes"]], []),
        (["lantern"], [["lantern"], ["lantern"]], []),
        (["left_eye", "right_eye"], [["right_eye"], ["left_eye"]], []),  # seen from the front
        (["eyes", "lantern"], [["eyes"], ["eyes"]], ["lantern"]),
        (["a", "b", "c"], [["a", "b"], ["c"]], []),
        (["left_eye", "sign"], [["left_eye"], ["left_eye"]], ["sign"]),
        ([], [[], []], []),
    ],
)
def test_lamps_are_spread_over_the_eyes(
    page: Path, window: LiveBrowser, names: list[str], eyes: list[list[str]], rest: list[str]
) -> None:
    if window.value("location.protocol") != "file:":
        window.open(page)
    found = window.value(
        f"(() => {{ const named = (lamps) => lamps.map((lamp) => lamp.name);"
        f" const of = eyesOf({[{'name': name} for name in names]});"
        " return [of.eyes.map(named), named(of.rest)]; })()"
    )
    assert found == [eyes, rest]


def test_one_lamp_lights_both_drawn_eyes(page: Path, window: LiveBrowser) -> None:
    window.open(page, "#greet")
    glow = window.value(
        """(() => {
        const head = new Head(document.createElement("canvas"));
        head.canvas.parentElement ?? document.createElement("div").append(head.canvas);
        head.fit({ axes: [{ name: "turn", words: ["right", "left"] }] });
        const lit = (eyes) => { head.draw(new Map(), eyes, []);
          return [118, 182].map((x) => [...head.pen.getImageData(x, 104, 1, 1).data].slice(0, 3)); };
        return { both: lit([80, 80]), one: lit([80, 0]) }; })()"""
    )
    assert glow["both"][0] == glow["both"][1]
    assert glow["one"][0] == glow["both"][0]
    assert sum(glow["one"][1]) < 0.5 * sum(glow["one"][0])


def test_steady_lamps_say_that_they_show_an_average(page: Path, window: LiveBrowser) -> None:
    window.open(page, "#greet@0")
    assert "left_eye" in window.value("at('lights').textContent")
    assert "% (average)" in window.value("at('lights').textContent")
    assert window.value("!at('averaged').hidden && at('averaged').textContent").startswith(
        "Lamps: steady (average"
    )
    window.click("show-flashing")
    assert "average" not in window.value("at('lights').textContent")
    assert window.value("at('averaged').hidden")
