"""Boards: what the chip has, which pins serve what, and the prebuilt player that fits it."""

from __future__ import annotations

import functools
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from sequencer.errors import Fault, FigureError, ImageError
from sequencer.figure.pins import KINDS, PINS, Pins
from sequencer.firmware.hexfile import Segment, flat, read_hex_file

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True)
class BoardDescription:
    """One kind of board. Sizes in bytes; pins by the board's own numbers (``figure.pins`` names them).

    The player lies below ``image_base``, the show image from there up to ``image_limit``, where the
    boot loader begins. ``loader_bauds`` are the speeds that its loaders have, newest first, and
    ``loader`` the protocol they speak. ``usb_ids`` are (vendor, product) pairs under which such boards
    appear. ``variant`` is the Arduino core's name for its pins.
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
    loader: Literal["stk500v1", "stk500v2"]
    loader_bauds: tuple[int, ...]
    pins: Pins
    usb_ids: tuple[tuple[int, int], ...]
    variant: str

    @property
    def image_bytes(self) -> int:
        """The most that a show image may take."""
        return self.image_limit - self.image_base

    @property
    def servo_pins(self) -> tuple[int, ...]:
        """Pins that can move a servo."""
        return tuple(sorted(self.pins.usable))

    @property
    def lamp_pins(self) -> tuple[int, ...]:
        """Pins that can dim a lamp."""
        return self.pins.lamps


@dataclass(frozen=True)
class _Chip:
    """What the data sheet says: ATmega328P (8271), tables 2-1 and 30-6; ATmega2560 (2549), 2-1 and 30-6."""

    mcu: str
    flash_bytes: int
    page_bytes: int
    ram_bytes: int
    eeprom_bytes: int
    signature: tuple[int, int, int]


_M328 = _Chip("atmega328p", 32_768, 128, 2048, 1024, (0x1E, 0x95, 0x0F))
_M2560 = _Chip("atmega2560", 262_144, 256, 8192, 4096, (0x1E, 0x98, 0x01))


@dataclass(frozen=True)
class _Kind:
    """A board around a chip; ``player`` says whose it runs, ``loader_at`` where its largest loader begins."""

    title: str
    chip: _Chip
    player: str
    loader_at: int
    loader: Literal["stk500v1", "stk500v2"]
    loader_bauds: tuple[int, ...]
    usb_ids: tuple[tuple[int, int], ...]
    variant: str


_CH340, _FTDI = (0x1A86, 0x7523), (0x0403, 0x6001)
_KINDS: Mapping[str, _Kind] = {
    "uno": _Kind(
        "Arduino Uno",
        _M328,
        "uno",
        0x7E00,
        "stk500v1",
        (115_200,),
        ((0x2341, 0x0043), (0x2341, 0x0001), (0x2341, 0x0243), (0x2A03, 0x0043), _CH340),
        "standard",
    ),
    # Both its loaders are entered at 0x7800: the old one is 2 KB long, and the new, smaller one comes with
    # the old one's fuses, so that the reset runs through erased flash up to it.
    "nano": _Kind(
        "Arduino Nano",
        _M328,
        "uno",
        0x7800,
        "stk500v1",
        (115_200, 57_600),
        (_CH340, _FTDI),
        "eightanaloginputs",
    ),
    "mega": _Kind(
        "Arduino Mega 2560",
        _M2560,
        "mega",
        0x3E000,
        "stk500v2",
        (115_200,),
        ((0x2341, 0x0042), (0x2341, 0x0010), (0x2A03, 0x0042), _CH340),
        "mega",
    ),
}
#: Where the prebuilt player's Intel HEX and its description lie, written together by ``make firmware``.
_PLAYERS = "player_{kind}"


@functools.cache
def board_description(kind: str) -> BoardDescription:
    """The board that ``figure.toml`` names.

    Where the image begins and ends stands beside the prebuilt player, which was built for it.

    Raises:
        FigureError: there is no such board.
        ImageError: the player's description is missing or damaged.
    """
    if kind not in _KINDS:
        raise FigureError(
            Fault(
                f"there is no board {kind!r}",
                quantity="board",
                value=kind,
                limit=", ".join(KINDS),
                remedy="choose one of these as kind under [board] in figure.toml",
            )
        )
    board, facts = _KINDS[kind], _facts(kind)
    return BoardDescription(
        kind=kind,
        title=board.title,
        mcu=board.chip.mcu,
        clock_hz=16_000_000,
        flash_bytes=board.chip.flash_bytes,
        page_bytes=board.chip.page_bytes,
        ram_bytes=board.chip.ram_bytes,
        eeprom_bytes=board.chip.eeprom_bytes,
        signature=board.chip.signature,
        image_base=facts.image_base,
        image_limit=min(facts.image_limit, board.loader_at),
        loader=board.loader,
        loader_bauds=board.loader_bauds,
        pins=PINS[kind],
        usb_ids=board.usb_ids,
        variant=board.variant,
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
    file = DATA / f"{_PLAYERS.format(kind=_KINDS[kind].player)}.json"
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
    hex_file = DATA / f"{_PLAYERS.format(kind=_KINDS[kind].player)}.hex"
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
