"""`trigger --stream` on the emulated Uno, over its serial line: the plan to the last pulse, or rest."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import pytest
from scipy.interpolate import BSpline

from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.frames import FrameDecoder
from sequencer.board.link import Link
from sequencer.board.messages import catalogue, decode_body
from sequencer.board.reports import ENDED, IDLE, LIVE, SETTLE
from sequencer.board.streaming import MOST
from sequencer.cli.main import run
from sequencer.player.player import Played
from sequencer.show import BuiltShow
from sequencer.show_folder import demo_folder
from tests.board.emulated_show import idle_levels
from tests.board.heard_in_step import Captured, MidFrameLine, core_hears

SCENE = "greet"


class Killed(BaseException):
    """The host's program is no more."""


class Host:
    """A computer that streams the demo's scene; something may happen to it at a point of its scene."""

    def __init__(self, port: EmulatedTransport, show: BuiltShow) -> None:
        self.show = show
        self.pins = [track.pin for track in show.contents.tracks]
        self.board = port.board
        for record in show.contents.inputs:
            port.board.drive(record.pin, int(record.active_low))
        port.board.capture(self.pins)
        self.line = MidFrameLine(port, self.pins[0])
        self.line.forget()
        port.reset()
        self.boot = Link(self.line).hello().boot

    def stream(self, *options: str) -> int:
        return run(["trigger", SCENE, str(demo_folder()), "--port", "emulated", "--stream", *options])

    def after(self, seconds: float, what: Callable[[], None]) -> None:
        """Once, when the scene has been streamed for so long."""
        write, begun = self.line.write, [0.0, False]

        def watched(data: bytes) -> None:
            live = len(data) > 12 and data[2] == catalogue().by_name["live"].code
            begun[0] = begun[0] or (self.line.now_s() if live else 0.0)
            if begun[0] and not begun[1] and self.line.now_s() > begun[0] + seconds:
                begun[1] = True
                what()
            write(data)

        self.line.write = watched  # type: ignore[method-assign]

    def compare(self) -> tuple[Captured, Played]:
        """Every pulse so far is the core's that heard the same."""
        self.board.run_s(0.1)  # what was heard last is played, too
        captured = Captured(self.board, self.pins)
        core, _ = core_hears(self.show.image, self.line, captured, self.boot, idle_levels(self.show.contents))
        np.testing.assert_array_equal(captured.widths, core.pulse_sixteenths)
        return captured, core

    def played_wholly(self, captured: Captured, core: Played) -> bool:
        """Whether the pins did what was planned, by SciPy's B-spline of the plan's points."""
        plans = self.show.planned.plans[SCENE]
        tracks = self.show.contents.tracks
        frames = next(scene.frames for scene in self.show.contents.scenes if scene.name == SCENE)
        live = np.flatnonzero(core.scene == LIVE)
        wanted = []
        for track in tracks:
            points = plans[track.name].points.astype(float)
            spline = BSpline(np.arange(-3, len(points) + 1, dtype=float), points, 3)
            value = spline(np.arange(frames) / track.knot_frames)
            wanted.append(16 * (track.origin_us + value * 2.0**-track.lsb_exponent))
        allowed = [1 + 8 * 2.0**-track.lsb_exponent for track in tracks]
        return any(
            (np.abs(captured.widths[begin : begin + frames] - np.array(wanted).T) <= allowed).all()
            for begin in live
            if begin + frames <= len(captured.widths)
        )


@pytest.fixture
def host(
    put_on_board: Callable[[bytes], EmulatedTransport], keeper: BuiltShow, monkeypatch: pytest.MonkeyPatch
) -> Host:
    """The demo on a board; what `trigger` would build and open is there already."""
    found = Host(put_on_board(keeper.image), keeper)
    monkeypatch.setattr("sequencer.board.connect.open_port", lambda *_, **__: found.line)
    monkeypatch.setattr("sequencer.cli.stream._made", lambda *_: (keeper.planned, keeper))
    return found


def states(core: Played) -> list[str]:
    """What happened from the first live frame on, in a row."""
    names = [
        "live" if scene == LIVE else str(int(state))
        for scene, state in zip(core.scene, core.state, strict=True)
    ]
    after = names[names.index("live") :]
    return [name for at, name in enumerate(after) if at == 0 or after[at - 1] != name]


def test_every_pulse_is_as_planned(host: Host, capsys: pytest.CaptureFixture[str]) -> None:
    assert host.stream("--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["outcome"], told["tracks"], told["underrun_of"]) == ("played", 4, None)
    assert told["telemetry"] == {
        "late_frames": 0,
        "worst_latency_us": told["telemetry"]["worst_latency_us"],
        "supply_v": None,
        "supply_a": None,
        "damaged_to_board": 0,
        "damaged_to_host": 0,
    }
    captured, core = host.compare()
    assert host.played_wholly(captured, core)
    assert states(core)[:3] == ["live", str(SETTLE), str(IDLE)]


def test_a_computer_that_hangs_for_a_second_leads_to_a_stop_and_rest_and_is_told(
    host: Host, capsys: pytest.CaptureFixture[str]
) -> None:
    host.after(1.5, lambda: host.board.run_s(1.0))
    assert host.stream() == 3
    assert "its points came too late (underrun of" in capsys.readouterr().err
    captured, core = host.compare()
    assert not host.played_wholly(captured, core)
    assert states(core)[:3] == ["live", str(SETTLE), str(IDLE)]


def test_a_host_that_dies_leaves_a_figure_at_rest_which_says_so(host: Host) -> None:
    def die() -> None:
        raise Killed

    host.after(1.5, die)
    with pytest.raises(Killed):
        host.stream()
    last = host.line.said[-1][0]
    host.board.run_s(8.0)
    captured, core = host.compare()
    silent = captured.frame_of(last)
    assert core.scene[silent] == LIVE
    moving = core.window[silent:]
    assert (moving[0] != moving[0][:, 3:]).any(), "it moved when its host died"
    assert states(core)[:3] == ["live", str(SETTLE), str(IDLE)]
    begins = int(np.flatnonzero(core.state[silent:] == SETTLE)[0])
    assert begins <= 6 * MOST + 12, "what it has of the plan, and the way to a stop behind it"
    kind = catalogue().by_name["happened"]
    happened = [
        decode_body(kind, frame.body)
        for frame in FrameDecoder().feed(host.line.answered + host.board.take())
        if frame.code == kind.code
    ]
    assert (ENDED, LIVE) in [(told["what"], told["scene"]) for told in happened]
    assert Link(host.line).hello().boot == host.boot


def test_a_cable_pulled_in_mid_stream_and_plugged_in_again(
    host: Host, capsys: pytest.CaptureFixture[str]
) -> None:
    """On its own supply: rest, nothing goes on by itself, and the next one is played wholly."""

    def pull() -> None:
        host.line.plugged = False

    host.after(1.5, pull)
    assert host.stream() == 3
    assert "the cable went away" in capsys.readouterr().err
    pulled = host.board.cycle
    host.board.run_s(8.0)
    host.line.plugged = True
    link = Link(host.line)
    link.hello()
    assert link.status().state == IDLE
    again = host.board.cycle
    captured, core = host.compare()
    assert not host.played_wholly(captured, core)
    quiet = core.scene[captured.frame_of(pulled) + 150 : captured.frame_of(again)]
    assert (quiet != LIVE).all()
    assert host.stream() == 0
    assert "played to its end" in capsys.readouterr().out
    captured, core = host.compare()
    assert host.played_wholly(captured, core)
