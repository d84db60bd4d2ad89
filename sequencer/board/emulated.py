"""A board without a board: the real firmware, cycle by cycle.

:class:`EmulatedBoard` is the board: flash, pins (every edge with its cycle), lamps, inputs, serial line.
``emulated_port.EmulatedTransport`` is its port, ``simavr_pty.serve`` offers it to other programs.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from sequencer.board.emulated_kinds import UNO, BoardKind, port_address
from sequencer.board.i2c import I2cBus
from sequencer.board.simavr import F_CPU, Simavr
from sequencer.errors import Fault, ImageError, PortError

_EXTERNAL_RESET: Final = 0x02
_POWER_ON: Final = 0x01
_BROWN_OUT: Final = 0x04
#: Cycles that pass before inputs are held again.
CHUNK: Final = F_CPU // 1000
#: Of the Uno: one PWM period of Timer0 and Timer2 at prescaler 8, and the pins that they drive.
PWM_PERIOD: Final = 2048
LAMP_PINS: Final = tuple(UNO.lamps)
_WDTCSR: Final = 0x60
_UCSR0A, _UCSR0B, _UBRR0L, _UBRR0H = 0xC0, 0xC1, 0xC4, 0xC5


@dataclass(frozen=True)
class Edge:
    """A pin's change: at which cycle (16 a microsecond), which pin, to which level."""

    cycle: int
    pin: int
    level: int


@dataclass(frozen=True)
class Pulse:
    """A high pulse: cycles of its two edges, and its width in sixteenths of a microsecond."""

    start: int
    end: int

    @property
    def width(self) -> int:
        """Cycles, which are sixteenths of a microsecond."""
        return self.end - self.start


def hex_segments(
    text: str, name: str = "hex file", flash_bytes: int = UNO.flash_bytes
) -> list[tuple[int, bytes]]:
    """Intel HEX to (address, bytes) pieces, checksums verified.

    Raises:
        ImageError: a damaged record, an unknown type or an address beyond the chip's flash.
    """
    pieces: list[tuple[int, bytes]] = []
    base = 0
    for number, line in enumerate(text.split(), start=1):
        try:
            record = bytes.fromhex(line[1:])
        except ValueError:
            record = b""
        if line[:1] != ":" or len(record) < 5 or len(record) != record[0] + 5 or sum(record) & 0xFF:
            raise ImageError(Fault("a damaged hex record", file=name, line=number, text=line[:60]))
        address, kind, content = base + int.from_bytes(record[1:3], "big"), record[3], record[4:-1]
        if kind == 0:
            if address + len(content) > flash_bytes:
                raise ImageError(
                    Fault(
                        "a hex record beyond the chip's flash",
                        file=name,
                        line=number,
                        value=f"0x{address:x}",
                        limit=f"0x{flash_bytes - 1:x}",
                    )
                )
            pieces.append((address, content))
        elif kind == 1:
            return pieces
        elif kind in (2, 4):
            base = int.from_bytes(content, "big") << (4 if kind == 2 else 16)
        elif kind not in (3, 5):
            raise ImageError(Fault(f"a hex record of unknown type {kind}", file=name, line=number))
    raise ImageError(Fault("a hex file without its end record", file=name))


class EmulatedBoard:
    """The board (an Uno, unless said otherwise): chip at 16 MHz, pins and, when given, boot loader.

    ``loader`` is the boot loader's Intel HEX text; without one a reset starts the program at 0.

    Raises:
        PortError: libsimavr is absent or of another version.
    """

    def __init__(self, loader: str | None = None, kind: BoardKind = UNO) -> None:
        self.kind = kind
        self.chip = Simavr(kind.mcu, kind.flash_bytes)
        self._start = 0
        if loader is not None:
            self.load_hex(loader)
            self._start = kind.loader_start
        self.edges: list[Edge] = []
        self.lamp_samples: list[tuple[int, tuple[int, ...]]] = []
        self.sent: deque[int] = deque()
        self.sent_at: list[int] | None = None
        self.host_baud: int | None = None
        self.overruns = 0
        self._levels: dict[int, int] = {}
        self._driven: dict[str, dict[int, int]] = {letter: {} for letter in kind.port_letters}
        self._incoming: deque[int] = deque()
        self._feeding = False
        self._put = self.chip.serial_input()
        self._feeder = self.chip.timer(self._feed_one)
        self._sampling = False
        self._period = 8 * (kind.lamp_top + 1)
        self.i2c = I2cBus()
        self.chip.on_i2c(self.i2c)
        self.chip.on_serial(self._collect)
        self.power_on()

    # -- program and time

    def load_hex(self, text: str, name: str = "hex file") -> None:
        """Put an Intel HEX file into flash."""
        for address, content in hex_segments(text, name, self.kind.flash_bytes):
            self.chip.load(address, content)

    def load(self, address: int, content: bytes) -> None:
        """Put bytes into flash, past the loader: for tests that are not about flashing."""
        self.chip.load(address, content)

    @property
    def cycle(self) -> int:
        """Cycles since power-on."""
        return self.chip.cycle

    def run(self, cycles: int) -> None:
        """Let ``cycles`` pass."""
        end = self.chip.cycle + cycles
        while (now := self.chip.cycle) < end:
            self._hold_inputs()
            self.chip.run_until(min(end, now + CHUNK))
            self._watch_dog()

    def _watch_dog(self) -> None:
        """A watchdog's interrupt that nobody serves is followed by its reset; the library goes on waiting.

        "If the interrupt is not executed before the next time-out, a System Reset will be applied"
        (ATmega328P datasheet, WDTCSR). With the interrupt's enable bit away the library comes to that.
        """
        if self.chip.data[_WDTCSR] & 0xC8 == 0xC8:  # flag, interrupt enabled, reset enabled
            self.chip.data[_WDTCSR] &= ~0x40

    def _hold_inputs(self) -> None:
        """A reset, the watchdog's too, clears the library's input registers behind the pins' back."""
        for port, levels in self._driven.items():
            address = port_address(port) - 2
            for bit, level in levels.items():
                held = self.chip.data[address] & ~(1 << bit)
                self.chip.data[address] = held | (level << bit)

    def run_s(self, seconds: float) -> None:
        """Let seconds of the board's time pass."""
        self.run(round(seconds * F_CPU))

    def power_on(self) -> None:
        """Power-on reset: RAM as it is, the loader skips straight to the program."""
        self._restart(_POWER_ON)

    def reset(self) -> None:
        """Pull the reset line: the loader runs first when there is one."""
        self._restart(_EXTERNAL_RESET)

    def brown_out(self) -> None:
        """The chip's detector resets it because the supply sagged; RAM stays as it is."""
        self._restart(_BROWN_OUT)

    def _restart(self, cause: int) -> None:
        self.chip.reset(self._start, cause)
        for pin in self.kind.i2c:  # the library forgets that its pull-up must be felt again
            self.chip.nudge(*self.kind.port_bit(pin), 0)
        self._incoming.clear()
        self._feeding = False
        if self._sampling:
            self.chip.start(self._period, self._sampler)
        for port, levels in self._driven.items():
            if levels:
                self.chip.drive(port, levels)

    # -- pins

    def capture(self, pins: Iterable[int]) -> None:
        """Record every edge of these pins in :attr:`edges` from now on."""
        for pin in pins:
            if pin in self._levels:
                continue
            self._levels[pin] = self.port_level(pin) if self.is_output(pin) else 0
            port, bit = self.kind.port_bit(pin)
            self.chip.on_pin(port, bit, self._watcher(pin))

    def _watcher(self, pin: int) -> Callable[[int], None]:
        levels, edges, chip = self._levels, self.edges, self.chip

        def changed(raised: int) -> None:
            level = raised & 1  # a timer's output comes with a flag
            if levels[pin] != level:  # the library repeats levels at each write to the port
                levels[pin] = level
                edges.append(Edge(chip.cycle, pin, level))

        return changed

    def pulses(self, pin: int) -> list[Pulse]:
        """The complete high pulses captured on a pin, in order."""
        found: list[Pulse] = []
        start: int | None = None
        for edge in self.edges:
            if edge.pin != pin:
                continue
            if edge.level:
                start = edge.cycle
            elif start is not None:
                found.append(Pulse(start, edge.cycle))
                start = None
        return found

    def drive(self, pin: int, level: int | None) -> None:
        """Hold an input pin at a level from outside; None lets it go (its pull-up, when on, takes over)."""
        port, bit = self.kind.port_bit(pin)
        if level is None:
            self._driven[port].pop(bit, None)
        else:
            self._driven[port][bit] = level
        self.chip.drive(port, self._driven[port])
        if level is None and not self.is_output(pin):
            self.chip.nudge(port, bit, self.port_level(pin))

    def analog(self, pin: int, millivolts: float) -> None:
        """Hold an analog pin (A0 = 14, on a Mega 54) at a voltage; the reference is 5000 mV."""
        channel = pin - self.kind.first_analog
        if channel not in range(16):
            raise PortError(Fault(f"{self.kind.title} has no such analog pin", value=str(pin)))
        self.chip.analog(channel, round(millivolts))

    def port_level(self, pin: int) -> int:
        """The PORT bit of a pin: its level when it is an output, its pull-up when an input."""
        port, bit = self.kind.port_bit(pin)
        return int(self.chip.data[port_address(port)] >> bit) & 1

    def is_output(self, pin: int) -> bool:
        """Whether the pin's direction bit is set."""
        port, bit = self.kind.port_bit(pin)
        return bool((self.chip.data[port_address(port) - 1] >> bit) & 1)

    # -- lamps

    def sample_lamps(self) -> None:
        """Record each lamp pin's high time of 256 once a PWM period in :attr:`lamp_samples`."""
        if not self._sampling:
            self._sampling = True
            self._sampler = self.chip.timer(self._sample)
            self.chip.start(self._period, self._sampler)

    def _sample(self, when: int) -> int:
        self.lamp_samples.append((when, tuple(self.lamp_high(pin) for pin in self.kind.lamps)))
        return when + self._period

    def lamp_high(self, pin: int) -> int:
        """How many of a PWM period's steps the pin is high, from the timer's registers.

        Fast PWM: set at the compare match and cleared at the bottom when inverted (COM = 3), the
        other way round at COM = 2; a compare value equal to the top never matches before the bottom
        (ATmega328P datasheet, output compare unit, extreme values).
        """
        timer, top, data = self.kind.lamps[pin], self.kind.lamp_top, self.chip.data
        mode = (data[timer.control] >> timer.shift) & 3
        value = int(data[timer.compare]) | (int(data[timer.compare + 1]) << 8 if top > 255 else 0)
        if not self.is_output(pin):
            return 0
        if mode == 3:
            return top - value
        if mode == 2:
            return value + 1
        return (top + 1) * self.port_level(pin)

    # -- serial line

    @property
    def board_baud(self) -> float:
        """The serial speed that the program has set, in bits per second (0 while receive is off)."""
        data = self.chip.data
        if not data[_UCSR0B] & 0x18:
            return 0.0
        return F_CPU / self._clocks_per_bit()

    def _clocks_per_bit(self) -> int:
        data = self.chip.data
        divisor = int(data[_UBRR0L]) + (int(data[_UBRR0H] & 0x0F) << 8) + 1
        return divisor * (8 if data[_UCSR0A] & 2 else 16)

    def _heard(self, byte: int) -> int:
        """What the other end makes of a byte: noise when the two speeds differ by over 4 %."""
        if self.host_baud is None or abs(self.board_baud / self.host_baud - 1.0) <= 0.04:
            return byte
        return (byte * 37 + 0x5B) & 0xFF

    def feed(self, data: bytes) -> None:
        """Send bytes to the board, one after another at the line's own speed."""
        self._incoming.extend(data)
        if not self._feeding and self._incoming:
            self._feeding = True
            self.chip.start(self._byte_cycles(), self._feeder)

    def _byte_cycles(self) -> int:
        return 11 * self._clocks_per_bit()  # the library's frames have 11 bits

    def _feed_one(self, when: int) -> int:
        """Put the next byte on the line."""
        if not self._incoming:
            self._feeding = False
            return 0
        byte = self._heard(self._incoming.popleft())
        # The chip holds two bytes and a third in its shift register; the library holds 64.
        if self.chip.unread() > 2:
            self.overruns += 1
        elif self.chip.data[_UCSR0B] & 0x10:
            self._put(byte)
        return when + max(1, self._byte_cycles())

    @property
    def unsent(self) -> int:
        """Bytes fed that are still on their way."""
        return len(self._incoming)

    def _collect(self, byte: int) -> None:
        self.sent.append(self._heard(byte))
        if self.sent_at is not None:
            self.sent_at.append(self.chip.cycle)

    def take(self, size: int | None = None) -> bytes:
        """The bytes the board sent and nobody took yet (at most ``size`` of them)."""
        count = len(self.sent) if size is None else min(size, len(self.sent))
        return bytes(self.sent.popleft() for _ in range(count))


#: The board most tests are about.
EmulatedUno = EmulatedBoard
