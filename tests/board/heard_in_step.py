"""What a host says to the emulated board, said again to the compiled core in the same frames.

A board works a frame out while the one before it is played, and hears its host in between. A host that speaks
only in the middle of a frame is heard before the same calculation whatever either takes: so what the pins do
must be, frame by frame, what a core does that hears the same bytes there.
"""

from __future__ import annotations

import bisect
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sequencer.board.emulated import EmulatedBoard, Pulse
from sequencer.board.emulated_port import EmulatedTransport
from sequencer.board.frames import Frame, FrameDecoder
from sequencer.board.messages import catalogue
from sequencer.board.port_trouble import went_away
from sequencer.player.player import Played, Player
from tests.board.emulated_show import FRAME, JOINED, QUIET

#: The middle of a frame: its successor is worked out by then, and an answer is there before it ends.
FROM, TO = FRAME * 3 // 10, FRAME * 7 // 10


class MidFrameLine:
    """The board's port for such a host. ``pin``: the first servo's, which rises ``QUIET`` into a frame.

    ``said`` and ``answered`` begin with the first pulse. :attr:`plugged` is whether the cable is in.
    """

    def __init__(self, port: EmulatedTransport, pin: int) -> None:
        self._port = port
        self._pin = pin
        self.plugged = True
        self.said: list[tuple[int, bytes]] = []
        self.answered = b""
        port.board.capture([pin])

    @property
    def board(self) -> EmulatedBoard:
        return self._port.board

    @property
    def name(self) -> str:
        return self._port.name

    def write(self, data: bytes) -> None:
        self._cable()
        begun = self._frame_began()
        if begun is not None:
            while not FROM <= self.board.cycle - begun <= TO:
                into = self.board.cycle - begun
                self.board.run(FROM - into if into < FROM else FRAME - into + FROM)
                begun = self._frame_began()
                assert begun is not None
            self.said.append((self.board.cycle, data))
        self._port.write(data)

    def read(self, size: int, timeout_s: float) -> bytes:
        self._cable()
        data = self._port.read(size, timeout_s)
        if self.said:
            self.answered += data
        return data

    def reset(self) -> None:
        self._port.reset()

    def set_baud(self, baud: int) -> None:
        self._port.set_baud(baud)

    def close(self) -> None:
        """The board goes on."""

    def now_s(self) -> float:
        return self._port.now_s()

    def forget(self) -> None:
        """A new beginning: nothing was captured, said or answered."""
        self.board.edges.clear()
        self.said.clear()
        self.answered = b""

    def _cable(self) -> None:
        if not self.plugged:
            raise went_away(self.name, OSError("unplugged"))

    def _frame_began(self) -> int | None:
        rise = next((e.cycle for e in reversed(self.board.edges) if e.pin == self._pin and e.level), None)
        if rise is None:
            return None
        return rise - QUIET + (self.board.cycle - rise + QUIET) // FRAME * FRAME


class Captured:
    """What the pins did, frame by frame from the first servo's first pulse on; it has one in each."""

    def __init__(self, board: EmulatedBoard, pins: list[int]) -> None:
        pulses = [board.pulses(pin) for pin in pins]
        self._begins = [pulse.start - QUIET for pulse in pulses[0]]
        self.widths: NDArray[np.int64] = np.zeros((len(self._begins), len(pins)), dtype=np.int64)
        for index, column in enumerate(pulses):
            for pulse in column:
                self._put(index, pulse)
        self.widths = self.widths[:-1]  # the last frame may be half captured

    def _put(self, index: int, pulse: Pulse) -> None:
        row = self.frame_of(pulse.start)
        assert self.widths[row, index] == 0, "two pulses in one frame"
        self.widths[row, index] = pulse.width

    def frame_of(self, cycle: int) -> int:
        """The frame that was played at a cycle."""
        return bisect.bisect_right(self._begins, cycle) - 1


def core_hears(
    image: bytes, line: MidFrameLine, captured: Captured, boot: int, levels: int
) -> tuple[Played, bytes]:
    """What the core plays, row by row as captured, hearing what was said; and what it answers.

    ``boot``: the number of the board's boot, which a cue carries. ``levels``: of the input pins.
    """
    player = Player()
    for _ in range(boot):
        assert player.boot(image, 1) == 0
        player.sample(levels)
    begun = player.snapshot()
    first = int(np.flatnonzero(player.play(500).pulse_sixteenths[:, 0])[0])
    player.restore(begun)
    player.play(first)
    player.transmit()
    parts, done, answers = [], 0, b""
    count = len(captured.widths)
    for cycle, data in line.said:
        at = captured.frame_of(cycle) + 2
        if at > count:
            break
        parts.append(player.play(at - done))
        done = at
        player.receive(data)
        answers += player.transmit()
    parts.append(player.play(count - done))
    joined = {field: np.concatenate([getattr(part, field) for part in parts]) for field in JOINED}
    return replace(parts[0], happened=(), **joined), answers


def results(data: bytes) -> list[tuple[int, int]]:
    """The acknowledgements in what a board sent: number and result."""
    ack = catalogue().by_name["ack"].code
    frames: list[Frame] = list(FrameDecoder().feed(data))
    return [(frame.seq, frame.body[0]) for frame in frames if frame.code == ack]
