"""The player core on this machine: what the board will do, with its full state in every frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from sequencer.player.machine import Machine
from sequencer.player.rows import IMAGE_ROOM, MAX_FACES, MAX_TRACKS, ROW, ROWS, WIRE, WORST
from sequencer.tables.worst import Worst

#: Any board's image is played.
ANY_BOARD = 255
NONE = 255
#: As large as an ATmega328P's EEPROM.
MEMORY_BYTES = 1024
_UNO = 1


class State(IntEnum):
    """What the player is doing."""

    BOOT = 0
    SETTLE = 1
    IDLE = 2
    SCENE = 3
    HOLD = 4
    FAULT = 5


class Fault(IntEnum):
    """Why an image is not played, or no longer."""

    OK = 0
    NO_IMAGE = 1
    BAD_VERSION = 2
    BAD_CRC = 3
    BAD_CONTENT = 4
    WRONG_BOARD = 5
    HUNG = 6
    RAM = 7
    EXPANDER = 8
    STARVED = 9
    LOST_IMAGE = 10
    WORKSHOP = 11


class Result(IntEnum):
    """The answer to a request."""

    DONE = 0
    BUSY = 1
    REFUSED = 2
    UNKNOWN = 3
    BAD_ARGUMENT = 4


class What(IntEnum):
    """Kinds of news."""

    STARTED = 1
    ENDED = 2
    STOPPED = 3
    TRIGGERED = 4
    TRIPPED = 5
    RAIL_LOST = 6
    RAIL_BACK = 7
    EXPANDER_LOST = 8
    RESTING = 9


@dataclass(frozen=True)
class Happening:
    """One piece of news; ``frame`` counts rows of the :class:`Played` that holds it.

    ``cue`` is 0 when an input asked, ``input`` 255 when the host did.
    """

    frame: int
    what: What
    scene: int
    cue: int
    input: int


@dataclass(frozen=True)
class Played:
    """N frames as played. T tracks, L lamps.

    ``state``, ``scene`` (255 = rest), ``switches`` (bit i: switch i is on) are (N,) uint8; ``frame`` (N,)
    uint16 is the scene's clock after each frame. ``pulse_sixteenths`` (N, T) uint16 in 1/16 us, 0 = no pulse.
    ``window`` (N, T, 4) int16 holds the control points of the running span, ``position``, ``velocity``,
    ``acceleration``, ``jerk`` (N, T) int32 are P, V, A, J of FORMAT.md. ``lamp_duty`` (N, L) uint16 is
    0..4095, ``lamp_lightness_q8`` (N, L) uint16 0..51200.
    ``steps`` (N, 8) uint8: how many transitions of the states' table were taken, then their rows.
    """

    state: NDArray[np.uint8]
    scene: NDArray[np.uint8]
    frame: NDArray[np.uint16]
    phase: NDArray[np.uint16]
    pulse_sixteenths: NDArray[np.uint16]
    window: NDArray[np.int16]
    position: NDArray[np.int32]
    velocity: NDArray[np.int32]
    acceleration: NDArray[np.int32]
    jerk: NDArray[np.int32]
    lamp_duty: NDArray[np.uint16]
    lamp_lightness_q8: NDArray[np.uint16]
    switches: NDArray[np.uint8]
    steps: NDArray[np.uint8]
    happened: tuple[Happening, ...]


@dataclass(frozen=True)
class Snapshot:
    """Everything of a player that changes while it plays (not the image)."""

    state: bytes


class Player:
    """One player core with its image, link and bench.

    Args:
        image: the show image; None: erased flash.
        board: the board it must be for; 255: any.
        machine: how to get the compiled core; by default the WebAssembly one.

    Raises:
        ValueError: the image is larger than 1 MB.
    """

    def __init__(
        self,
        image: bytes | None = None,
        board: int = ANY_BOARD,
        machine: Callable[[], Machine] | None = None,
    ) -> None:
        if machine is None:
            from sequencer.player.wasm import WasmMachine

            machine = WasmMachine
        self._machine = machine()
        self._board = board
        self._tracks = self._lamps = self._faces = 0
        self._load(image)

    def _load(self, image: bytes | None) -> None:
        self.image = b"" if image is None else bytes(image)
        if len(self.image) > IMAGE_ROOM:
            raise ValueError(f"an image of {len(self.image)} bytes; the core takes {IMAGE_ROOM}")
        self._machine.write(self._machine.call("x_image"), self.image)

    def _opened(self, fault: int) -> Fault:
        playing = fault == Fault.OK
        self._tracks = self.image[14] if playing else 0
        self._lamps = self.image[15] if playing else 0
        self._faces = 0
        return Fault(fault)

    # ---- playing -----------------------------------------------------------------------------

    def open(self) -> Fault:
        """Check the image and start anew, in ``BOOT`` or, with a fault, ``FAULT``."""
        return self._opened(self._machine.call("x_open", len(self.image), self._board))

    def play(self, frames: int) -> Played:
        """Play ``frames`` frames. News is in ``happened`` and does not go over the link."""
        blocks = []
        left = frames
        address = self._machine.call("x_rows")
        while left > 0:
            count = self._machine.call("x_play", min(left, ROWS))
            blocks.append(np.frombuffer(self._machine.read(address, count * ROW.itemsize), dtype=ROW))
            left -= count
        return self._played(np.concatenate(blocks) if blocks else np.empty(0, dtype=ROW))

    def _played(self, rows: NDArray[np.void]) -> Played:
        tracks, lamps = slice(self._tracks), slice(self._lamps)
        motion = rows["motion"][:, tracks]
        happened = tuple(
            Happening(
                frame=int(at),
                what=What(int(rows["what"][at, i])),
                scene=int(rows["told_scene"][at, i]),
                cue=int(rows["cue"][at, i]),
                input=int(rows["input"][at, i]),
            )
            for at in np.flatnonzero(rows["happenings"])
            for i in range(int(rows["happenings"][at]))
        )
        return Played(
            state=rows["state"],
            scene=rows["scene"],
            frame=rows["frame"],
            phase=rows["phase"],
            pulse_sixteenths=rows["pulse"][:, tracks],
            window=rows["window"][:, tracks],
            position=motion[..., 0],
            velocity=motion[..., 1],
            acceleration=motion[..., 2],
            jerk=motion[..., 3],
            lamp_duty=rows["duty"][:, lamps],
            lamp_lightness_q8=rows["lightness"][:, lamps],
            switches=rows["switches"],
            steps=rows["steps"],
            happened=happened,
        )

    def cue(self, cue: int, scene: int, repeats: int = 1) -> Result:
        """Ask for scene number ``scene``; ``repeats`` 0 = until another cue or hold."""
        return Result(self._machine.call("x_cue", cue, scene, repeats))

    def start_from(self, pulses: Sequence[int]) -> None:
        """After :meth:`open`: the tracks stand where these pulses sent them (sixteenths of a us, 0 = parked).

        That is how a board begins that was reset and still knows its last pulses; settling starts there.
        This image must have played them.
        """
        padded = [*pulses, *[0] * (MAX_TRACKS - len(pulses))]
        self._machine.write(self._machine.call("x_in"), np.array(padded, dtype="<u2").tobytes())
        self._machine.call("x_start_from")

    def hold(self) -> Result:
        """Stop everything by the stored stop, and stay."""
        return Result(self._machine.call("x_hold"))

    def resume(self) -> Result:
        """After hold: to rest, then idle."""
        return Result(self._machine.call("x_resume"))

    def park(self) -> Result:
        """As :meth:`hold`, then every track to its parked pose, where it loses its pulses."""
        return Result(self._machine.call("x_park"))

    def release(self) -> Result:
        """Take the pulses of balanced tracks that rest."""
        return Result(self._machine.call("x_release"))

    def fail(self, fault: Fault) -> None:
        """What the board's own checks do when they fail: every output dead."""
        self._machine.call("x_fail", fault)

    def seed(self, number: int) -> None:
        """The boot's number, 16 bits: chance depends on it unless the image gives a number of its own."""
        self._machine.call("x_seed", number)

    def runs(self, scene: int) -> int:
        """How often a scene (of the first 32) has begun since :meth:`open`."""
        return self._machine.call("x_runs", scene)

    @property
    def resting_s(self) -> int:
        """Seconds of rest left after the duty limit."""
        return self._machine.call("x_resting")

    def standing_sixteenths(self, track: int) -> int:
        """The pulse that belongs to where a track is commanded to stand, whether it has pulses or not."""
        return self._machine.call("x_standing", track)

    def sample(self, levels: int) -> None:
        """Input pin levels from now on, bit i = pin i is high.

        After :meth:`open` no trigger or stop is active and the servos have their supply.
        """
        self._machine.call("x_levels", levels)

    def counts(self, sensor: int, counts: int | None) -> None:
        """What an analog input reads from now on, 0..1023; None: nothing, as after :meth:`open`."""
        self._machine.call("x_counts", sensor, 0xFFFF if counts is None else counts)

    def measured(self, sensor: int) -> int | None:
        """What an analog input measures now, mA or mV; None before its first reading."""
        value = self._machine.call("x_measured", sensor)
        return None if value == 0xFFFF else value

    @property
    def levels(self) -> int:
        """Input pin levels as they are sampled now."""
        return self._machine.call("x_levels_now")

    def snapshot(self) -> Snapshot:
        """Keep the whole state, to return to it."""
        size = self._machine.call("x_state_size")
        return Snapshot(self._machine.read(self._machine.call("x_state"), size))

    @property
    def clock_bytes(self) -> slice:
        """Which bytes of a snapshot's state are the clock, which counts on while nothing happens."""
        start = self._machine.call("x_clock_at")
        return slice(start, start + 4)

    def restore(self, snapshot: Snapshot) -> None:
        """Return to a state of this player with this image."""
        self._machine.write(self._machine.call("x_state"), snapshot.state)

    # ---- a board on a line -------------------------------------------------------------------

    def boot(self, image: bytes | None, reset_cause: int, board: int = _UNO, player_crc: int = 0) -> Fault:
        """Reset with ``image`` in flash: the hello waits in :meth:`transmit`.

        Raises:
            ValueError: the image is larger than 1 MB.
        """
        self._load(image)
        return self._opened(self._machine.call("x_boot", len(self.image), board, reset_cause, player_crc))

    @property
    def memory(self) -> bytes:
        """The memory that needs no power: it stays through every boot of this player."""
        return self._machine.read(self._machine.call("x_memory"), MEMORY_BYTES)

    @memory.setter
    def memory(self, content: bytes) -> None:
        self._machine.write(self._machine.call("x_memory"), content[:MEMORY_BYTES])

    def stored(self, at: int, size: int) -> bytes:
        """What the image's buffer holds now: blocks for an I2C memory come over the link, into it."""
        return self._machine.read(self._machine.call("x_image") + at, size)

    def receive(self, data: bytes) -> None:
        """Bytes that came over the link; requests are handled at once."""
        address = self._machine.call("x_in")
        for at in range(0, len(data), WIRE):
            part = data[at : at + WIRE]
            self._machine.write(address, part)
            self._machine.call("x_receive", len(part))

    def transmit(self) -> bytes:
        """Bytes that the board has sent since the last call (it keeps silent once 4 KB wait)."""
        count = self._machine.call("x_transmit")
        return self._machine.read(self._machine.call("x_out"), count)

    def tick(self) -> Played:
        """One frame, and what is due on the link. News goes over the link, and is shown here too."""
        self._machine.call("x_tick")
        row = self._machine.read(self._machine.call("x_rows"), ROW.itemsize)
        return self._played(np.frombuffer(row, dtype=ROW))

    def frame_parts(self) -> int:
        """How many 320 000ths of 20 ms the next frame lasts, trimmed; to be asked once a frame."""
        longer = self._machine.call("x_clock_frame")
        return 320_000 + (longer - 0x10000 if longer & 0x8000 else longer)

    def clock(self, slot: int, into: int) -> None:
        """What the board's clock shows from now on: sixth of the running frame, 320 000ths into that."""
        self._machine.call("x_clock", slot, into)

    def bench_pulse_us(self, pin: int) -> int:
        """What the bench last asked of a servo pin; 0 = no pulse."""
        return self._machine.call("x_bench_pulse", pin)

    def bench_lightness(self, pin: int) -> int:
        """What the bench last asked of a lamp pin, 0..200."""
        return self._machine.call("x_bench_lamp", pin)

    # ---- proofs ------------------------------------------------------------------------------

    def watch_faces(self, faces: Sequence[Sequence[int]]) -> None:
        """Sides of polygons to be watched by every proof from now on, until an image is opened.

        Each is (track, other track, a, b, limit, inner): a * c1 + b * c2 of control points played together;
        answers then go on after the tracks with one :class:`Worst` a face, the extremes of that sum. With
        ``stop_early`` a proof ends beyond ``inner`` or, settling, which starts within it, beyond ``limit``.

        Raises:
            ValueError: tracks that don't share knots, numbers too large for the core, or no image open.
        """
        self._faces = 0
        flat = [number for face in faces for number in face]
        fits = len(faces) <= MAX_FACES and all(len(face) == 6 for face in faces)
        if fits and all(-(2**31) <= number < 2**31 for number in flat):
            self._machine.write(self._machine.call("x_in"), np.array(flat, dtype="<i4").tobytes())
            if self._machine.call("x_prove_faces", len(faces)):
                self._faces = len(faces)
                return
        raise ValueError("the core cannot watch these faces")

    def prove_leaving(
        self,
        loop: int,
        scene: int,
        fade_frames: int,
        delay_frames: int,
        fade_in_frames: int | None = None,
        *,
        stop_early: bool = False,
    ) -> Sequence[Worst]:
        """Worst control points and differences of each track, leaving ``loop`` at every common knot.

        After the tracks come the faces of :meth:`watch_faces`.

        ``scene`` 255 is rest; ``fade_in_frames`` is the entered loop's own fade (None: the image's).
        The values need not be those of the image, which must have been opened. With ``stop_early`` the
        core returns as soon as a track is beyond its bounds in the image, with the worst so far.

        Raises:
            ValueError: no such loop or scene, a length that is no multiple of six, or no image open.
        """
        if fade_in_frames is None:
            fade_in_frames = 0
            if scene < self.image[18]:
                at = int.from_bytes(self.image[48:52], "little") + 12 * scene + 10
                fade_in_frames = int.from_bytes(self.image[at : at + 2], "little")
        return self._proof(
            "x_prove_leave", loop, scene, fade_frames, delay_frames, fade_in_frames, int(stop_early)
        )

    def prove_entering(self, loop: int, fade_in_frames: int, *, stop_early: bool = False) -> Sequence[Worst]:
        """The same, entering ``loop`` from rest. Raises ValueError as :meth:`prove_leaving`."""
        return self._proof("x_prove_enter", loop, fade_in_frames, int(stop_early))

    def prove_stopping(self, scene: int, stop_frames: int, *, stop_early: bool = False) -> Sequence[Worst]:
        """The same, stopping at every common knot of a scene or loop. Raises ValueError likewise."""
        return self._proof("x_prove_stop", scene, stop_frames, int(stop_early))

    def prove_settling(self, settle_frames: int, *, stop_early: bool = False) -> Sequence[Worst]:
        """The same, rest-to-rest from parked and every point of low..high. Raises ValueError likewise."""
        return self._proof("x_prove_rest", settle_frames, int(stop_early))

    def prove_parking(self, park_frames: int, *, stop_early: bool = False) -> Sequence[Worst]:
        """To the parked pose from every point of low..high. Raises ValueError likewise."""
        return self._proof("x_prove_park", park_frames, int(stop_early))

    def _proof(self, name: str, *numbers: int) -> list[Worst]:
        if any(not 0 <= number <= 0xFFFF for number in numbers) or not self._machine.call(name, *numbers):
            raise ValueError(f"the core cannot prove {name[2:]}{numbers}")
        count = MAX_TRACKS + self._faces
        data = self._machine.read(self._machine.call("x_proof"), count * WORST.itemsize)
        table = np.delete(np.frombuffer(data, dtype=WORST), slice(self._tracks, MAX_TRACKS))
        return [
            Worst(low=int(w["low"]), high=int(w["high"]), d1=int(w["d1"]), d2=int(w["d2"]), d3=int(w["d3"]))
            for w in table
        ]
