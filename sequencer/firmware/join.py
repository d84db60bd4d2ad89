"""Player and show image joined for one board, and how much room is left."""

from __future__ import annotations

from sequencer.errors import Fault, RoomError
from sequencer.firmware.boards import BoardDescription, Player
from sequencer.firmware.hexfile import Segment, flat, write_hex
from sequencer.tables.extra_memory import SMALL_IMAGE_BYTES
from sequencer.tables.image import inside_bytes
from sequencer.tables.model import ShowImage
from sequencer.tables.room import Room, room


def room_bytes(board: BoardDescription, memory_bytes: int) -> int:
    """The most that an image may have on a board with so much I2C memory (0: without any).

    The player of a small chip counts an image's bytes with 16 bits.
    """
    both = board.image_bytes + memory_bytes
    return both if board.flash_bytes > SMALL_IMAGE_BYTES else min(both, SMALL_IMAGE_BYTES)


def check_room(show: ShowImage, image: bytes, board: BoardDescription, memory_bytes: int = 0) -> Room:
    """:func:`room`, refusing an image that does not fit: into flash, and what is outside into the memory.

    Raises:
        RoomError: says how many bytes and seconds are too many, and which scene to shorten.
    """
    found = room(show, image, room_bytes(board, memory_bytes))
    crowded = inside_bytes(image) - board.image_bytes  # loops, lamps and switches stay in flash
    if found.bytes_free >= 0 and crowded <= 0:
        return found
    over = max(-found.bytes_free, crowded)
    big = max(show.scenes, key=lambda scene: scene.table_bytes, default=None)
    remedy = "use a board with more flash" + ("" if memory_bytes else ", or an I2C memory (memory_kb)")
    if big is not None:
        seconds = big.frames * show.frame_us * 1e-6
        rate = big.table_bytes / seconds
        remedy = (
            f"shorten {big.name} ({seconds:.0f} s, {big.table_bytes} bytes) by {over / rate:.0f} s, "
            "leave a scene out, let fast axes rest where they are not seen"
            + ("" if memory_bytes else ", or add an I2C memory (memory_kb = 64 under [board])")
        )
        if over > big.table_bytes:
            remedy = (
                f"leave {big.name} ({big.table_bytes} bytes) and more out, "
                "or spread the scenes over two boards"
            )
    raise RoomError(
        Fault(
            f"the show is {over} bytes too big for the {board.title}, "
            f"about {-found.seconds_left:.0f} s of its scenes",
            quantity="show image",
            value=f"{found.image_bytes} bytes",
            limit=f"{found.limit_bytes} bytes",
            remedy=remedy,
        )
    )


def join(player: Player, image: bytes, show: ShowImage) -> tuple[str, bytes]:
    """One hex file and the same as flash content.

    Returns:
        (hex text, bytes from address 0 up to the image's last page, 0xFF between).

    Raises:
        RoomError: the image does not fit.
    """
    board = player.board
    if inside_bytes(image) == len(image):
        check_room(show, image, board)
    image = image[: inside_bytes(image)]
    segments = (*player.segments, Segment(board.image_base, image))
    size = board.image_base + -(-len(image) // board.page_bytes) * board.page_bytes
    return write_hex(segments), flat(segments, size)
