"""The link's C code: requests performed once, noise survived."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.player.machine import Machine
from sequencer.player.player import Fault, Player, Result, State
from tests.player import oracle
from tests.player.building import ROOT, build_script
from tests.player.oracle import Scene, Show, Track

ASK_HELLO, CUE, HOLD, RESUME, ASK_STATUS, BENCH_SERVO, BENCH_LAMP = range(1, 8)
HELLO, ACK, STATUS, HAPPENED = range(0x81, 0x85)
BOOT = 1


def crc16(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ (0x1021 if crc & 0x8000 else 0)) & 0xFFFF
    return crc


def frame(seq: int, kind: int, body: bytes = b"") -> bytes:
    data = bytes([seq, kind]) + body
    data += struct.pack("<H", crc16(data))
    out = b""
    for block in data.split(b"\0"):
        out += bytes([len(block) + 1]) + block
    return out + b"\0"


def frames(data: bytes) -> list[tuple[int, int, bytes]]:
    assert data == b"" or data.endswith(b"\0")
    out = []
    for coded in data.split(b"\0")[:-1]:
        if coded.endswith(b"\r\n") or not coded:
            continue  # the line for a person, and the zeros around it
        plain = b""
        while coded:
            plain += coded[1 : coded[0]] + b"\0"
            coded = coded[coded[0] :]
        plain = plain[:-1]
        assert crc16(plain[:-2]) == struct.unpack("<H", plain[-2:])[0]
        out.append((plain[0], plain[1], plain[2:-2]))
    return out


def show() -> bytes:
    loop = Scene(frames=60, loop=True, points=[[0, 100, 200, 100, 0, -100, -200, -100, 0, 50]], fade_in=60)
    scene = Scene(frames=60, loop=False, points=[[0, 0, 0, 300, 500, 700, 500, 300, 200, 100, 0, 0, 0]])
    return oracle.write(Show(tracks=[Track(6)], scenes=[loop, scene], idle=0, stagger=0))


def board(image: bytes | None) -> Player:
    player = Player()
    player.boot(image, reset_cause=2, player_crc=0x12345678)
    return player


def ask(player: Player, data: bytes) -> list[tuple[int, int, bytes]]:
    player.receive(data)
    return frames(player.transmit())


@pytest.fixture(scope="module")
def running() -> Player:
    return board(show())


def test_hello_after_reset_and_when_asked() -> None:
    image = show()
    player = board(image)
    (seq, kind, body), *none = frames(player.transmit())
    assert not none
    assert (seq, kind) == (0, HELLO)
    expected = struct.pack("<BHBBBB", 3, 2, 1, 2, State.BOOT, Fault.OK) + image[8:12]
    assert body == expected + struct.pack("<IH", 0x12345678, BOOT) + b"figure".ljust(16, b"\0")
    assert ask(player, frame(9, ASK_HELLO)) == [(9, HELLO, body)]


def test_a_cue_is_performed_once_and_its_news_told() -> None:
    player = board(show())
    player.transmit()
    cue = frame(7, CUE, struct.pack("<HBBH", 513, 1, 1, BOOT))
    assert ask(player, cue) == [(7, ACK, b"\0")]
    assert ask(player, cue) == [(7, ACK, b"\0")]  # the answer was lost: asked again, answered again
    assert ask(player, frame(2, ASK_STATUS))[0][2][11:13] == struct.pack("<H", 513)
    assert ask(player, frame(8, CUE, struct.pack("<HBBH", 514, 1, 1, BOOT))) == [(8, ACK, b"\x01")]
    # the same number with other content is another request
    assert ask(player, frame(8, CUE, struct.pack("<HBBH", 515, 9, 1, BOOT))) == [(8, ACK, b"\x04")]
    told = []
    for _ in range(500):
        player.tick()
        told += frames(player.transmit())
    assert told == [
        (0, HAPPENED, struct.pack("<BHBB", 1, 513, 1, 255)),
        (0, HAPPENED, struct.pack("<BHBB", 2, 513, 1, 255)),
    ]
    ((seq, kind, body),) = ask(player, frame(3, ASK_STATUS))
    assert (seq, kind, len(body)) == (3, STATUS, 17)
    assert (body[0], body[2], struct.unpack("<I", body[7:11])[0]) == (State.IDLE, 0, 60)


def test_hold_resume_and_what_is_refused() -> None:
    player = board(show())
    player.transmit()
    assert ask(player, frame(1, RESUME)) == [(1, ACK, b"\x02")]
    assert ask(player, frame(2, BENCH_SERVO, struct.pack("<BH", 9, 1500))) == [(2, ACK, b"\x02")]
    assert ask(player, frame(3, HOLD)) == [(3, ACK, b"\0")]
    for _ in range(300):
        player.tick()
    assert ask(player, frame(4, RESUME)) == [(4, ACK, b"\0")]
    assert ask(player, frame(5, 0x55)) == [(5, ACK, b"\x03")]
    assert ask(player, frame(6, CUE, b"\0")) == [(6, ACK, b"\x04")]


def test_the_bench_needs_a_board_without_an_image() -> None:
    player = board(None)
    assert frames(player.transmit())[0][2][5:7] == bytes([State.FAULT, Fault.NO_IMAGE])
    assert ask(player, frame(1, BENCH_SERVO, struct.pack("<BH", 9, 1520))) == [(1, ACK, b"\0")]
    assert ask(player, frame(2, BENCH_LAMP, bytes([5, 120]))) == [(2, ACK, b"\0")]
    assert (player.bench_pulse_us(9), player.bench_lightness(5)) == (1520, 120)
    assert ask(player, frame(3, BENCH_SERVO, struct.pack("<BH", 9, 9000))) == [(3, ACK, b"\x04")]
    assert ask(player, frame(4, CUE, struct.pack("<HBBH", 1, 0, 1, BOOT))) == [(4, ACK, b"\x02")]


@settings(max_examples=150, deadline=None)
@given(noise=st.binary(max_size=80), seq=st.integers(1, 255))
def test_after_any_noise_the_next_frame_is_heard(running: Player, noise: bytes, seq: int) -> None:
    running.receive(noise)
    running.transmit()
    running.receive(b"\0")
    running.transmit()
    assert [(s, k) for s, k, _ in ask(running, frame(seq, ASK_STATUS))] == [(seq, STATUS)]


@settings(max_examples=150, deadline=None)
@given(at=st.integers(0, 12), change=st.integers(1, 255))
def test_a_damaged_frame_is_never_performed(running: Player, at: int, change: int) -> None:
    good = bytearray(frame(20, CUE, struct.pack("<HBBH", 300, 1, 1, BOOT)))
    if at < len(good) - 1:
        good[at] ^= change
    else:
        del good[at % (len(good) - 1)]
    assert not [a for a in ask(running, bytes(good)) if a[1] == ACK]
    running.receive(b"\0")
    running.transmit()


def test_sanitizers_find_nothing_in_noise_and_broken_images(tmp_path_factory: pytest.TempPathFactory) -> None:
    """The whole core under the address and undefined-behaviour sanitizers, with images broken on purpose."""
    import random
    import subprocess

    folder = tmp_path_factory.mktemp("fuzz")
    driver = ROOT / "tests" / "player" / "fuzz_driver.c"
    program = build_script().build_host(folder / "fuzz", sanitize=True, driver=driver)
    chance = random.Random(11)
    whole = show()
    cases = b""
    for number in range(400):
        image = bytearray(whole)
        for _ in range(number % 5):
            image[chance.randrange(12, len(image))] = chance.choice(
                (0, 1, 6, 127, 128, 255, chance.randrange(256))
            )
        sealed = oracle.seal(image) if number % 7 else bytes(image[: chance.randrange(len(image))])
        noise = bytes(chance.randrange(256) for _ in range(chance.randrange(60)))
        asks = frame(
            chance.randrange(1, 256), CUE, struct.pack("<HBBH", number, chance.randrange(3), 1, BOOT)
        )
        asks += frame(chance.randrange(1, 256), chance.choice((HOLD, RESUME, ASK_HELLO, ASK_STATUS)))
        wire = noise + asks + noise[::-1]
        cases += struct.pack("<II", len(sealed), len(wire)) + sealed + wire
    done = subprocess.run([str(program)], input=cases, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    assert done.stdout.decode().split() == ["400", "cases"]


def test_garbage_is_heard_alike_by_both_builds(host: Callable[[], Machine]) -> None:
    wasm, native = Player(), Player(machine=host)
    for player in (wasm, native):
        player.boot(show(), 1)
    noise = bytes(range(256)) * 8 + frame(4, ASK_STATUS)
    wasm.receive(noise)
    native.receive(noise)
    assert wasm.transmit() == native.transmit()


def test_a_number_that_comes_round_is_another_request() -> None:
    """254 questions lie between two requests with one number and one content: the second is performed too."""
    player = board(show())
    player.play(300)
    for _ in range(2):
        assert ask(player, frame(9, HOLD))[-1] == (9, ACK, b"\0")
        assert player.play(200).state[-1] == State.HOLD
        assert player.resume() == Result.DONE
        assert player.play(200).state[-1] == State.IDLE
        for seq in (*range(10, 256), *range(1, 9)):
            ask(player, frame(seq, ASK_STATUS))


def test_late_copies_of_a_hello_and_a_cue_play_nothing_again() -> None:
    player = board(show())
    player.play(300)
    player.transmit()
    hello, cue = frame(1, ASK_HELLO), frame(2, CUE, struct.pack("<HBBH", 7, 1, 1, BOOT))
    ask(player, hello)
    assert ask(player, cue) == [(2, ACK, b"\0")]
    player.play(300)
    ask(player, frame(3, BENCH_SERVO, bytes(3)))
    for seq in range(4, 12):
        ask(player, frame(seq, ASK_STATUS))
    ask(player, hello)
    assert ask(player, cue) == [(2, ACK, b"\0")]
    assert not (player.play(200).state == State.SCENE).any()
    # ... nor is a request performed again that the copy of a hello came between
    assert ask(player, frame(30, CUE, struct.pack("<HBBH", 8, 1, 1, BOOT))) == [(30, ACK, b"\0")]
    ask(player, hello)
    assert ask(player, frame(30, CUE, struct.pack("<HBBH", 8, 1, 1, BOOT))) == [(30, ACK, b"\0")]


@pytest.mark.parametrize("room", range(18, 30))
def test_no_answer_is_cut_by_a_full_ring(room: int) -> None:
    player = board(show())
    player.transmit()
    player._machine.call("x_ring", room)
    player.receive(frame(3, 0x10, b"\x20\0"))
    said = player.transmit()
    assert said == b"" or frames(said)[0][:2] == (3, 0x86)
