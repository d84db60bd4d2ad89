"""A board of the host build at the end of a line that flips, drops, repeats, reorders, delays and splits.

Simulated time: it passes only while the host reads. Faults come from a seed, so that a run repeats exactly.
"""

from __future__ import annotations

import heapq
import itertools
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from sequencer.board.frames import FrameDecoder
from sequencer.board.link import Link
from sequencer.board.messages import Message, catalogue, decode_body
from sequencer.board.reports import ENDED, STARTED
from sequencer.board.transport import Transport
from sequencer.errors import LinkError
from sequencer.player.machine import Machine

FRAME_S = 0.02
#: Of the line itself: a frame's bytes at 250 000 baud and the USB between, roughly.
LINE_S = 0.001
KINDS = ("flip", "drop", "repeat", "reorder", "delay", "split", "lose")


@dataclass
class Faults:
    """``odds`` of each kind of fault for each piece that is sent; ``done`` counts them by kind."""

    odds: float
    seed: int
    longest_delay_s: float = 0.3
    done: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))

    def __post_init__(self) -> None:
        self._chance = random.Random(self.seed)

    def pieces(self, data: bytes) -> list[tuple[float, bytes]]:
        """What becomes of ``data``: pieces, each with how late it comes, seconds."""
        out = [(LINE_S, data)]
        if self.odds == 0.0:
            return out
        for kind in KINDS:
            if self._chance.random() >= self.odds:
                continue
            self.done[kind] += 1
            late, piece = out[-1]
            at = self._chance.randrange(len(piece)) if piece else 0
            if kind == "flip" and piece:
                out[-1] = (
                    late,
                    piece[:at] + bytes((piece[at] ^ 1 << self._chance.randrange(8),)) + piece[at + 1 :],
                )
            elif kind == "drop":
                out[-1] = (late, piece[:at] + piece[at + 1 :])
            elif kind == "repeat":
                out.append((late + self._chance.random() * self.longest_delay_s, piece))
            elif kind == "reorder":  # behind what is sent next, if that comes soon
                out[-1] = (late + 0.004, piece)
            elif kind == "delay":
                out[-1] = (late + self._chance.random() * self.longest_delay_s, piece)
            elif kind == "split":
                out[-1] = (late, piece[:at])
                out.append((late + self._chance.random() * 0.05, piece[at:]))
            elif kind == "lose":
                out.pop()
                if not out:
                    break
        return out


class BadLine:
    """A transport to a core that was booted. ``said`` is what the board sent, unspoilt."""

    name = "a bad line"

    def __init__(self, machine: Machine, image: bytes, to_board: Faults, to_host: Faults) -> None:
        self._machine = machine
        self._image = image
        self._in, self._out = machine.call("x_in"), machine.call("x_out")
        self.to_board, self.to_host = to_board, to_host
        self.plugged = True
        self.on_frame: Callable[[], None] = lambda: None
        self._now = 0.0
        self._next_frame = FRAME_S
        self._order = itertools.count()
        self._coming: list[tuple[float, int, bool, bytes]] = []
        self._here = bytearray()
        self.said = bytearray()
        self._collect()

    def _send(self, faults: Faults, to_board: bool, data: bytes) -> None:
        if not self.plugged:
            return
        for late, piece in faults.pieces(data):
            heapq.heappush(self._coming, (self._now + late, next(self._order), to_board, piece))

    def _collect(self) -> None:
        count = self._machine.call("x_transmit")
        if count:
            data = self._machine.read(self._out, count)
            self.said += data
            self._send(self.to_host, False, data)

    def wait(self, seconds: float) -> None:
        """Let time pass; what comes meanwhile is read later."""
        self._run_until(self._now + seconds)

    def _run_until(self, end: float, until_heard: bool = False) -> None:
        while not (until_heard and self._here):
            due = self._coming[0][0] if self._coming else end + 1.0
            if min(due, self._next_frame) > end:
                break
            if due <= self._next_frame:
                self._now = max(self._now, due)
                _, _, to_board, piece = heapq.heappop(self._coming)
                if to_board:
                    self._machine.write(self._in, piece)
                    self._machine.call("x_receive", len(piece))
                    self._collect()
                else:
                    self._here += piece
            else:
                self._now = self._next_frame
                self._next_frame += FRAME_S
                self._machine.call("x_tick")
                self.on_frame()
                self._collect()
        else:
            return
        self._now = max(self._now, end)

    def write(self, data: bytes) -> None:
        self._send(self.to_board, True, data)

    def read(self, size: int, timeout_s: float) -> bytes:
        end = self._now + timeout_s
        self._run_until(end, until_heard=True)
        data = bytes(self._here[:size])
        del self._here[:size]
        return data

    def reset(self) -> None:
        """The board starts anew; nobody hears its hello."""
        self._machine.call("x_boot", len(self._image), 1, 2, 0)
        self._machine.call("x_transmit")

    def set_baud(self, baud: int) -> None:
        pass

    def close(self) -> None:
        pass

    def now_s(self) -> float:
        return self._now


class FaultyPort:
    """The same between a host and any other port, in that port's time."""

    def __init__(self, port: Transport, to_board: Faults, to_host: Faults) -> None:
        self._port = port
        self.name = port.name
        self.to_board, self.to_host = to_board, to_host
        self._order = itertools.count()
        self._leaving: list[tuple[float, int, bytes]] = []
        self._coming: list[tuple[float, int, bytes]] = []
        self._here = bytearray()
        self.said = bytearray()

    def write(self, data: bytes) -> None:
        for late, piece in self.to_board.pieces(data):
            heapq.heappush(self._leaving, (self.now_s() + late, next(self._order), piece))

    def read(self, size: int, timeout_s: float) -> bytes:
        end = self.now_s() + timeout_s
        while not self._here:
            now = self.now_s()
            while self._leaving and self._leaving[0][0] <= now:
                self._port.write(heapq.heappop(self._leaving)[2])
            while self._coming and self._coming[0][0] <= now:
                self._here += heapq.heappop(self._coming)[2]
            if now >= end or self._here:
                break
            due = min([end, *(queue[0][0] for queue in (self._leaving, self._coming) if queue)])
            data = self._port.read(255, max(0.0005, min(due - now, 0.01)))
            if data:
                self.said += data
                for late, piece in self.to_host.pieces(data):
                    heapq.heappush(self._coming, (self.now_s() + late, next(self._order), piece))
        data = bytes(self._here[:size])
        del self._here[:size]
        return data

    def wait(self, seconds: float) -> None:
        """Let time pass; what comes meanwhile is read later."""
        end = self.now_s() + seconds
        kept = bytearray()
        while (left := end - self.now_s()) > 1e-5:
            kept += self.read(255, left)
        self._here[:0] = kept

    def reset(self) -> None:
        self._port.reset()

    def set_baud(self, baud: int) -> None:
        self._port.set_baud(baud)

    def close(self) -> None:
        self._port.close()

    def now_s(self) -> float:
        return self._port.now_s()


def happened(said: bytes) -> list[Message]:
    """Every report among what a board said, as it left the board."""
    kinds = catalogue().by_code
    found = [
        Message(kinds[frame.code].name, frame.seq, decode_body(kinds[frame.code], frame.body))
        for frame in FrameDecoder().feed(said)
    ]
    return [message for message in found if message.name == "happened"]


def cue_again_and_again(
    line: BadLine | FaultyPort, link: Link, cues: int, scenes: int, seed: int
) -> Counter[str]:
    """Cue scenes by chance and hold what the board did against it; how often what came of a cue.

    Each of the scenes lasts for one common knot.
    """
    chance = random.Random(seed)
    link._seq = link._cue = 0  # which it draws by chance: the same run each time
    link.hello(quiet_s=0.5)
    asked: dict[int, int] = {}
    sure: set[int] = set()
    never: set[int] = set()
    for _ in range(cues):
        scene = chance.randrange(scenes)
        number = link._cue % 0xFFFF + 1
        asked[number] = scene
        try:
            link.cue(scene)
            sure.add(number)
        except LinkError as error:
            if "did not take" in str(error):
                never.add(number)
        line.wait(0.13)  # a scene of one common knot, and one may wait
    line.wait(3.0)
    started: Counter[int] = Counter()
    for report in happened(bytes(line.said)):
        what, cue = report.number("what"), report.number("cue")
        assert what in (STARTED, ENDED), "only cues were sent"
        assert asked[cue] == report.number("scene"), "a scene that this cue did not ask for"
        started[cue] += what == STARTED
    assert not [cue for cue, times in started.items() if times > 1], "a cue was played twice"
    assert not sure - started.keys(), "a cue was answered and not played"
    assert not never & started.keys(), "a cue was refused and played"
    unsure = asked.keys() - sure - never
    return Counter(
        played=len(sure),
        refused=len(never),
        reported_unsure=len(unsure),
        of_these_played=len(unsure & started.keys()),
    )
