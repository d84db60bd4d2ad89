"""libsimavr through ctypes: one AVR chip, its pins, its serial port and its clock.

simavr is an external, optional library (GPL-3): it is loaded when present and never shipped. Its
structures are private, so the few fields that are needed are read at known offsets (version 1.6,
64-bit Linux); :meth:`Simavr.__init__` proves each of them against what a fresh chip must hold
and refuses to run otherwise.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any, Final

from sequencer.board.i2c import I2cBus
from sequencer.errors import Fault, PortError

APT_LINE: Final = (
    "apt-get install -y --no-install-recommends gcc-avr avr-libc binutils-avr libsimavr2 avrdude "
    "arduino-core-avr"
)
F_CPU: Final = 16_000_000

#: What a message of the two-wire interface tells, bits (its fields: nothing, this, address, data).
_TWI_START, _TWI_STOP, _TWI_ACK, _TWI_WRITE, _TWI_READ = 1, 2, 8, 16, 32
_TWCR: Final = 0xBC
#: The analog converter's choice of channel, the bit that means eight higher, its event "a conversion begins".
_ADCSRB, _ADMUX, _MUX5, _CONVERTING = 0x7B, 0x7C, 0x08, 18
#: avr->state values that matter here.
RUNNING: Final = 2
SLEEPING: Final = 3
CRASHED: Final = 7

_STATE, _FREQUENCY, _VOLTAGE, _CYCLE = 60, 64, 68, 80
_RUN_LIMIT, _RUN, _SLEEP = 96, 160, 168
_PC, _RESET_PC, _FLASH, _DATA = 204, 208, 11712, 11720
_MAX_RUN: Final = 16_000
EEPROM_BYTES: Final = 1024
# From an interrupt line to its first listener, from that to what it listens for; in the serial port's
# structure the ring of received bytes (64 of two bytes each) and the numbers of its two ends behind it.
_LISTENER, _LISTENS_FOR, _RECEIVED, _RING = 32, 32, 448, 64

_NOTIFY = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint32, ctypes.c_void_p)
_TIMER = ctypes.CFUNCTYPE(ctypes.c_uint64, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_void_p)
_SLEEPER = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint64)
_LOGGER = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_void_p)


class _Eeprom(ctypes.Structure):
    """``avr_eeprom_desc_t``: content (none: a pointer to it is given back), offset, size."""

    _fields_ = (("content", ctypes.c_void_p), ("offset", ctypes.c_uint16), ("size", ctypes.c_uint32))


def _code(letters: str, last: int | str) -> int:
    """An ioctl code: four packed characters, the last of them a letter or a number."""
    tail = ord(last) if isinstance(last, str) else last
    return (ord(letters[0]) << 24) | (ord(letters[1]) << 16) | (ord(letters[2]) << 8) | tail


def _load() -> ctypes.CDLL:
    for name in ("libsimavr.so.2", "libsimavr.so", "libsimavr.dylib"):
        try:
            return ctypes.CDLL(name)
        except OSError:
            continue
    raise PortError(
        Fault(
            "the emulated board needs the library libsimavr, and it is not on this machine",
            remedy=f"{APT_LINE}, or use `--port virtual`, which needs nothing installed",
        )
    )


class Simavr:
    """One emulated chip at 16 MHz: an ATmega328P or ATmega2560, with as much flash as the caller says it has.

    Raises:
        PortError: libsimavr is absent, or its structures differ from those of version 1.6.
    """

    def __init__(self, mcu: str = "atmega328p", flash_bytes: int = 32_768) -> None:
        self.flash_bytes = flash_bytes
        lib = _load()
        pointer, u32, u64 = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint64
        signatures: dict[str, tuple[Any, list[Any]]] = {
            "avr_make_mcu_by_name": (pointer, [ctypes.c_char_p]),
            "avr_init": (ctypes.c_int, [pointer]),
            "avr_reset": (None, [pointer]),
            "avr_run": (ctypes.c_int, [pointer]),
            "avr_terminate": (None, [pointer]),
            "avr_io_getirq": (pointer, [pointer, u32, ctypes.c_int]),
            "avr_irq_register_notify": (None, [pointer, _NOTIFY, pointer]),
            "avr_raise_irq": (None, [pointer, u32]),
            "avr_ioctl": (ctypes.c_int, [pointer, u32, pointer]),
            "avr_cycle_timer_register": (None, [pointer, u64, _TIMER, pointer]),
            "avr_extint_set_strict_lvl_trig": (None, [pointer, ctypes.c_uint8, ctypes.c_uint8]),
            "avr_global_logger_set": (None, [_LOGGER]),
        }
        try:
            for name, (result, arguments) in signatures.items():
                function = getattr(lib, name)
                function.restype, function.argtypes = result, arguments
        except AttributeError as missing:
            raise self._differs(str(missing)) from None
        self._lib = lib
        self._keep: list[Any] = []  # callbacks that C still points to
        self._analog: dict[int, int] = {}
        lib.avr_global_logger_set(self._kept(_LOGGER(lambda _avr, _level, _text, _values: None)))
        self._avr: int = lib.avr_make_mcu_by_name(mcu.encode())
        if not self._avr:
            raise self._differs(f"it knows no {mcu}")
        lib.avr_init(self._avr)
        self._prove(mcu)
        self._cycle = self._field(_CYCLE, u64)
        self._state = self._field(_STATE, ctypes.c_int)
        self._limit = self._field(_RUN_LIMIT, u64)
        self._field(_FREQUENCY, u32)[0] = F_CPU
        for index in range(3):
            self._field(_VOLTAGE + 4 * index, u32)[0] = 5000
        # The library's own sleep waits in real time; here time is only counted.
        sleeper = self._kept(_SLEEPER(lambda _avr, _cycles: None))
        self._field(_SLEEP, pointer)[0] = ctypes.cast(sleeper, pointer).value
        self.data = ctypes.cast(self._field(_DATA, pointer)[0], ctypes.POINTER(ctypes.c_uint8))
        flags = ctypes.c_uint32(0)  # no stdio echo, no sleeping in the serial port
        lib.avr_ioctl(self._avr, _code("uas", "0"), ctypes.byref(flags))
        self._received = self._find_received()

    # -- memory and clock

    @property
    def cycle(self) -> int:
        """Cycles since power-on (a reset does not set it back)."""
        return int(self._cycle[0])

    @property
    def state(self) -> int:
        """The core's state; :data:`CRASHED` after an illegal instruction or address."""
        return int(self._state[0])

    @property
    def pc(self) -> int:
        """Byte address of the next instruction."""
        return int(self._field(_PC, ctypes.c_uint32)[0])

    def load(self, address: int, content: bytes) -> None:
        """Put ``content`` into flash at a byte address."""
        if address < 0 or address + len(content) > self.flash_bytes:
            raise PortError(
                Fault(
                    "the program does not fit the emulated chip's flash",
                    value=f"{address + len(content)} bytes",
                    limit=f"{self.flash_bytes} bytes",
                )
            )
        ctypes.memmove(self._field(_FLASH, ctypes.c_void_p)[0] + address, content, len(content))

    def flash(self) -> bytes:
        """All of the flash."""
        return ctypes.string_at(self._field(_FLASH, ctypes.c_void_p)[0], self.flash_bytes)

    def eeprom(self) -> bytes:
        """All of the EEPROM, 1024 bytes; neither a reset nor a power cut changes it."""
        held = _Eeprom(None, 0, EEPROM_BYTES)
        self._lib.avr_ioctl(self._avr, _code("eeg", "p"), ctypes.byref(held))
        return ctypes.string_at(held.content, EEPROM_BYTES)

    def set_eeprom(self, at: int, content: bytes) -> None:
        """Put bytes into the EEPROM."""
        buffer = ctypes.create_string_buffer(content, len(content))
        given = _Eeprom(ctypes.cast(buffer, ctypes.c_void_p), at, len(content))
        self._lib.avr_ioctl(self._avr, _code("ees", "p"), ctypes.byref(given))

    def reset(self, at: int, cause: int) -> None:
        """Reset; execution starts at byte address ``at`` with ``cause`` in MCUSR."""
        self._field(_RESET_PC, ctypes.c_uint32)[0] = at
        self._lib.avr_reset(self._avr)
        self._no_polling()
        self.data[0x54] = cause

    def run_until(self, cycle: int) -> None:
        """Run up to ``cycle`` (the instruction, or jump between two events, that crosses it completes).

        Raises:
            PortError: the program crashed.
        """
        run, avr, now, state = self._lib.avr_run, self._avr, self._cycle, self._state
        self._no_polling()
        while now[0] < cycle:
            # A reset, the watchdog's too, sets the limit back to one instruction at a time.
            self._limit[0] = min(_MAX_RUN, max(1, cycle - now[0]))
            run(avr)
            if state[0] not in (RUNNING, SLEEPING):
                raise PortError(f"the emulated board's program crashed at address 0x{self.pc:04x}")

    def timer(self, function: Callable[[int], int]) -> Any:
        """A callback for :meth:`start`: ``function(cycle)`` returns the next cycle, or 0 for no more."""
        return self._kept(_TIMER(lambda _avr, when, _param: function(when)))

    def start(self, first: int, timer: Any) -> None:
        """Start a callback of :meth:`timer` ``first`` cycles from now."""
        self._lib.avr_cycle_timer_register(self._avr, first, timer, None)

    # -- pins and serial port

    def on_pin(self, port: str, bit: int, function: Callable[[int], None]) -> None:
        """Call ``function(level)`` at each event of a pin (levels may repeat)."""
        self._notify(_code("iog", port), bit, function)

    def drive(self, port: str, levels: dict[int, int]) -> None:
        """Hold input pins of a port at levels from outside: bit -> 0 or 1 (all that are driven)."""
        mask = sum(1 << bit for bit in levels)
        value = sum(level << bit for bit, level in levels.items())
        # avr_ioport_external_t: name in 7 bits, mask in 8, value in 8. Without it the library's
        # pull-ups come back at the next write to the port.
        external = ctypes.c_uint64(ord(port) | (mask << 7) | (value << 15))
        self._lib.avr_ioctl(self._avr, _code("iop", port), ctypes.byref(external))
        for bit, level in levels.items():
            self._lib.avr_raise_irq(self._lib.avr_io_getirq(self._avr, _code("iog", port), bit), level)

    def nudge(self, port: str, bit: int, level: int) -> None:
        """Set a pin's level once, without holding it."""
        self._lib.avr_raise_irq(self._lib.avr_io_getirq(self._avr, _code("iog", port), bit), level)

    def analog(self, channel: int, millivolts: int) -> None:
        """Hold an analog channel (0..7, a Mega's 0..15) at a voltage from now on; a reset keeps it."""
        if channel > 7 and max(self._analog, default=0) <= 7:
            self._notify(_code("adc", " "), _CONVERTING, self._converting)
        self._analog[channel] = millivolts
        if channel <= 7:
            self._analog_now(channel, millivolts)

    def _analog_now(self, channel: int, millivolts: int) -> None:
        self._lib.avr_raise_irq(self._lib.avr_io_getirq(self._avr, _code("adc", " "), channel), millivolts)

    def _converting(self, _: int) -> None:
        """The library keeps no voltage of channels 8 to 15: the one eight lower lends its place."""
        lower = self.data[_ADMUX] & 7
        self._analog_now(lower, self._analog.get(lower + (self.data[_ADCSRB] & _MUX5), 0))
        self.data[_ADCSRB] &= ~_MUX5 & 0xFF

    def on_serial(self, function: Callable[[int], None]) -> None:
        """Call ``function(byte)`` when the program hands a byte to the serial port."""
        self._notify(_code("uar", "0"), 1, function)

    def serial_input(self) -> Callable[[int], None]:
        """A function that puts one byte on the chip's receive pin."""
        irq = self._lib.avr_io_getirq(self._avr, _code("uar", "0"), 0)
        raise_irq = self._lib.avr_raise_irq
        return lambda byte: raise_irq(irq, byte)

    def on_i2c(self, bus: I2cBus) -> None:
        """Let the chip's two-wire interface be the master of ``bus``."""
        code = _code("twi", 0)
        answer = self._lib.avr_io_getirq(self._avr, code, 0)

        def heard(value: int) -> None:
            if not value >> 8 & _TWI_STOP:  # the library leaves TWINT set when the program clears it
                self.data[_TWCR] &= 0x7F
            what, address, byte = value >> 8 & 0xFF, value >> 16 & 0xFF, value >> 24 & 0xFF
            if what & _TWI_STOP:
                bus.stop()
            if what & _TWI_START and bus.start(address >> 1, bool(address & 1)):
                self._lib.avr_raise_irq(answer, _TWI_ACK << 8 | address << 16 | 1 << 24)
            if what & _TWI_WRITE and bus.write(byte):
                self._lib.avr_raise_irq(answer, _TWI_ACK << 8 | address << 16 | 1 << 24)
            if what & _TWI_READ:
                self._lib.avr_raise_irq(answer, _TWI_READ << 8 | address << 16 | bus.read() << 24)

        self._notify(code, 1, heard)

    def unread(self) -> int:
        """Bytes on the receive pin that the program has not fetched yet."""
        ends = ctypes.cast(self._received + 2 * _RING, ctypes.POINTER(ctypes.c_uint16))
        return int(ends[1] - ends[0]) % _RING

    # -- inside

    def _find_received(self) -> int:
        """The ring of received bytes: where three that are put on the pin turn up."""
        pointer = ctypes.POINTER(ctypes.c_void_p)
        irq = self._lib.avr_io_getirq(self._avr, _code("uar", "0"), 0)
        listener = ctypes.cast(irq + _LISTENER, pointer)[0]
        port = ctypes.cast(listener + _LISTENS_FOR, pointer)[0] if listener else None
        if not port:
            raise self._differs("unexpected serial port")
        self.data[0xC1] = 0x10  # receiver on; the reset that follows ends it
        for byte in b"\xa1\xb2\xc3":
            self._lib.avr_raise_irq(irq, byte)
        ring = int(port) + _RECEIVED
        if (
            ctypes.string_at(ring, 6) != b"\xa1\0\xb2\0\xc3\0"
            or ctypes.string_at(ring + 2 * _RING, 4) != b"\0\0\3\0"
        ):
            raise self._differs("unexpected receive ring")
        self._lib.avr_reset(self._avr)
        return ring

    def _no_polling(self) -> None:
        """Else a low interrupt pin (a Mega's SDA, SCL) is polled each cycle, after every reset again."""
        for number in range(8):
            self._lib.avr_extint_set_strict_lvl_trig(self._avr, number, 0)

    def _notify(self, code: int, index: int, function: Callable[[int], None]) -> None:
        callback = self._kept(_NOTIFY(lambda _irq, value, _param: function(value)))
        irq = self._lib.avr_io_getirq(self._avr, code, index)
        self._lib.avr_irq_register_notify(irq, callback, None)

    def _kept(self, callback: Any) -> Any:
        self._keep.append(callback)
        return callback

    def _field(self, offset: int, kind: Any) -> Any:
        return ctypes.cast(self._avr + offset, ctypes.POINTER(kind))

    @staticmethod
    def _differs(what: str) -> PortError:
        return PortError(
            Fault(
                f"this libsimavr is not laid out as version 1.6 on 64-bit Linux is: {what}",
                remedy="install Debian's libsimavr2 (1.6), or use `--port virtual`",
            )
        )

    def _prove(self, mcu: str) -> None:
        """Every field that is used must hold what a freshly initialised chip of this kind holds."""
        pointer, u32, u64 = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_uint64
        sleep_raw = ctypes.cast(self._lib.avr_callback_sleep_raw, pointer).value
        run_raw = ctypes.cast(self._lib.avr_callback_run_raw, pointer).value
        facts = {
            "name": bytes(ctypes.string_at(self._field(0, pointer)[0])).startswith(mcu[:9].encode()),
            "flash end": self._field(12, u32)[0] == self.flash_bytes - 1,
            "state": self._field(_STATE, ctypes.c_int)[0] == RUNNING,
            "frequency": self._field(_FREQUENCY, u32)[0] == 1_000_000,
            "voltages": all(self._field(_VOLTAGE + 4 * i, u32)[0] == 0 for i in range(3)),
            "cycle": self._field(_CYCLE, u64)[0] == 0,
            "run limit": self._field(_RUN_LIMIT, u64)[0] == 1,
            "run": self._field(_RUN, pointer)[0] == run_raw,
            "sleep": self._field(_SLEEP, pointer)[0] == sleep_raw,
            "pc": self._field(_PC, u32)[0] == 0 and self._field(_RESET_PC, u32)[0] == 0,
        }
        wrong = [name for name, holds in facts.items() if not holds]
        if wrong:
            raise self._differs("unexpected " + ", ".join(wrong))
        # Only now are the two pointers worth following.
        flash = self._field(_FLASH, pointer)[0]
        if not flash or not self._field(_DATA, pointer)[0] or ctypes.string_at(flash, 64) != b"\xff" * 64:
            raise self._differs("unexpected flash")
