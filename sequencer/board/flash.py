"""Putting player and show on a board so that no interruption leaves it half alive.

First a trap page at 0 (an endless jump onto itself), then the pages that differ, read back, and the
true page 0 last: until that last write the board sits dead, its pins as after a reset. An interrupted
upload is resumed by running it again: what was written already is found to be there. (A loader that
erases in order has to write all pages below the last differing one.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from sequencer.board import stk500, stk500v2
from sequencer.board.chips import CHIPS, UNO, Chip
from sequencer.board.i2c_memory import send_outside
from sequencer.board.link import Link
from sequencer.board.loader import BootLoader, SilentLoaderError, check_signature
from sequencer.board.messages import catalogue
from sequencer.board.reports import Hello
from sequencer.board.transport import Transport
from sequencer.errors import BoardError, Fault, LinkError, LoaderError

#: `rjmp .-2`: jumps onto itself for ever (AVR instruction set manual: 1100 kkkk kkkk kkkk, k = -1).
TRAP = b"\xff\xcf"
#: The fault of a board whose show, or what of it is in the I2C memory, does not have its checksum.
BAD_CRC = 3
#: Told as (what is being done, pages done, pages in all).
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class FlashResult:
    """How an upload went: ``pages_written`` of ``pages`` in all, trap and commit not counted twice.

    ``resumed``: the board had stood dead since an upload that was interrupted. ``baud`` is the loader's
    speed, None when it was not needed.
    """

    outcome: Literal["nothing to do", "flashed"]
    pages: int
    pages_written: int
    hello: Hello
    resumed: bool = False
    baud: int | None = None


def trap_page(size: int) -> bytes:
    """The page that keeps a half-written board dead."""
    return TRAP.ljust(size, b"\xff")


def flash_board(
    transport: Transport,
    flash_bytes: bytes,
    image_crc32: int,
    player_crc32: int,
    progress: Progress | None = None,
    *,
    chip: Chip = UNO,
    force: bool = False,
    outside: bytes = b"",
    starts_s: float = 0.0,
) -> FlashResult:
    """Make the board's flash equal to ``flash_bytes`` (from 0, padded with 0xFF), and wait for its hello.

    Args:
        transport: an open port.
        flash_bytes: content from address 0; what lies in the loader's range must be 0xFF.
        image_crc32: the show image's CRC-32 (0 for a player without a show).
        player_crc32: the player's CRC-32.
        progress: told of every page read and written.
        chip: the board's chip.
        force: compare page by page even when the running player says it carries the same already.
        outside: what of the show goes into the board's I2C memory.
        starts_s: how long a board that starts reads through it.

    Raises:
        LoaderError: no loader, another chip or board, a bad page, an upload that was interrupted.
        LinkError: the cable went away before anything was written, or no hello came afterwards.

    """
    tell: Progress = progress or (lambda *_: None)
    content = _usable(flash_bytes, chip)
    pages = [content[at : at + chip.page] for at in range(0, len(content), chip.page)]
    hello = _running(transport, starts_s)
    if hello is not None:
        _check_board(hello, chip, transport.name)
        same = (hello.image_crc, hello.player_crc) == (image_crc32, player_crc32)
        if same and not force and not (outside and hello.fault == BAD_CRC):
            return FlashResult("nothing to do", len(pages), 0, hello)
    loader = _loader(transport, chip)
    check_signature(loader.signature(), chip, transport.name)
    loader.begin()
    there = []
    for number in range(len(pages)):
        tell("reading", number, len(pages))
        there.append(loader.read_page(number))
    tell("reading", len(pages), len(pages))
    to_write = [number for number, page in enumerate(pages) if page != there[number]]
    resumed = there[0] == trap_page(chip.page)
    if to_write:
        if loader.erases_in_order:
            to_write = list(range(to_write[-1] + 1))
        _write(loader, transport.name, pages, there, to_write, tell)
    loader.leave()
    hello = _meet(transport, image_crc32, player_crc32, starts_s)
    if outside and hello.fault == BAD_CRC:
        hello = _fill(transport, outside, image_crc32, player_crc32, starts_s, tell)
    outcome: Literal["nothing to do", "flashed"] = "flashed" if to_write else "nothing to do"
    return FlashResult(outcome, len(pages), len(to_write), hello, resumed, loader.baud)


def loader_of(transport: Transport, chip: Chip) -> BootLoader:
    """The conversation that the chip's loader speaks."""
    return stk500.Loader(transport, chip) if chip.protocol == "stk500v1" else stk500v2.Loader(transport, chip)


def _loader(transport: Transport, chip: Chip) -> BootLoader:
    """A loader in step. Where none of this kind answers, the others are asked once, to name the board."""
    loader = loader_of(transport, chip)
    try:
        loader.sync()
    except SilentLoaderError:
        for other in CHIPS.values():
            if other.protocol == chip.protocol:
                continue
            stranger = loader_of(transport, other)
            try:
                stranger.sync((0.1, 0.4))
                found = stranger.signature()
            except LoaderError:
                continue
            check_signature(found, chip, transport.name)
        raise
    return loader


def _check_board(hello: Hello, chip: Chip, name: str) -> None:
    """Refuse a board whose player says that it is another one, before its loader is asked anything."""
    if hello.board in chip.numbers:
        return
    says = next((other.board for other in CHIPS.values() if hello.board in other.numbers), "another board")
    raise LoaderError(
        Fault(
            f"the player on {name} says that it runs on {says}, but the figure names {chip.board}",
            quantity="board number",
            value=str(hello.board),
            limit=" or ".join(str(number) for number in chip.numbers),
            remedy="choose the other board's port, or name this board's kind under [board] in figure.toml",
        )
    )


def _fill(
    transport: Transport,
    outside: bytes,
    image_crc32: int,
    player_crc32: int,
    starts_s: float,
    tell: Progress,
) -> Hello:
    """The show's other part goes into the I2C memory; the board, reset, says whether all of it is there."""
    link = Link(transport)
    link.hello()
    send_outside(link, outside, tell)
    transport.reset()
    hello = _meet(transport, image_crc32, player_crc32, starts_s)
    if hello.fault == BAD_CRC:
        raise LoaderError(
            Fault(
                f"the I2C memory of the board on {transport.name} does not hold what was written to it",
                quantity="bytes",
                value=str(len(outside)),
                remedy="is it of the 24LC512 class (64 KB)? are its wires short, with pull-ups of 4.7 kilohm "
                "on SDA and SCL? i2c_khz = 100 under [board] is kinder to long ones; the board stays dead",
            )
        )
    return hello


def _usable(flash_bytes: bytes, chip: Chip) -> bytes:
    beyond = flash_bytes[chip.usable :]
    if beyond.strip(b"\xff"):
        raise LoaderError(
            Fault(
                "the content reaches into the boot loader's range",
                quantity="bytes",
                value=str(len(flash_bytes.rstrip(b"\xff"))),
                limit=str(chip.usable),
                remedy="make the show smaller: `quarterjack check` says what its scenes cost",
            )
        )
    # One page more than the content: an old show must not stand right behind a bare player.
    size = min(chip.usable, (len(flash_bytes) // chip.page + 1) * chip.page)
    return flash_bytes[:size].ljust(size, b"\xff")


def _running(transport: Transport, starts_s: float) -> Hello | None:
    """What a player says by itself after a reset; nothing is sent, any other program stays unbothered."""
    transport.set_baud(catalogue().baud)
    transport.reset()
    return Link(transport, starts_s=starts_s).listen_for_hello()


def _write(
    loader: BootLoader, name: str, pages: list[bytes], there: list[bytes], to_write: list[int], tell: Progress
) -> None:
    rest = [number for number in to_write if number != 0]
    trap = trap_page(len(pages[0]))
    total = len(to_write)
    writing = "writing the rest" if there[0] == trap else "writing"
    done = 0
    fate = "the old show may still be on it; if not, it is dead but safe"
    try:
        # A loader that erases in order comes to the other pages through page 0 only.
        if rest and (there[0] != trap or loader.erases_in_order):
            loader.write_page(0, trap)
        fate = "the board is dead but safe: nothing on it moves or lights"
        for number in rest:
            tell(writing, done, total)
            loader.write_page(number, pages[number])
            done += 1
        _verify(loader, name, pages, rest, tell)
        tell(writing, done, total)
        # Page 0 always: it is the trap now, or it differs.
        fate = "it came at the very last page: the board is dead but safe, or already carries the new show"
        loader.write_page(0, pages[0])
        try:
            _verify(loader, name, pages, [0], tell)
        except VerifyError:
            loader.write_page(0, trap)
            raise
        tell(writing, total, total)
    except VerifyError:
        raise
    except BoardError as error:
        raise LoaderError(
            Fault(
                f"the upload to {name} was interrupted after {done} of {total} pages: "
                f"{error.faults[0].message}",
                value=error.faults[0].value,
                remedy=f"{fate}. Plug it in again and run `quarterjack flash` again",
            )
        ) from error


class VerifyError(LoaderError):
    """What was read back differs from what was written."""


def _verify(loader: BootLoader, name: str, pages: list[bytes], numbers: list[int], tell: Progress) -> None:
    size = len(pages[0])
    wrong: list[int] = []
    for count, number in enumerate(numbers):
        tell("verifying", count, len(numbers))
        back = loader.read_page(number)
        wrong += [number * size + at for at in range(size) if back[at] != pages[number][at]]
    tell("verifying", len(numbers), len(numbers))
    if wrong:
        spread = sorted({at // size for at in wrong})
        cause = (
            "one page only: this part of the chip's flash may be worn out"
            if len(spread) == 1
            else "spread over many pages: an unsteady supply or cable during the upload"
        )
        raise VerifyError(
            Fault(
                f"the board on {name} did not keep what was written: {len(wrong)} bytes differ, "
                f"from {wrong[0]:#06x} to {wrong[-1]:#06x}, in {len(spread)} of {len(numbers)} pages",
                quantity="bytes that differ",
                value=str(len(wrong)),
                limit="0",
                remedy=f"likely {cause}. The board is dead but safe; disconnect the servos' supply, "
                "use another cable, and run `quarterjack flash` again",
            )
        )


def _meet(transport: Transport, image_crc32: int, player_crc32: int, starts_s: float) -> Hello:
    try:
        hello = Link(transport, starts_s=starts_s).hello()
    except LinkError as error:
        raise LinkError(
            Fault(
                f"everything was written and read back, but the player on {transport.name} "
                "does not say hello",
                value=error.faults[0].message,
                remedy="press the board's reset button and run `quarterjack flash` again",
            )
        ) from error
    if (hello.image_crc, hello.player_crc) != (image_crc32, player_crc32):
        raise LoaderError(
            Fault(
                f"the player on {transport.name} carries another show or player than was written",
                quantity="image and player CRC",
                value=f"{hello.image_crc:08x} {hello.player_crc:08x}",
                limit=f"{image_crc32:08x} {player_crc32:08x}",
                remedy="run `quarterjack flash` again; if it stays, the package's prebuilt player is damaged",
            )
        )
    return hello
