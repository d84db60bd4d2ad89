"""The page: one file, nothing fetched, and the player core inside plays what Python's plays."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.errors import UsageError
from sequencer.player.player import Fault, Player
from sequencer.player.wasm import wasm_bytes
from sequencer.view.model import LampCurve, SceneView
from sequencer.view.page import scene_page
from tests.view.made_show import keeper

MakeScene = Callable[..., SceneView]
Browser = Callable[..., str]


@pytest.fixture
def page(tmp_path: Path) -> Path:
    image, views = keeper()
    file = tmp_path / "show.html"
    scene_page(views, image, wasm_bytes(), file)
    return file


def text_of(document: str, identity: str) -> str:
    found = re.search(rf'<(\w+)[^>]*\bid="{identity}"[^>]*>(.*?)</\1>', document, re.DOTALL)
    assert found, f"no element {identity}"
    return unescape(re.sub(r"<[^>]+>", " ", found[2]))


def test_the_file_names_nothing_outside_itself(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert set(re.findall(r"\bhttps?://[^\s\"'<]+", text)) == {
        "http://www.w3.org/2000/svg"
    }  # a name, not a place
    assert not re.search(r"<(?:script|img|iframe|audio|video)[^>]*\bsrc=", text)
    assert re.findall(r"<link[^>]*>", text) == ['<link rel="icon" href="data:,">']
    assert not re.search(r"@import|url\(|@font-face", text)
    assert "default-src 'none'" in text


def test_the_browser_shows_every_scene_and_the_curves(page: Path, browser: Browser) -> None:
    document = browser(page, "#greet@2.04")
    assert text_of(document, "trouble").strip() == ""
    assert re.findall(r">(\w+)</button>", text_of_nav(document)) == ["idle", "greet", "storm"]
    assert text_of(document, "title") == "Lantern Keeper: greet"
    lanes = document[document.index('id="lanes"') :]
    assert lanes.count('stroke="var(--wish)"') == 3
    assert lanes.count('stroke="var(--plan)"') == 3
    assert re.search(r"bell on\b", document)  # struck at 2.00 s for 0.1 s
    assert "2.04 of 9.00 s" in document
    gauges = document[document.index('id="gauges"') : document.index('id="lights"')]
    assert re.findall(r"<span>([^<]+)</span>", gauges) == [
        *("right 80", "left 80", "up 20", "down 25", "shut 0", "open 22")
    ]


def text_of_nav(document: str) -> str:
    return document[document.index("<nav") : document.index("</nav>")]


def test_a_scene_named_like_markup_stays_a_name(tmp_path: Path, browser: Browser) -> None:
    image, views = keeper()
    name = "</script><script>document.title='taken'</script>"
    file = tmp_path / "odd.html"
    scene_page([replace(views[1], scene=name, figure="<b>Keeper</b> & {{ 7 }}")], image, wasm_bytes(), file)
    document = browser(file)
    assert "taken</title>" not in document
    assert unescape(re.findall(r"<h1>(.*?)</h1>", document)[0]) == "<b>Keeper</b> & {{ 7 }}"
    assert name in unescape(text_of_nav(document))


def test_a_player_that_cannot_start_is_said_and_the_curves_stay(tmp_path: Path, browser: Browser) -> None:
    image, views = keeper()
    file = tmp_path / "broken.html"
    scene_page(views, image, b"\0asm but not really", file)
    document = browser(file)
    assert "The player could not start here" in text_of(document, "trouble")
    assert document.count('stroke="var(--plan)"') == 3


def test_a_damaged_image_is_said(tmp_path: Path, browser: Browser) -> None:
    image, views = keeper()
    file = tmp_path / "damaged.html"
    scene_page(views, image[:-1] + bytes([image[-1] ^ 1]), wasm_bytes(), file)
    assert "damaged" in text_of(browser(file), "trouble")


def test_a_page_needs_a_scene(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no scene to show"):
        scene_page([], b"", b"", tmp_path / "none.html")


def test_a_page_never_replaces_a_file_of_another_kind(tmp_path: Path) -> None:
    image, views = keeper()
    file = tmp_path / "greet.scene"
    file.write_text("by hand")
    with pytest.raises(UsageError, match=r"name a file that ends in \.html"):
        scene_page(views, image, wasm_bytes(), file)
    assert file.read_text() == "by hand"


def test_warning_counts_as_the_criterion_counts(scene: MakeScene) -> None:
    from sequencer.view.page import _flashing

    view = scene(flicker=False)
    frames = np.arange(round(view.duration_s / view.frame_s))

    def blinking(on_percent: float, off_percent: float, every: int) -> SceneView:
        light = np.where(frames % every < every // 2, on_percent, off_percent)
        return replace(view, lamps=(LampCurve("eye", light),))

    assert _flashing(blinking(100.0, 0.0, 10)) is not None
    assert "5 times" in str(_flashing(blinking(100.0, 0.0, 10)))
    assert "above the usual limit of 3" in str(_flashing(blinking(100.0, 0.0, 10)))
    # What `check` lets pass is not called a fault here.
    assert "2 times within a second" in str(_flashing(blinking(100.0, 0.0, 40)))
    assert "below the usual limit of 3, so `check` lets it pass; still" in str(
        _flashing(blinking(100.0, 0.0, 40))
    )
    assert "just within the usual limit of 3" in str(_flashing(blinking(100.0, 0.0, 24)))
    assert _flashing(blinking(30.0, 0.0, 10)) is None  # L* 30 is 6 % luminance: below the 10 % of a flash
    assert _flashing(blinking(100.0, 0.0, 100)) is None  # once in two seconds
    assert _flashing(replace(view, lamps=())) is None


def played(document: str) -> dict[str, Any]:
    found = re.search(r'<pre id="report">(.*?)</pre>', document, re.DOTALL)
    assert found, text_of(document, "trouble")
    report: dict[str, Any] = json.loads(unescape(found[1]))
    return report


def test_the_browser_plays_what_python_plays_and_the_spline_says(page: Path, browser: Browser) -> None:
    """One core: power-up, settling, a scene, idle and another scene, integer for integer.

    And against a B-spline in floating point: a pulse is rounded to the nearest sixteenth of a us.
    """
    image, views = keeper()
    columns = played(browser(page, "#report=3000,1@0,2@1400"))
    assert columns["results"] == [0, 0]
    player = Player(image)
    assert player.open() is Fault.OK
    player.cue(1, 1)
    blocks = [player.play(1400)]
    player.cue(1, 2)
    blocks.append(player.play(1600))
    assert set(columns["state"]) == {0, 1, 2, 3}
    assert len(columns["state"]) == 3000

    def ours(name: str) -> np.ndarray:
        return np.concatenate([getattr(block, name) for block in blocks]).astype(np.int64)

    shape = (3000, 3, 4)
    motion = np.stack([ours(name) for name in ("position", "velocity", "acceleration", "jerk")], axis=-1)
    pairs = {
        "state": ours("state"),
        "scene": ours("scene"),
        "frame": ours("frame"),
        "phase": ours("phase"),
        "switches": ours("switches"),
        "pulse": ours("pulse_sixteenths"),
        "window": ours("window").reshape(3000, 12),
        "motion": motion.reshape(3000, 12),
        "duty": ours("lamp_duty"),
        "lightness": ours("lamp_lightness_q8"),
    }
    assert motion.shape == shape
    for name, wanted in pairs.items():
        np.testing.assert_array_equal(np.array(columns[name]), wanted, err_msg=name)
    assert len(np.unique(pairs["pulse"][:, 0])) > 500
    assert pairs["switches"].any()
    assert len(np.unique(pairs["lightness"][:, 0])) > 50

    begin = list(zip(columns["scene"], columns["frame"], strict=True)).index((1, 1))
    pulses = np.array(columns["pulse"][begin : begin + 450]) / 16
    for column, (axis, track) in enumerate(zip(views[1].axes, views[1].tracks, strict=True)):
        expected = track.zero_us + track.us_per_deg * axis.planned_deg[:-1:20]
        assert np.ptp(expected) > 50
        assert np.abs(pulses[:, column] - expected).max() <= 1 / 32 + 1e-9, axis.name


_DRIVE = """
<script>
(async () => {
  // A browser that only prints the document draws no frames; a timer stands in for the display.
  window.requestAnimationFrame = (draw) => setTimeout(() => draw(performance.now()), 16);
  const at = (id) => document.getElementById(id), seen = {};
  const key = (name, target = document.body) =>
    target.dispatchEvent(new KeyboardEvent("keydown", { key: name, bubbles: true, cancelable: true }));
  const frame = () => Number(at("scrub").value);
  const wait = (ms) => new Promise((done) => setTimeout(done, ms));
  while (!document.documentElement.dataset.ready) await wait(20);
  STEPS
  const out = document.createElement("pre");
  out.id = "seen";
  out.textContent = JSON.stringify(seen);
  document.body.append(out);
})();
</script></body>"""


def driven(page: Path, browser: Browser, steps: str, *flags: str) -> dict[str, Any]:
    """Opens the page with a script that does what a viewer does; what it has seen."""
    text = page.read_text(encoding="utf-8")
    driven_page = page.with_name("driven.html")
    driven_page.write_text(text.replace("</body>", _DRIVE.replace("STEPS", steps)), encoding="utf-8")
    document = browser(driven_page, "#greet", *flags)
    seen: dict[str, Any] = json.loads(
        unescape(re.findall(r'<pre id="seen">(.*?)</pre>', document, re.DOTALL)[0])
    )
    return seen


def test_keys_and_buttons_move_through_a_scene(page: Path, browser: Browser) -> None:
    seen = driven(
        page,
        browser,
        """
        seen.opened = [frame(), at("play").textContent];
        key("ArrowRight"); key("ArrowRight"); key("ArrowLeft"); seen.stepped = frame();
        key("End"); seen.end = frame();
        key("ArrowRight"); seen.beyond = frame();
        key("Home"); seen.home = frame();
        key(" "); seen.started = at("play").textContent;
        await wait(600); key(" "); seen.paused = [frame(), at("play").textContent];
        await wait(600); seen.still = frame();
        at("scrub").value = 77; at("scrub").dispatchEvent(new Event("input"));
        seen.clock = at("clock").textContent;
        at("scenes").children[0].click();
        seen.other = [at("title").textContent, frame(), at("repeat").checked];
        seen.boxes = [at("steady").checked, at("calm").checked];
        """,
    )
    assert seen["opened"] == [0, "Play"]  # nothing moves by itself
    assert (seen["stepped"], seen["end"], seen["beyond"], seen["home"]) == (1, 449, 449, 0)
    assert seen["started"] == "Pause"
    assert 0 < seen["paused"][0] < 449
    assert seen["paused"][1] == "Play"
    assert seen["still"] == seen["paused"][0]
    assert seen["clock"] == "1.54 of 9.00 s"
    assert seen["other"] == ["Lantern Keeper: idle", 0, True]
    assert seen["boxes"] == [False, False]


def test_lamps_flash_only_when_asked(page: Path, browser: Browser) -> None:
    """Over the failing lamp's seconds the shown lightness is smooth until the viewer chooses otherwise."""
    seen = driven(
        page,
        browser,
        r"""
        const shown = () => { const all = []; for (let f = 105; f < 245; f++) {
          at("scrub").value = f; at("scrub").dispatchEvent(new Event("input"));
          all.push(Number(at("lights").textContent.match(/left_eye (\d+)/)[1])); } return all; };
        seen.warned = [!at("flashing").hidden, at("flashing-words").textContent];
        seen.steady = shown();
        at("show-flashing").click();
        seen.chosen = at("flashing").hidden;
        seen.flashing = shown();
        at("scenes").children[2].click(); seen.again = !at("flashing").hidden;
        at("scenes").children[0].click(); seen.calm = at("flashing").hidden;
        """,
    )
    assert np.abs(np.diff(seen["steady"])).max() <= 3
    assert np.abs(np.diff(seen["flashing"])).max() >= 45
    assert seen["warned"][0]
    assert "within a second" in seen["warned"][1]
    assert seen["chosen"]  # the warning goes once the viewer has chosen,
    assert seen["again"]  # comes back for the next scene that flashes,
    assert seen["calm"]  # and is not shown where nothing does


def test_less_motion_is_respected(page: Path, browser: Browser) -> None:
    """With the system's wish for less motion, lamps are steady and steps slow even in a calm scene."""
    steps = """
        at("scenes").children[0].click();
        seen.boxes = [at("steady").checked, at("calm").checked, at("play").textContent];
        """
    assert driven(page, browser, steps, "--force-prefers-reduced-motion")["boxes"] == [True, True, "Play"]
