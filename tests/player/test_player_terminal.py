"""A person at a terminal types `?` and reads a line; no frame is taken for that. What telemetry tells."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.board.frames import FrameDecoder
from sequencer.board.messages import catalogue, decode_body
from sequencer.player.player import Player
from tests.player.test_player_link import ACK, ASK_STATUS, BOOT, CUE, STATUS, ask, board, frame, frames, show

ASK_TELEMETRY, TELEMETRY = 0x09, 0x85


def heard(player: Player, typed: bytes) -> bytes:
    player.receive(typed)
    return player.transmit()


def test_a_question_mark_gets_one_readable_line() -> None:
    player = board(show())
    player.transmit()
    for _ in range(2):
        line = heard(player, b"?").strip(b"\0")
        assert line == b"figure boot fault 0 scene 255 player 2\r\n"
        assert heard(player, b"\r\n") == b""
    for _ in range(300):
        player.tick()
    player.transmit()
    assert heard(player, b"?\r").strip(b"\0") == b"figure idle fault 0 scene 0 player 2\r\n"
    assert heard(board(None), b"?").split(b"\0")[-2] == b" fault fault 1 scene 255 player 2\r\n"


def test_the_line_fits_a_small_ring_and_disturbs_no_frame() -> None:
    player = board(show())
    player.transmit()
    player._machine.call("x_ring", 40)
    decoder = FrameDecoder()
    said = b""
    player.receive(b"?" + frame(3, ASK_STATUS))
    for _ in range(8):
        said += player.transmit()
        player.tick()
    assert b"figure boot fault 0" in said.replace(b"\0", b"")
    assert [(got.seq, got.code) for got in decoder.feed(said)] == [(3, STATUS)]
    assert decoder.damaged <= 2, "a line counts as noise, no more"


@settings(max_examples=200, deadline=None)
@given(
    sent=st.lists(
        st.tuples(
            st.sampled_from((0x3F, 1, 0x0D)),
            st.sampled_from((0x3F3F, 0x0D3F, 0x3F0D, 63)),
            st.integers(0, 255),
        ),
        min_size=1,
        max_size=6,
    ),
    data=st.data(),
)
def test_a_question_mark_inside_a_frame_is_none(
    sent: list[tuple[int, int, int]], data: st.DataObject
) -> None:
    player = board(show())
    player.transmit()
    said = b""
    for seq, cue, repeats in sent:
        whole = frame(seq, CUE, struct.pack("<HBBH", cue, 1, repeats, BOOT))
        assert b"?" in whole
        cut = data.draw(st.integers(0, len(whole)))
        said += heard(player, whole[:cut]) + heard(player, whole[cut:])
    assert [kind for _, kind, _ in frames(said)] == [ACK] * len(sent)


@pytest.mark.parametrize("image", [show(), None], ids=["show", "empty board"])
@pytest.mark.parametrize("stray", [b"hello", b"\r\n", b"x" * 300], ids=["a word", "Enter", "more than fits"])
def test_what_was_typed_before_is_forgotten_after_a_pause(image: bytes | None, stray: bytes) -> None:
    player = board(image)
    player.transmit()
    for pause, answered in ((9, False), (10, True)):
        assert heard(player, stray) == b""
        for _ in range(pause):
            player.tick()
            player.transmit()
        assert (b" fault " in heard(player, b"?")) is answered
        heard(player, b"\0")


def test_half_a_frame_from_a_host_that_died_costs_nothing() -> None:
    player = board(show())
    player.transmit()
    heard(player, frame(1, ASK_STATUS)[:4])
    for _ in range(10):
        player.tick()
    assert [(seq, kind) for seq, kind, _ in ask(player, frame(2, ASK_STATUS))] == [(2, STATUS)]
    assert telemetry(player)["damaged"] == 0


def telemetry(player: Player) -> dict[str, object]:
    ((seq, kind, body),) = ask(player, frame(7, ASK_TELEMETRY))
    assert (seq, kind) == (7, TELEMETRY)
    return decode_body(catalogue().by_code[kind], body)


def test_telemetry_tells_how_the_board_is() -> None:
    player = board(show())
    player.transmit()
    told = telemetry(player)
    assert (told["state"], told["scene"], told["clock"], told["damaged"]) == (0, 255, 0, 0)
    assert (told["supply_mv"], told["supply_ma"]) == (0xFFFF, 0xFFFF), "this show measures nothing"
    for _ in range(250):
        player.tick()
    spoilt = bytearray(frame(8, ASK_STATUS))
    spoilt[2] ^= 4
    heard(player, bytes(spoilt) * 3)
    told = telemetry(player)
    assert (told["clock"], told["damaged"]) == (250, 3)


@pytest.mark.parametrize("clock", [2**32 - 40, 2**32 // 20 - 40, 2**31 - 40, 2**16 - 40])
def test_a_scene_and_live_control_cross_the_clock_s_end(clock: int) -> None:
    """2^32 ms (49.7 days) are 2^32 / 20 frames; the clock itself comes round after 2.7 years."""
    played = []
    for start in (1000, clock):
        player = board(show())
        for _ in range(180):
            player.tick()
        player.transmit()
        player._machine.call("x_uptime", start)
        assert ask(player, frame(1, CUE, struct.pack("<HBBH", 1, 1, 1, BOOT))) == [(1, ACK, b"\0")]
        rows = [player.tick() for _ in range(200)]
        assert ask(player, frame(2, CUE, struct.pack("<HBBH", 2, 254, 1, BOOT)))[-1] == (2, ACK, b"\0")
        rows += [player.tick() for _ in range(100)]
        played.append([(int(row.state[0]), int(row.scene[0]), row.window.tolist()) for row in rows])
        player.transmit()
        assert telemetry(player)["clock"] == (start + 300) % 2**32
    assert played[0] == played[1]
    assert {scene for _, scene, _ in played[0]} >= {1, 254}
