"""The core compiled for the AVR, where int has 16 bits, plays any image as the WebAssembly core does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st

from sequencer.board.emulated import EmulatedUno
from sequencer.player.player import Played, Player, Result, State
from sequencer.show import BuiltShow
from sequencer.tables.image import build_image
from tests.board.emulated_show import made_show
from tests.fuzz.images import images
from tests.player import oracle
from tests.player.stopping_show import CALM, INTO, PRESSED, UNPOWERED, stopping_show
from tests.tables.show_makers import shows

HERE = Path(__file__).resolve().parent
UNO = HERE.parents[1] / "firmware_templates" / "avr"
TRACKS, LAMPS = 12, 4


def row(tracks: int, lamps: int) -> np.dtype:
    """A frame as the program tells it."""
    return np.dtype(
        [
            ("state", "u1"),
            ("switches", "u1"),
            ("pulse", "<u2", (tracks,)),
            ("lamp", "<u2", (lamps,)),
            ("motion", "<i4", (tracks, 4)),
        ]
    )


ROW = row(TRACKS, LAMPS)


class AvrCore:
    """The test program on the emulated chip, asked byte by byte."""

    def __init__(self, code: bytes, base: int) -> None:
        self.board = EmulatedUno()
        self.board.load(0, code)
        self.base = base

    def ask(self, request: bytes, size: int, step: int = 2000) -> bytes:
        self.board.feed(request)
        answer = b""
        for _ in range(4000):
            self.board.run(step)
            answer += self.board.take()
            if len(answer) >= size and not self.board.unsent:
                return answer
        raise AssertionError("the program on the chip does not answer")

    def open(self, image: bytes) -> int:
        self.board.load(self.base, image.ljust(0x7E00 - self.base, b"\xff"))
        self.board.power_on()
        self.board.run(20_000)
        self.board.take()
        return self.ask(b"o", 1)[0]

    def play(self, frames: int, levels: int) -> np.ndarray:
        rows = [self.ask(bytes([ord("t"), levels]), ROW.itemsize) for _ in range(frames)]
        return np.frombuffer(b"".join(rows), dtype=ROW)

    def play_on(self, frames: int, levels: int, tracks: int, lamps: int) -> np.ndarray:
        """Many frames at a time, of the show's own tracks and lamps only."""
        kind = row(tracks, lamps)
        told = b""
        for at in range(0, frames, 250):
            count = min(250, frames - at)
            told += self.ask(bytes([ord("p"), levels, count]), count * kind.itemsize, 100_000)
        return np.frombuffer(told, dtype=kind)


@pytest.fixture(scope="module")
def avr(tmp_path_factory, build_avr) -> AvrCore:
    elf = tmp_path_factory.mktemp("avr") / "dump.elf"
    core = [
        file for file in sorted(build_avr.CORE.glob("*.c")) if file.name not in ("qj_link.c", "qj_cobs.c")
    ]
    build_avr.compile_elf(
        elf, [HERE / "avr_core_dump.c", *(UNO / f"{name}.c" for name in ("flash", "memory", "twi")), *core]
    )
    code = build_avr.content(elf)
    assert len(code) <= build_avr.IMAGE_BASE
    return AvrCore(code, build_avr.IMAGE_BASE)


def same(avr: AvrCore, player: Player, frames: int, levels: int) -> None:
    assert_equal(avr.play(frames, levels), player.play(frames))


def assert_equal(board: np.ndarray, here: Played) -> None:
    tracks, lamps = here.pulse_sixteenths.shape[1], here.lamp_duty.shape[1]
    np.testing.assert_array_equal(board["state"], here.state)
    np.testing.assert_array_equal(board["switches"], here.switches)
    np.testing.assert_array_equal(board["pulse"][:, :tracks], here.pulse_sixteenths)
    np.testing.assert_array_equal(board["lamp"][:, :lamps], here.lamp_duty)
    motion = np.stack([here.position, here.velocity, here.acceleration, here.jerk], axis=-1)
    np.testing.assert_array_equal(board["motion"][:, :tracks], motion)


def test_scene_transition_stop_and_return(avr):
    show, _ = made_show(seed=5)
    image = build_image(show)
    assert avr.open(image) == 0
    player = Player(image)
    assert player.open() == 0
    player.sample(1)
    same(avr, player, 110, 1)
    assert avr.ask(b"c\x01", 1)[0] == player.cue(1, 1)
    same(avr, player, 100, 1)
    assert avr.ask(b"h", 1)[0] == player.hold()
    same(avr, player, 50, 1)
    assert avr.ask(b"r", 1)[0] == player.resume()
    same(avr, player, 90, 1)
    player.sample(0)
    same(avr, player, 60, 0)


def test_all_scenes_of_the_demo(avr: AvrCore, keeper: BuiltShow) -> None:
    """Start, idle, every scene whole and back into idle: every number of every frame."""
    contents = keeper.contents
    player = Player(keeper.image)
    assert avr.open(keeper.image) == player.open() == 0
    levels = player.levels  # nobody in the beam, nobody at the stop
    tracks, lamps = len(contents.tracks), len(contents.lamps)
    seen: set[int] = set()

    def both(frames: int) -> Played:
        here = player.play(frames)
        assert_equal(avr.play_on(frames, levels, tracks, lamps), here)
        seen.update(here.scene.tolist())
        return here

    idle = next(scene for scene in contents.scenes if scene.name == contents.idle)
    assert both(300 + idle.frames).state[-1] == State.IDLE
    for number, scene in enumerate(contents.scenes):
        if scene.loop:
            continue
        assert avr.ask(bytes([ord("c"), number]), 1)[0] == player.cue(1, number) == 0
        played = both(scene.frames + 300)
        assert (played.state == State.SCENE).sum() >= scene.frames
        assert played.state[-1] == State.IDLE
    assert seen >= set(range(len(contents.scenes)))


@pytest.mark.parametrize("name", INTO)
@pytest.mark.parametrize("levels", [PRESSED, UNPOWERED], ids=["stop", "no supply"])
def test_a_stop_and_a_lost_supply_in_every_state(avr: AvrCore, name: str, levels: int) -> None:
    """What tests/player/test_player_states.py proves of these moments holds on the chip, bit for bit."""
    image = oracle.write(stopping_show())
    player = Player(image)
    assert avr.open(image) == player.open() == 0

    def both(frames: int, pins: int) -> Played:
        player.sample(pins)
        here = player.play(frames)
        assert_equal(avr.play_on(frames, pins, 3, 0), here)
        return here

    for item in INTO[name][0]:
        if isinstance(item, int):
            both(item, CALM)
        elif item == "cue":
            assert avr.ask(b"c\x01", 1)[0] == player.cue(1, 1) == 0
        else:
            assert avr.ask(b"h", 1)[0] == player.hold() == 0
    ended = both(INTO[name][1] + 40, levels).state[-1]
    assert ended == (State.HOLD if levels == PRESSED or name.startswith("hold") else State.BOOT)
    assert avr.ask(b"r", 1)[0] == player.resume() == Result.REFUSED
    both(60, CALM)
    assert avr.ask(b"r", 1)[0] == player.resume()
    assert both(60, CALM).state[-1] in (State.SETTLE, State.IDLE)


# Each example takes its time on the emulated chip; shrinking one would take minutes.
@settings(max_examples=8, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(shows(), st.integers(0, 3), st.integers(0, 15))
def test_random_images(avr, show, scene, levels):
    image = build_image(show)
    assume(len(image) < 0x7E00 - avr.base)
    player = Player(image)
    fault = player.open()
    assert avr.open(image) == fault
    if fault:
        return
    player.sample(levels)
    same(avr, player, 14, levels)
    assert avr.ask(bytes([ord("c"), scene]), 1)[0] == player.cue(1, scene)
    same(avr, player, 40, levels)


asks = st.one_of(
    st.tuples(st.just("cue"), st.integers(0, 4)),
    st.tuples(st.just("levels"), st.integers(0, 3)),
    st.tuples(st.just("reads"), st.tuples(st.integers(0, 1), st.sampled_from((0, 20, 300, 1023)))),
    st.tuples(st.sampled_from(("hold", "resume")), st.just(0)),
)


@settings(max_examples=8, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(
    pulses=st.lists(st.sampled_from((0, 15000, 24000, 30123)), min_size=4, max_size=4),
    script=st.lists(st.tuples(asks, st.integers(1, 25)), min_size=3, max_size=8),
)
def test_whatever_is_asked(avr, pulses, script):
    """Short scenes with every kind of extra; triggers, currents, stops and starts in any order."""
    image = images()[-1]
    player = Player(image)
    assert avr.open(image) == player.open() == 0
    player.start_from(pulses)
    avr.ask(b"s" + np.array(pulses, dtype="<u2").tobytes(), 1)
    levels = player.levels
    tracks, lamps = 4, 2
    here = player.play(20)
    assert_equal(avr.play_on(20, levels, tracks, lamps), here)
    for (ask, number), frames in script:
        if ask == "levels":
            levels = number
            player.sample(levels)
        elif ask == "reads":
            sensor, counts = number
            player.counts(sensor, counts)
            avr.ask(bytes([ord("a"), sensor, counts & 255, counts >> 8]), 1)
        elif ask == "cue":
            assert avr.ask(bytes([ord("c"), number]), 1)[0] == player.cue(1, number)
        elif ask == "hold":
            assert avr.ask(b"h", 1)[0] == player.hold()
        else:
            assert avr.ask(b"r", 1)[0] == player.resume()
        assert_equal(avr.play_on(frames, levels, tracks, lamps), player.play(frames))
