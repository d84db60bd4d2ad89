"""The running link: numbered requests, answers, reports, and what a reset means.

A request is repeated with the same number until its answer comes; the board performs a number once
and repeats its answer, so a cue is performed once or reported, never twice, never lost silently. A
hello that nobody asked for is a board that was reset: whatever it was playing is interrupted, and
nothing is sent again.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Self

from sequencer.board.frames import Frame, FrameDecoder
from sequencer.board.messages import Message, Value, catalogue, decode_body, encode_body
from sequencer.board.reports import (
    BOOT,
    BROWN_OUT,
    BUSY,
    DONE,
    ENDED,
    FAULT,
    FAULTS,
    HOLD,
    IDLE,
    OTHER_BOOT,
    POWERLESS,
    RAIL_LOST,
    RESTING,
    RESULTS,
    SAGGING,
    SCENE,
    SETTLE,
    STARTED,
    STOPPED,
    SUPPLY,
    TRIPPED,
    Hello,
    Seen,
    Status,
    Step,
    Telemetry,
    events_of,
    fault_remedy,
    hello_of,
    name_of,
    news_of,
    reset_words,
    status_of,
)
from sequencer.board.transport import Transport
from sequencer.errors import Fault, LinkError, NotTakenError

#: How long one try of a live message waits: the next knot is near.
LIVE_ANSWER_S = 0.03
#: The last pulse of a figure that is laid down has ended after so long: three servo frames.
DOWN_S = 0.06
#: Loader time-out (1 s) plus the player's boot (0.7 s on an Uno: the CRC of its code); no byte is sent to a
#: board that may be in its loader.
QUIET_S = 2.2
#: Less than this is no time left: a simulated board's clock counts in whole steps.
TICK_S = 1e-5


class Link:
    """Talks to the player over a transport. Times are the transport's (board) seconds.

    Args:
        transport: an open port.
        answer_s: how long one try waits for its answer (the player answers within a servo frame).
        tries: how often a request is sent before the board counts as silent.
        starts_s: for how much longer than others this board is deaf once it was reset: it reads through its
            I2C memory first.

    """

    def __init__(
        self, transport: Transport, *, answer_s: float = 0.15, tries: int = 10, starts_s: float = 0.0
    ) -> None:
        self._port = transport
        self._answer_s = answer_s
        self._tries = tries
        self._starts_s = starts_s
        # By chance: an earlier program's last request must not look like our first one repeated.
        self._seq = random.randrange(256)
        self._cue = random.randrange(0xFFFF)
        self._taken_cue: int | None = None  # the last one that the board has taken, from its status
        self._decoder = FrameDecoder()
        self._inbox: deque[Message] = deque()
        self._reports: deque[Message] = deque()
        self._met = False
        self._boot = 0
        self._answered_s = transport.now_s()
        transport.set_baud(catalogue().baud)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let the port go."""
        self._port.close()

    @property
    def damaged_frames(self) -> int:
        """Frames that arrived broken: a measure of the cable's health."""
        return self._decoder.damaged

    # -- first contact ---------------------------------------------------------------------------

    def listen_for_hello(self, quiet_s: float = QUIET_S) -> Hello | None:
        """The hello that a board reset just now sends by itself, or None; sends nothing."""
        return self._listen(quiet_s + self._starts_s)

    def _listen(self, quiet_s: float) -> Hello | None:
        end = self._port.now_s() + quiet_s
        while (left := end - self._port.now_s()) >= TICK_S:
            for message in self._receive(min(left, 0.05)):
                if message.name == "hello":
                    return hello_of(message)
        return None

    def hello(self, *, quiet_s: float = QUIET_S, wait_s: float = 3.0) -> Hello:
        """First contact, or a fresh look: who is there.

        On first contact it listens for ``quiet_s`` first, because opening the port may have reset the
        board and its loader must not be talked to; then it asks for up to ``wait_s`` and the ``starts_s`` of
        this board.

        Raises:
            LinkError: nobody answers, or the player speaks another version of the link.

        """
        if not self._met:
            self._listen(quiet_s)
        end = self._port.now_s() + wait_s + self._starts_s
        while True:
            # The first number may by chance be the last one that an earlier program used: the board
            # then repeats that old answer. Two different numbers in a row cannot both be.
            answers = [self._try("ask_hello", {}) for _ in range(1 if self._met else 2)]
            if answers[-1] is not None and answers[-1].name == "hello":
                break
            if self._port.now_s() >= end:
                raise self._silent("ask_hello")
        met = hello_of(answers[-1])
        expected = catalogue().protocol
        if met.protocol != expected:
            raise LinkError(
                Fault(
                    f"the player on {self._port.name} speaks another version of the link",
                    quantity="link version",
                    value=str(met.protocol),
                    limit=str(expected),
                    remedy="run `quarterjack flash` to put this version's player on the board",
                )
            )
        if not self._met:
            self._met = True
            self._reports = deque(report for report in self._reports if report.name != "hello")
        self._boot = met.boot
        return met

    # -- requests --------------------------------------------------------------------------------

    def request(self, name: str, **fields: Value) -> Message:
        """Send a request until it is answered; the answer.

        Raises:
            LinkError: silent board, a cable that went away, a reset, or an answer that refuses.

        """
        answer = self._try(name, fields, tries=self._tries)
        if answer is None:
            raise self._silent(name)
        return self._taken(name, answer)

    def glance(self, name: str, **fields: Value) -> Message | None:
        """Ask once, with no time to spare; None when no answer came at once.

        Raises:
            LinkError: as :meth:`request`, but for a board that is silent.

        """
        answer = self._try(name, fields, answer_s=LIVE_ANSWER_S)
        return None if answer is None else self._taken(name, answer)

    def _taken(self, name: str, answer: Message) -> Message:
        kind = catalogue().by_name[name]
        if answer.name == "ack" and (result := answer.number("result")) != 0:
            if result == OTHER_BOOT:
                raise self._reset_unheard("its hello was not heard: the boot's number has changed")
            raise NotTakenError(f"the board did not take {name!r}: {name_of(RESULTS, result)}")
        if answer.name != kind.answer:
            raise NotTakenError(
                f"the board answered {name!r} with {answer.name!r} instead of {kind.answer!r}"
            )
        return answer

    def cue(self, scene: int, repeats: int = 1) -> int:
        """Play a scene; the cue's number, which reports echo. ``repeats`` 0 = until another cue."""
        taken = self.status().cue if self._taken_cue is None else self._taken_cue
        self._cue = self._cue % 0xFFFF + 1
        if self._cue == taken:  # the board would take it for a copy
            self._cue = self._cue % 0xFFFF + 1
        self.request("cue", cue=self._cue, scene=scene, repeats=repeats, boot=self._boot)
        return self._cue

    def hold(self) -> None:
        """Everything to a stop by the stored stop, and stay."""
        self.request("hold")

    def resume(self) -> None:
        """After a hold: to rest, then idle."""
        self.request("resume")

    def park(self) -> None:
        """To a stop as :meth:`hold`, then every track to its parked pose, where it loses its pulses."""
        self.request("park")

    def release(self) -> None:
        """Take the pulses of balanced tracks that rest; they come back before anything moves.

        Raises:
            LinkError: refused, when none rests or none is balanced.
        """
        self.request("release")

    def status(self) -> Status:
        """What the board is doing."""
        found = status_of(self.request("ask_status"))
        self._taken_cue = found.cue
        return found

    def telemetry(self) -> Telemetry:
        """How the board is."""
        answer = self.request("ask_telemetry")
        numbers = {name: answer.number(name) for name in answer.fields}
        mv, ma = (None if (value := numbers.pop(name)) == 0xFFFF else value for name in SUPPLY)
        return Telemetry(**numbers, supply_mv=mv, supply_ma=ma)

    def live(self, track: int, at: int, points: Sequence[int]) -> int:
        """Points of one track while live control plays, from number ``at`` on; the board's result.

        ``LATE``: that point is played already; no points: only a sign of life.
        """
        fields: dict[str, Value] = {"track": track, "at": at & 0xFFFF, "points": tuple(points)}
        answer = self._try("live", fields, 5 * self._tries, LIVE_ANSWER_S)
        if answer is None:
            raise self._silent("live")
        return answer.number("result")

    def workshop(self, timeout_s: float = 60.0) -> None:
        """Lay the figure down for the bench, after a hold where something plays; a reset ends it.

        Raises:
            LinkError: the board is in a fault, or does not come to rest.

        """
        end = self._port.now_s() + timeout_s
        while True:
            answer = self._try("workshop", {}, tries=self._tries)
            if answer is None:
                raise self._silent("workshop")
            result = answer.number("result")
            if result == DONE:
                self.reports(DOWN_S)
                return
            now = self.status()
            if result != BUSY or now.state == FAULT:
                why = name_of(FAULTS, now.fault) if now.state == FAULT else name_of(RESULTS, result)
                raise LinkError(
                    Fault(
                        f"the board on {self._port.name} cannot be laid down: {why}",
                        remedy=fault_remedy(now.fault) if now.state == FAULT else None,
                    )
                )
            if self._port.now_s() >= end:
                raise LinkError(f"the board does not come to rest within {timeout_s:.0f} s")
            if now.state != HOLD:
                self.hold()
            self.reports(0.1)

    def bench_servo(self, pin: int, pulse_us: int) -> None:
        """A pulse on a pin, after :meth:`workshop` or on a board without a show; 0 stops it."""
        self.request("bench_servo", pin=pin, pulse_us=pulse_us)

    def bench_lamp(self, pin: int, lightness: int) -> None:
        """Lightness 0..200 (half per cents of L*) on a pin, as :meth:`bench_servo`."""
        self.request("bench_lamp", pin=pin, lightness=lightness)

    def bench_expander(self, address: int, prescale: int, scale: int) -> None:
        """Pins 128 to 143 of :meth:`bench_servo` are this expander from now on; ``scale`` as in the image."""
        self.request("bench_expander", address=address, prescale=prescale, scale=scale)

    def edges(self, pin: int) -> int:
        """How often a pin has risen since it was first asked about, modulo 65536."""
        return self.request("ask_edges", pin=pin).number("edges")

    def learn(self, learning: bool) -> None:
        """While learning, the stall guard applies only its ceilings."""
        self.request("set_guard", learning=int(learning))

    def seen(self, sensor: int) -> Seen:
        """What a sensor of the stall guard saw last."""
        answer = self.request("ask_guard", sensor=sensor)
        now = answer.number("now")
        return Seen(
            sensor=answer.number("sensor"),
            sensors=answer.number("sensors"),
            scene=answer.number("scene"),
            slice=answer.number("slice"),
            peak=answer.number("peak"),
            now=None if now == 0xFFFF else now,
        )

    def block(self, at: int, content: bytes) -> None:
        """Sixteen bytes for the board's I2C memory, at a multiple of sixteen; while it waits for them."""
        a, b, c, d = (int.from_bytes(content[i : i + 4], "little") for i in (0, 4, 8, 12))
        self.request("block", at=at, a=a, b=b, c=c, d=d)

    def memory(self, at: int) -> bytes:
        """Sixteen bytes of the memory that needs no power, from ``at`` on."""
        answer = self.request("ask_memory", at=at)
        return b"".join(answer.number(f"bytes_{part}").to_bytes(4, "little") for part in (0, 4, 8, 12))

    def keep(self, at: int, value: int, tries: int = 50) -> None:
        """Write a byte of that memory, waiting while the one before it is being written (3.4 ms)."""
        for _ in range(tries):
            answer = self._try("keep_memory", {"at": at, "value": value}, tries=self._tries)
            if answer is None:
                raise self._silent("keep_memory")
            result = answer.number("result")
            if result == DONE:
                return
            if result != BUSY:
                raise LinkError(f"the board did not take 'keep_memory': {name_of(RESULTS, result)}")
        raise LinkError(f"the board's memory stays busy: byte {at} was not written in {tries} tries")

    def check_boot(self) -> None:
        """Whether the board still runs as it did when it was met.

        Raises:
            LinkError: it was reset, and nobody heard its hello.

        """
        answer = self._try("ask_hello", {}, tries=self._tries)
        if answer is not None and answer.name == "hello" and answer.number("boot") != self._boot:
            raise _was_reset(answer.number("reset_cause"), "its hello was not heard")

    def now_s(self) -> float:
        """Seconds of the clock by which answers are awaited: the host's, or a simulated board's."""
        return self._port.now_s()

    def silent_s(self) -> float:
        """Seconds since the last request was answered."""
        return self._port.now_s() - self._answered_s

    # -- reports ---------------------------------------------------------------------------------

    def reports(self, timeout_s: float = 0.0) -> list[Message]:
        """Reports that came unasked since the last call, waiting up to ``timeout_s`` for the first."""
        end = self._port.now_s() + timeout_s
        while not self._reports:
            left = end - self._port.now_s()
            self._inbox.extend(self._receive(max(0.0, min(left, 0.05))))
            if left < TICK_S:
                break
        found = list(self._reports)
        self._reports.clear()
        return found

    def wait_ready(
        self,
        timeout_s: float = 60.0,
        *,
        held: bool = True,
        listen: Callable[[float], object] | None = None,
    ) -> Status:
        """Wait until the board has settled: idle, in a scene, or (when ``held``) in hold.

        ``listen`` lets so many seconds pass; left out, what the board reports meanwhile is dropped.

        Raises:
            LinkError: the board is in fault or hold, or never gets ready.

        """
        end = self._port.now_s() + timeout_s
        while True:
            now = self.status()
            if now.state == FAULT:
                raise self._in_fault(now)
            if now.state in (IDLE, SCENE) or (held and now.state == HOLD):
                return now
            if self._port.now_s() >= end:
                raise LinkError(f"the board stays in {now.state_words!r} for more than {timeout_s:.0f} s")
            (listen or self.reports)(0.1)

    def _in_fault(self, now: Status) -> LinkError:
        return LinkError(
            Fault(
                f"the board on {self._port.name} is in fault: {name_of(FAULTS, now.fault)}",
                remedy=fault_remedy(now.fault),
            )
        )

    def wait_held(self, timeout_s: float = 60.0, *, parked: bool = False) -> Status:
        """Wait, after :meth:`hold` or :meth:`park`, until everything stands; ``parked``: and has no pulses.

        Raises:
            LinkError: the board is in fault, the servos lost their power, or it does not come to that.

        """
        end = self._port.now_s() + timeout_s
        while True:
            now = self.status()
            if now.state == FAULT:
                raise self._in_fault(now)
            if now.stands_held and (now.parked or not parked):
                return now
            for told in map(news_of, self.reports(0.1)):
                if told is not None and told.what == RAIL_LOST:
                    raise LinkError(told.words)
            if self._port.now_s() >= end:
                raise LinkError(
                    f"the figure does not {'park' if parked else 'come to a stop'} within {timeout_s:.0f} s: "
                    f"the board is in {now.state_words!r}"
                )

    def follow(self, cue: int, scene: int, *, every_s: float = 0.2, start_s: float = 60.0) -> Iterator[Step]:
        """Look at a cue until it ends; the last step carries the outcome.

        A report may be lost on the line; the status, which is asked and answered, decides then.

        Raises:
            LinkError: the board was reset or another cue took over, or the scene never started.

        """
        started = False
        begin = self._port.now_s()
        while True:
            outcome = None
            reports = self.reports(every_s)
            trips, news = events_of(reports)
            for report in reports:
                if report.name != "happened" or report.number("cue") != cue:
                    continue
                what = report.number("what")
                if what in (TRIPPED, RESTING):
                    continue  # there `cue` is something else
                started = started or what in (STARTED, ENDED, STOPPED)
                outcome = {ENDED: "played", STOPPED: "stopped"}.get(what, outcome)
            status = self.status()
            # The board tells the loss first and then that the scene is stopped by it. A scene that had ended
            # before has lost nothing.
            if outcome != "played" and any(told.what == RAIL_LOST for told in news):
                outcome = POWERLESS
            if outcome is not None:
                yield Step(status, outcome, trips, news)
                return
            # A cue that waits for its knot is not yet the board's; one that plays is. A board that boots
            # was reset, though its hello was lost.
            if status.state in (BOOT, SETTLE, FAULT) or (started and status.cue != cue):
                raise self._interrupted(cue, status)
            if status.state == HOLD:
                yield Step(status, "stopped", trips, news)
                return
            here = status.state == SCENE and status.scene == scene and status.cue == cue
            if started and not here:
                yield Step(status, "played", trips, news)
                return
            started = started or here
            if not started and self._port.now_s() - begin > start_s:
                raise LinkError(f"the scene did not start within {start_s:.0f} s of its cue")
            yield Step(status, None, trips, news)

    # -- the line --------------------------------------------------------------------------------

    def _try(
        self, name: str, fields: dict[str, Value], tries: int = 1, answer_s: float | None = None
    ) -> Message | None:
        kind = catalogue().by_name[name]
        body = encode_body(kind, fields)
        self._seq = self._seq % 255 + 1
        frame = Frame(self._seq, kind.code, body).encode()
        self._inbox.clear()
        for _ in range(tries):
            self._port.write(frame)
            end = self._port.now_s() + (answer_s or self._answer_s)
            while True:
                while self._inbox:
                    message = self._inbox.popleft()
                    if message.seq == self._seq:
                        self._answered_s = self._port.now_s()
                        return message
                left = end - self._port.now_s()
                if left < TICK_S:
                    break
                self._inbox.extend(self._receive(left))
        return None

    def _receive(self, timeout_s: float) -> list[Message]:
        """Answers that arrived; reports go to their queue. Returns early when something came."""
        answers: list[Message] = []
        data = self._port.read(1, timeout_s)
        if data:
            data += self._port.read(255, 0.0)
        for frame in self._decoder.feed(data):
            kind = catalogue().by_code.get(frame.code)
            if kind is None or kind.to != "host":
                continue
            message = Message(kind.name, frame.seq, decode_body(kind, frame.body))
            if frame.seq != 0 or (not self._met and kind.name == "hello"):
                answers.append(message)
            elif kind.name == "hello":
                raise _was_reset(message.number("reset_cause"))
            else:
                self._reports.append(message)
        return answers

    def _reset_unheard(self, how_known: str) -> LinkError:
        """A reset whose hello was lost: the board is asked why it came."""
        answer = self._try("ask_hello", {}, tries=self._tries)
        asked = answer is not None and answer.name == "hello"
        return _was_reset(answer.number("reset_cause") if answer is not None and asked else 0, how_known)

    def _interrupted(self, cue: int, status: Status) -> LinkError:
        """Why a followed cue is not the board's any more, when no reset explains it."""
        self.check_boot()
        return LinkError(
            Fault(
                f"the cue was interrupted: the board is in {status.state_words}, its last cue "
                f"is {status.cue}, not {cue}",
                remedy="another program, an input, a reset or a lost servo supply came between; "
                "nothing was sent again",
            )
        )

    def _silent(self, name: str) -> LinkError:
        return LinkError(
            Fault(
                f"the board on {self._port.name} does not answer ({name}, {self._tries} tries)",
                value=f"{self._decoder.damaged} damaged frames arrived",
                remedy="is the player on it (`quarterjack flash`)? is another program using the port? "
                "is the cable a charge-only one?",
            )
        )


def _was_reset(cause: int, how_known: str = "") -> LinkError:
    """A reset while something was asked for; a sagging supply is told apart where the loader lets it show."""
    why = reset_words(cause)
    value = f"{how_known}; reset cause: {why}" if how_known else f"reset cause: {why}"
    if why == BROWN_OUT:
        return LinkError(
            Fault(
                "board reset by a sagging supply (brown-out); the cue was interrupted",
                value=value,
                remedy=f"{SAGGING}; nothing is sent again by itself",
            )
        )
    return LinkError(
        Fault(
            "board reset; the cue was interrupted",
            value=value,
            remedy="look for a brown-out (servos on the board's own 5 V), a loose cable, "
            "or another program opening the port; nothing is sent again by itself",
        )
    )
