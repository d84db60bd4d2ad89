"""A small stand-in for the player core, so that loader and link are tested without WebAssembly."""

from __future__ import annotations

import zlib
from collections.abc import Callable

import pytest

from sequencer.board.chips import UNO
from sequencer.board.frames import Frame, FrameDecoder, crc16
from sequencer.board.messages import catalogue, decode_body, encode_body
from sequencer.board.reports import ENDED, STARTED, STOPPED
from sequencer.board.virtual import Faults, VirtualBoard, VirtualTransport

SCENE_FRAMES = 50
IMAGE_BASE = 0x400


class PlayerModel:
    """Speaks the link as messages.toml says; plays every scene for 50 frames; counts what it performs."""

    def __init__(self, player_crc: int) -> None:
        self.player_crc = player_crc
        self.performed: list[tuple[str, dict]] = []
        self.boots = 0

    def boot(self, image: bytes | None, reset_cause: int) -> None:
        self.boots += 1
        self.image = image
        self.cause = reset_cause
        self.decoder = FrameDecoder()
        self.out = bytearray()
        self.last: tuple[int, int] | None = None
        self.answer = b""
        self.cue = self.repeats = 0
        self.scene, self.frame = 255, 0
        self.waiting: tuple[int, int, int] | None = None
        self.settle = 20
        self.held = self.down = False
        self._send(0, "hello", self._hello())

    def _hello(self) -> dict:
        crc = int.from_bytes(self.image[8:12], "little") if self.image else 0
        return {
            "protocol": 3,
            "player_version": 1,
            "board": 1,
            "reset_cause": self.cause,
            "state": self.state,
            "fault": 11 if self.down else 0 if self.image else 1,
            "image_crc": crc,
            "player_crc": self.player_crc,
            "boot": self.boots,
            "figure": "keeper" if self.image else "",
        }

    @property
    def state(self) -> int:
        if self.image is None or self.down:
            return 5
        return 1 if self.settle else 4 if self.held else 3 if self.scene != 255 else 2

    def _send(self, seq: int, name: str, fields: dict) -> bytes:
        kind = catalogue().by_name[name]
        data = Frame(seq, kind.code, encode_body(kind, fields)).encode()
        self.out += data
        return data

    def receive(self, data: bytes) -> None:
        for frame in self.decoder.feed(data):
            kind = catalogue().by_code.get(frame.code)
            if kind is None or kind.to != "board":
                continue
            mark = (frame.seq, crc16(bytes((frame.seq, frame.code)) + frame.body))
            if mark == self.last:
                self.out += self.answer
                continue
            self.last = mark
            fields = decode_body(kind, frame.body)
            self.performed.append((kind.name, fields))
            self.answer = self._perform(frame.seq, kind.name, fields)

    def _perform(self, seq: int, name: str, fields: dict) -> bytes:
        if name == "ask_hello":
            return self._send(seq, "hello", self._hello())
        if name == "ask_status":
            return self._send(
                seq,
                "status",
                {
                    "state": self.state,
                    "fault": 11 if self.down else 0 if self.image else 1,
                    "scene": self.scene,
                    "frame": self.frame,
                    "frames": SCENE_FRAMES,
                    "cue": self.cue,
                    "repeats_left": self.repeats,
                    "late_frames": 0,
                    "parked": 0,
                },
            )
        result = 0
        if name == "hold":
            self.held = True
            self._tell(STOPPED)
            self.scene = 255
        elif name == "cue":
            if fields["boot"] != self.boots:
                result = 5
            elif fields["scene"] > 3:
                result = 4
            else:
                self.waiting = (fields["cue"], fields["scene"], fields["repeats"])
        elif name == "workshop":
            result = 1 if self.scene != 255 else 0
            self.down = result == 0
        elif name.startswith("bench") and self.image is not None and not self.down:
            result = 2
        return self._send(seq, "ack", {"result": result})

    def tick(self) -> None:
        if self.settle:
            self.settle -= 1
            return
        if self.waiting and self.scene == 255:
            self.cue, self.scene, self.repeats = self.waiting
            self.waiting, self.frame = None, 0
            self._tell(STARTED)
        elif self.scene != 255:
            self.frame += 1
            if self.frame >= SCENE_FRAMES:
                self._tell(ENDED)
                self.scene = 255

    def frame_parts(self) -> int:
        return 320_000

    def clock(self, slot: int, into: int) -> None:
        pass

    def _tell(self, what: int) -> None:
        self._send(0, "happened", {"what": what, "cue": self.cue, "scene": self.scene, "input": 255})

    def transmit(self) -> bytes:
        data = bytes(self.out)
        self.out.clear()
        return data


def make_flash(player: int = 0, image: int | None = 1, image_size: int = 500) -> bytes:
    """32 KB: a player's code (three pages) and an image (a few), distinct by their numbers."""
    flash = bytearray(b"\xff" * UNO.flash)
    flash[:300] = bytes((7 * at + 11 * player + 1) & 0xFF for at in range(300))
    if image is not None:
        body = b"QJK1" + bytes((13 * at + 5 * image) & 0xFF for at in range(image_size - 4))
        flash[IMAGE_BASE : IMAGE_BASE + image_size] = body
    return bytes(flash)


def player_crc_of(flash: bytes) -> int:
    return zlib.crc32(flash[:IMAGE_BASE])


def image_crc_of(flash: bytes) -> int:
    held = flash[IMAGE_BASE:]
    return int.from_bytes(held[8:12], "little") if held.startswith(b"QJK1") else 0


class Bench:
    """A virtual board and what tests want to know of it."""

    def __init__(self, content: bytes | None = None, player: bytes | None = None, **faults: object) -> None:
        runs = player if player is not None else content if content is not None else make_flash()
        crc = player_crc_of(runs)
        self.player = PlayerModel(crc)
        self.board = VirtualBoard(
            bytearray(content) if content is not None else None,
            player_crc32=crc,
            image_base=IMAGE_BASE,
            make_player=lambda: self.player,
            faults=Faults(**faults),  # type: ignore[arg-type]
        )
        self.port = VirtualTransport(self.board)


@pytest.fixture
def bench() -> Callable[..., Bench]:
    return Bench


@pytest.fixture
def flash_of() -> Callable[..., bytes]:
    return make_flash


@pytest.fixture
def crcs() -> Callable[[bytes], tuple[int, int]]:
    return lambda flash: (image_crc_of(flash), player_crc_of(flash))
