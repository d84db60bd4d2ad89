"""What a board tells of itself, as values and in words: hello, status, telemetry, news, faults, remedies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from sequencer.board.messages import Message

STATES = ("boot", "settle", "idle", "scene", "hold", "fault")
FAULTS = (
    "none",
    "no show on the board",
    "the show was made for another version of the player",
    "the show on the board is damaged (its checksum differs)",
    "the show on the board has content this player cannot play",
    "the show was made for another kind of board",
    "its program hung again and again; every output is dead until a reset",
    "its memory is damaged (the stack met the variables); every output is dead until a reset",
    "an expander does not answer",
    "the show's blocks did not come in time",
    "the show on the board has changed since it started; every output is dead until a reset",
    "laid down for the workshop; a reset brings the show back",
)
_FLASH = "quarterjack flash SHOW, with the same --port"
_MEMORY = "if the figure has an I2C memory, look at its wires (SDA, SCL, supply) first"
_AGAIN = "reset the board; if it comes again, quarterjack flash SHOW --force"
#: What to do about each of them, in the same order.
FAULT_REMEDIES = (
    "",
    _FLASH,
    _FLASH,
    f"{_FLASH}; {_MEMORY}",
    f"run quarterjack check SHOW, then {_FLASH}",
    f"write the board's kind into figure.toml, then {_FLASH}",
    _AGAIN,
    _AGAIN,
    "look at the expander's SDA and SCL, their pull-up resistors, its ground, supply and address jumpers; "
    "then reset the board",
    _AGAIN,
    f"{_AGAIN}; {_MEMORY}",
    "reset the board",
)
#: The answer to a cue meant for an earlier boot.
OTHER_BOOT = 5
RESULTS = ("done", "busy", "refused", "unknown to the player", "bad argument", "reset since", "too late")
BOOT, SETTLE, IDLE, SCENE, HOLD, FAULT = range(6)
STARTED, ENDED, STOPPED, TRIGGERED, TRIPPED, RAIL_LOST, RAIL_BACK, EXPANDER_LOST, RESTING = range(1, 10)
#: How a followed cue may end, beside "played" and "stopped": the servos lost their supply.
POWERLESS: Final = "without power"
DONE, BUSY, LATE = 0, 1, 6
#: What telemetry may not know.
SUPPLY = ("supply_mv", "supply_ma")
#: As a scene: the host moves the figure, live; nothing plays.
LIVE, NO_SCENE = 254, 255


def name_of(names: tuple[str, ...], number: int) -> str:
    """The word for a number; a number from a newer board has none."""
    return names[number] if number < len(names) else f"number {number}"


def fault_remedy(fault: int, show: str = "SHOW") -> str:
    """What to do about a board's fault, for a builder with this show folder."""
    return name_of(FAULT_REMEDIES, fault).replace("SHOW", show)


BROWN_OUT = "brown-out"
#: What to do about one.
SAGGING = (
    "servos that set off pull the board's supply down: give them a supply of their own, strong enough and "
    "with its ground joined to the board's, and a capacitor of 1000 uF or more where they branch off"
)
#: MCUSR's bits (ATmega328P datasheet, "MCU Status Register"), the cause that explains the others first.
RESETS = ((0x01, "power-on"), (0x04, BROWN_OUT), (0x08, "the watchdog ended a hang"), (0x02, "reset line"))


def reset_words(cause: int) -> str:
    """The reset cause of a hello in plain words; bit 7 only says who told it.

    A loader that leaves by its own watchdog shows that and the reset line together: then it was the line.
    """
    bits = cause & 0x02 if cause & 0x0A == 0x0A else cause
    return next((words for bit, words in RESETS if bits & bit), "not known")


@dataclass(frozen=True)
class Hello:
    """Who the board is and what it carries; ``state`` and ``fault`` are the core's numbers."""

    protocol: int
    player_version: int
    board: int
    reset_cause: int
    state: int
    fault: int
    image_crc: int
    player_crc: int
    boot: int
    figure: str

    @property
    def fault_words(self) -> str:
        """The fault in plain words."""
        return name_of(FAULTS, self.fault)

    @property
    def reset_words(self) -> str:
        """Why the board last started, as far as its boot loader lets it know."""
        return reset_words(self.reset_cause)

    @property
    def pose_unknown(self) -> bool:
        """Whether the servos may be anywhere: the board had no power before, or cannot tell.

        After a reset alone they stand near where the last pulse left them. What a board keeps of its pulses
        is not believed after a brown-out either.
        """
        return self.reset_words in ("power-on", BROWN_OUT, "not known")


@dataclass(frozen=True)
class Status:
    """What the board is doing; ``frame`` of ``frames`` in ``scene`` (255 = none).

    ``parked``: 1 once a park has ended, so that nothing has pulses any more.
    """

    state: int
    fault: int
    scene: int
    frame: int
    frames: int
    cue: int
    repeats_left: int
    late_frames: int
    parked: int = 0

    @property
    def state_words(self) -> str:
        """The state in one word."""
        return "parked" if self.parked else name_of(STATES, self.state)

    @property
    def stands_held(self) -> bool:
        """Whether a hold's stop is over: nothing plays any more."""
        return self.state == HOLD and self.scene == NO_SCENE


@dataclass(frozen=True)
class Telemetry:
    """How the board is: ``clock`` counts frames since its boot, ``worst_latency`` cycles of the pulses' lead.

    ``late_frames`` were not worked out in time, ``damaged`` frames of the link came broken.
    ``supply_mv`` and ``supply_ma`` are None where nothing measures them.
    """

    state: int
    fault: int
    scene: int
    clock: int
    supply_mv: int | None
    supply_ma: int | None
    late_frames: int
    worst_latency: int
    damaged: int


@dataclass(frozen=True)
class Trip:
    """The stall guard tripped: which sensor, and in which frame of which scene (255: between scenes)."""

    sensor: int
    scene: int
    frame: int


@dataclass(frozen=True)
class News:
    """What the board told of itself: ``what`` is RAIL_LOST, RAIL_BACK, EXPANDER_LOST or RESTING.

    ``number`` is the input that senses the supply, the expander, or the seconds of rest.
    """

    what: int
    number: int

    @property
    def words(self) -> str:
        """What it means, in plain words."""
        if self.what == RAIL_LOST:
            return "the servos lost their power: every pulse is off, and a head that is not held falls"
        if self.what == RAIL_BACK:
            return "the servos have their power again: the figure settles, and nothing is resumed"
        if self.what == EXPANDER_LOST:
            return (
                f"expander {self.number} no longer answers: what hangs on it does not move; look at its cable"
            )
        return f"the duty limit is reached: the figure rests for {self.number} s, and cues are told busy"


@dataclass(frozen=True)
class Seen:
    """What a sensor of the stall guard saw: its largest value in a slice that is over, and what it is now.

    ``sensor`` is 255 when there is no such; ``scene`` 255 between scenes; ``now`` in mA or mV, None unknown.
    """

    sensor: int
    sensors: int
    scene: int
    slice: int
    peak: int
    now: int | None


@dataclass(frozen=True)
class Step:
    """One look at a followed cue: the status, how it ended ("played", "stopped", "without power"), what
    tripped meanwhile, and what else the board told."""

    status: Status
    outcome: str | None = None
    trips: tuple[Trip, ...] = ()
    news: tuple[News, ...] = ()


def events_of(reports: Iterable[Message]) -> tuple[tuple[Trip, ...], tuple[News, ...]]:
    """What among the board's reports is no scene's: trips of the stall guard, and news of itself."""
    trips: tuple[Trip, ...] = ()
    news: tuple[News, ...] = ()
    for report in reports:
        if report.name == "happened" and report.number("what") == TRIPPED:
            trips += (Trip(report.number("input"), report.number("scene"), report.number("cue")),)
        elif (told := news_of(report)) is not None:
            news += (told,)
    return trips, news


def news_of(message: Message) -> News | None:
    """What a report tells of the board itself; None for one of a scene, an input or the stall guard."""
    if message.name != "happened":
        return None
    what = message.number("what")
    if what in (RAIL_LOST, RAIL_BACK, EXPANDER_LOST):
        return News(what, message.number("input"))
    return News(what, message.number("cue")) if what == RESTING else None


def hello_of(message: Message) -> Hello:
    """A hello message as a value."""
    return Hello(
        **{name: message.number(name) for name in message.fields if name != "figure"},
        figure=message.words("figure"),
    )


def status_of(message: Message) -> Status:
    """A status message as a value."""
    return Status(**{name: message.number(name) for name in message.fields})
