"""Boards: what the chip has, which pins serve what, and the prebuilt player that fits it."""

from __future__ import annotations

import functools
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sequencer.errors import Fault, FigureError, ImageError
from sequencer.firmware.hexfile import Segment, flat, read_hex_file

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True)
class BoardDescription:
    """One kind of board. Sizes in bytes; pins by their printed numbers.

    The player lies below ``image_base``, the show image from there up to ``image_limit``, where the
    boot loader begins. ``usb_ids`` are (vendor, product) pairs under which such boards appear.
    """

    kind: str
    title: str
    mcu: str
    clock_hz: int
    flash_bytes: int
    page_bytes: int
    ram_bytes: int
    eeprom_bytes: int
    signature: tuple[int, int, int]
    image_base: int
    image_limit: int
    loader_baud: int
    servo_pins: tuple[int, ...]
    lamp_pins: tuple[int, ...]
    link_pins: tuple[int, ...]
    usb_ids: tuple[tuple[int, int], ...]
    variant: str

    @property
    def image_bytes(self) -> int:
        """The most that a show image may take."""
        return self.image_limit - self.image_base


#: Where the prebuilt player's Intel HEX and its description lie, written together by ``make firmware``.
_PLAYERS = "player_{kind}"
#: The kinds of boards there are.
KINDS = ("uno",)


@functools.cache
def board_description(kind: str) -> BoardDescription:
    """The board that ``figure.toml`` names.

    Where the image begins and ends stands beside the prebuilt player, which was built for it.

    Raises:
        FigureError: there is no such board.
        ImageError: the player's description is missing or damaged.
    """
    if kind not in KINDS:
        raise FigureError(
            Fault(
                f"there is no board {kind!r}",
                quantity="board",
                value=kind,
                limit=", ".join(KINDS),
                remedy="choose one of these as kind under [board] in figure.toml",
            )
        )
    facts = _facts(kind)
    # Sizes and signature: ATmega328P datasheet (8271), tables 2-1 and 30-6. Pins: D0/D1 are the
    # link's, D13 is blinked by boot loaders, D3/5/6/11 are the outputs of the lamp timers 0 and 2.
    return BoardDescription(
        kind="uno",
        title="Arduino Uno",
        mcu="atmega328p",
        clock_hz=16_000_000,
        flash_bytes=32_768,
        page_bytes=128,
        ram_bytes=2048,
        eeprom_bytes=1024,
        signature=(0x1E, 0x95, 0x0F),
        image_base=facts.image_base,
        image_limit=facts.image_limit,
        loader_baud=115_200,
        servo_pins=(*range(2, 13), *range(14, 20)),
        lamp_pins=(3, 5, 6, 11),
        link_pins=(0, 1),
        usb_ids=((0x2341, 0x0043), (0x2341, 0x0001), (0x2341, 0x0243), (0x2A03, 0x0043), (0x1A86, 0x7523)),
        variant="standard",
    )


@dataclass(frozen=True)
class _Facts:
    image_base: int
    image_limit: int
    crc32: int
    version: int
    ram_bytes: int
    compiler: str
    everything: Mapping[str, Any]


def _facts(kind: str) -> _Facts:
    """``player_KIND.json``."""
    file = DATA / f"{_PLAYERS.format(kind=kind)}.json"
    try:
        facts = json.loads(file.read_text(encoding="utf-8"))
        return _Facts(
            image_base=int(facts["image_base"]),
            image_limit=int(facts["image_limit"]),
            crc32=_number(facts["player_crc32"]),
            version=int(facts["player_version"]),
            ram_bytes=int(facts["ram_bytes"]),
            compiler=str(facts["compiler"]),
            everything=facts,
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ImageError(
            Fault(
                f"the player's description cannot be read: {error}",
                file=str(file),
                remedy="install Quarterjack again, or run `make firmware`",
            )
        ) from error


@dataclass(frozen=True)
class Player:
    """The prebuilt player of a board: its bytes below ``image_base`` and how it was built."""

    board: BoardDescription
    segments: tuple[Segment, ...]
    crc32: int
    version: int
    ram_bytes: int
    compiler: str
    facts: Mapping[str, Any]


@functools.cache
def prebuilt_player(kind: str) -> Player:
    """The player that ships with the package.

    Raises:
        FigureError: there is no such board.
        ImageError: the shipped files are missing, damaged, or do not belong together.
    """
    board, facts = board_description(kind), _facts(kind)
    hex_file = DATA / f"{_PLAYERS.format(kind=kind)}.hex"
    segments = read_hex_file(hex_file)
    crc = zlib.crc32(flat(segments, board.image_base, str(hex_file)))
    if crc != facts.crc32:
        raise ImageError(
            Fault(
                "the player's hex file and its description do not belong together",
                file=str(hex_file),
                value=f"{crc:08x}",
                limit=f"{facts.crc32:08x}",
                remedy="install Quarterjack again, or run `make firmware`",
            )
        )
    return Player(
        board, segments, facts.crc32, facts.version, facts.ram_bytes, facts.compiler, facts.everything
    )


def _number(value: Any) -> int:
    """A CRC, written as a number or as hexadecimal text."""
    return int(value, 16) if isinstance(value, str) else int(value)
