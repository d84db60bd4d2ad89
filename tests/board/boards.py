"""Boards as they are bought, each with its own loader, and a small show for each."""

from __future__ import annotations

import dataclasses
import subprocess
from pathlib import Path

from sequencer.board.chips import CHIPS, Chip
from sequencer.board.emulated import EmulatedBoard
from sequencer.board.emulated_kinds import BOARD_KINDS
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.simavr_loader import MEGA, OLD_NANO, loader_hex, packaged_loader
from sequencer.board.simavr_pty import serve
from sequencer.firmware.boards import prebuilt_player
from sequencer.firmware.hexfile import Segment, write_hex
from sequencer.firmware.join import join
from sequencer.tables.image import build_image
from sequencer.tables.model import ShowImage
from tests.board.emulated_show import Points, made_show

#: What avrdude calls chip and loader, and the loader's speed (as the Arduino core's boards.txt has them).
AVRDUDE = {
    "uno": ("atmega328p", "arduino", 115200),
    "nano": ("atmega328p", "arduino", 115200),
    "nano old": ("atmega328p", "arduino", 57600),
    "mega": ("atmega2560", "wiring", 115200),
}


def bought(which: str) -> EmulatedTransport:
    """A fresh board: ``uno``, ``nano``, ``nano old`` or ``mega``."""
    loader = {"nano old": OLD_NANO, "mega": MEGA}.get(which)
    text = packaged_loader(loader) if loader else loader_hex()
    return EmulatedTransport(EmulatedBoard(text, BOARD_KINDS[which.split()[0]]))


def chip_of(which: str) -> Chip:
    return CHIPS[which.split()[0]]


#: As many servos as a Mega serves, on pins of all its ports; those of lamps, I2C and sound module are free.
MEGA_SERVO_PINS = (
    *(4, 9, 10, 14, 15, 16, 17, 18, 22, 25, 28, 31),
    *(33, 36, 38, 40, 42, 46, 48, 53, 55, 58, 63, 68),
)


def on_board(show: ShowImage, kind: str) -> ShowImage:
    """The same show on another board: D11 dims no lamp on a Mega, D44 does."""
    lamps = tuple(
        dataclasses.replace(lamp, pin=44) if kind == "mega" and lamp.pin == 11 else lamp
        for lamp in show.lamps
    )
    return dataclasses.replace(show, board=kind, lamps=lamps)


def small_show(which: str, seed: int = 1) -> tuple[ShowImage, Points]:
    """Twelve servos on pins that every board has, lamps on pins that this one can dim."""
    show, points = made_show(seed=seed)
    return on_board(show, which.split()[0]), points


@dataclasses.dataclass(frozen=True)
class Load:
    """What goes onto a board: ``content`` from address 0, and the two CRCs by which it is known."""

    show: ShowImage
    points: Points
    image: bytes
    content: bytes
    image_crc: int
    player_crc: int


def load_for(which: str, seed: int = 1) -> Load:
    """The shipped player with a small show."""
    show, points = small_show(which, seed)
    image = build_image(show)
    player = prebuilt_player(which.split()[0])
    content = join(player, image, show)[1]
    return Load(show, points, image, content, int.from_bytes(image[8:12], "little"), player.crc32)


def by_avrdude(port: EmulatedTransport, which: str, content: bytes, avrdude: str, folder: Path) -> str:
    """What avrdude says. In real time, over a pty: it knows nothing of simulated time."""
    part, programmer, baud = AVRDUDE[which]
    file = folder / "show.hex"
    file.write_text(write_hex([Segment(0, content)]))
    with serve(port.board) as server:
        done = subprocess.run(
            [
                *(avrdude, "-q", "-c", programmer, "-p", part, "-b", str(baud), "-P", server.path),
                *("-D", "-U", f"flash:w:{file}:i"),
            ],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
    assert server.trouble is None
    assert done.returncode == 0, done.stderr
    return done.stderr
