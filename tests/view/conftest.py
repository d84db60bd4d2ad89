"""Scenes made of plain arrays, for the pictures' tests."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.finding import Finding
from sequencer.view.model import AxisCurve, LampCurve, SceneView, SwitchCurve, TrackLink

MakeScene = Callable[..., SceneView]
Browser = Callable[..., str]


def _ease(times: NDArray[np.float64], at_s: float, over_s: float) -> NDArray[np.float64]:
    """0 before, 1 after, a 3-4-5 polynomial between."""
    x = np.clip((times - at_s) / over_s, 0.0, 1.0)
    return x**3 * (10.0 - 15.0 * x + 6.0 * x**2)


def _axis(name: str, words: tuple[str, str], reach: tuple[float, float], times: NDArray[np.float64],
          asked: NDArray[np.float64], planned: NDArray[np.float64]) -> AxisCurve:  # fmt: skip
    error = float(np.sqrt(np.mean((asked - planned) ** 2)))
    shares = {"velocity": 0.82, "acceleration": 0.85, "jerk": 0.61}
    return AxisCurve(name, words, asked, planned, *reach, shares, error)


def make_scene(
    name: str = "greet",
    duration_s: float = 9.0,
    *,
    loop: bool = False,
    late_s: float = 0.3,
    flicker: bool = True,
) -> SceneView:
    """A keeper's scene: two looks, a nod, speech; ``late_s`` parts plan from wish."""
    times = np.arange(round(duration_s * 1000) + 1) / 1000.0
    part = duration_s / 9.0

    def turn(slower: float) -> NDArray[np.float64]:
        return (
            35.0 * _ease(times, 0.5 * part, 0.5 + slower)
            - 65.0 * _ease(times, 3.0 * part, 0.6 + slower)
            + 30.0 * _ease(times, 7.0 * part, 0.8 + slower)
        )

    def nod(slower: float) -> NDArray[np.float64]:
        sway = (
            3.0
            * np.sin(2 * np.pi * times / 1.1)
            * _ease(times, 4 * part, 0.5)
            * (1 - _ease(times, 6 * part, 0.5))
        )
        return (
            -9.0 * _ease(times, 1.0 * part, 0.4 + slower)
            + 9.0 * _ease(times, 7.2 * part, 0.9 + slower)
            + sway
        )

    tilt = (
        0.6
        * np.sin(2 * np.pi * times / 4.5)
        * _ease(times, 0.2, 1.0)
        * (1 - _ease(times, duration_s - 1.3, 1.0))
    )
    talk = _ease(times, 2 * part, 0.2) * (1 - _ease(times, 5 * part, 0.3))
    jaw = 11.0 * talk * (1.0 - np.cos(2 * np.pi * times * 4.3)) * (0.6 + 0.4 * np.sin(1.7 * times))
    jaw_planned = jaw * (1.0 - 0.6 * min(late_s, 1.0))
    frames = np.arange(round(duration_s / 0.02)) * 0.02
    glow = 60.0 * np.clip(frames / 1.5, 0, 1)
    rng = np.random.default_rng(7)
    failing = (frames > 4.5 * part) & (frames < 6.5 * part) & (rng.random(len(frames)) < 0.25)
    gutter = np.clip(glow - 8 * rng.random(len(frames)), 0, 100)
    right = np.where(failing, 0.0, glow) if flicker else glow
    findings = (
        Finding("rate", "warning", name, "turn", 3.0 * part, 65.0, 48.0, "deg",
                "turn right 30 asks for 65 deg in 0.6 s; the neck needs 0.9 s and arrives 0.3 s late.",
                "start it at 0:02.7, or write `over 0.9s`."),
        Finding("jerk", "note", name, "jaw", 2.4 * part, 0.4, 1.0, "deg",
                "the jaw keeps its timing and loses 18 % of its opening between 0:02.0 and 0:05.0.", None),
        Finding("flash", "error", name, "right_eye", 4.6 * part, 5.0, 3.0, "flashes in one second",
                "the lamps flash 5 times in one second.", "use `flickers gutter`, or a smaller depth."),
        Finding("supply", "note", None, None, None, 4.1, 5.0, "A", "the servos may draw 4.1 A.", None),
    )  # fmt: skip
    return SceneView(
        figure="Lantern Keeper",
        scene=name,
        duration_s=duration_s,
        loop=loop,
        axes=(
            _axis("turn", ("right", "left"), (-80.0, 80.0), times, turn(0.0), turn(late_s)),
            _axis("nod", ("up", "down"), (-20.0, 25.0), times, nod(0.0), nod(0.6 * late_s)),
            _axis("tilt", ("left", "right"), (-15.0, 15.0), times, tilt, tilt),
            _axis("jaw", ("shut", "open"), (0.0, 22.0), times, jaw, jaw_planned),
        ),
        lamps=(LampCurve("left_eye", gutter), LampCurve("right_eye", right)),
        switches=(SwitchCurve("bell", ((5.0 * part, 5.0 * part + 0.06), (8.0 * part, 8.0 * part + 0.06))),),
        findings=findings if not loop else (),
        tracks=(
            TrackLink("turn", "turn", 1500.0, 11.0),
            TrackLink("nod", "nod", 1480.0, -10.0),
            TrackLink("tilt", "tilt", 1520.0, 10.0),
            TrackLink("jaw", "jaw", 1200.0, 9.0),
        ),
    )


@pytest.fixture
def scene() -> MakeScene:
    """The maker itself, so that a test says what matters to it."""
    return make_scene


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    """Opens a page in a real browser without a network and gives the document it became."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.fail(
            "this test drives a browser; install it: apt-get install -y --no-install-recommends chromium"
        )

    def opened(file: Path, fragment: str = "", *flags: str) -> str:
        profile = tmp_path / "profile"
        command = [
            program,
            *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
            *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
            *("--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={profile}"),
            *("--virtual-time-budget=20000", *flags, "--dump-dom", f"{file.as_uri()}{fragment}"),
        ]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
        assert 'data-ready="yes"' in done.stdout, done.stderr[-2000:]
        return done.stdout

    return opened
