"""A PCA9685 as its datasheet describes it: registers, and what its outputs do with them."""

from __future__ import annotations

MODE1, MODE2, LED0, ALL_LED, PRE_SCALE = 0x00, 0x01, 0x06, 0xFA, 0xFE
RESTART, INCREMENT, SLEEP, FULL = 0x80, 0x20, 0x10, 0x10
_SOFTWARE_RESET = 0x06
_CHANNELS = 16


class Pca9685:
    """The chip on an :class:`~sequencer.board.i2c.I2cBus` (NXP datasheet rev. 3, tables 4 to 8).

    ``oscillator_hz`` is what it really runs at. Registers start as after power-on: asleep, every output
    fully off, PRE_SCALE 0x1E. PRE_SCALE is taken only while asleep.
    """

    def __init__(self, address: int = 0x40, oscillator_hz: float = 25e6) -> None:
        self.address = address
        self.oscillator_hz = oscillator_hz
        self.registers = bytearray(256)
        self.refused: list[int] = []
        self.power_on()

    def power_on(self) -> None:
        """The supply came back: every register has its default."""
        self.registers[:] = bytes(256)
        self.registers[MODE1], self.registers[MODE2] = 0x11, 0x04
        for channel in range(_CHANNELS):
            self.registers[LED0 + 4 * channel + 3] = FULL
        self.registers[PRE_SCALE] = 0x1E
        self._at = 0
        self._first = True
        self._called: list[int] | None = None

    # -- the bus

    def begin(self, reading: bool) -> bool:
        """Writing begins with the register's number; reading goes on from it."""
        self._first = not reading
        self._called = None
        return True

    def begin_call(self) -> bool:
        """It listens to the general call, for its software reset (7.6)."""
        self._called = []
        return True

    def write(self, byte: int) -> bool:
        """The control register, then data; after a general call one byte, which is the software reset's."""
        if self._called is not None:
            self._called.append(byte)
            return self._called == [_SOFTWARE_RESET]
        if self._first:
            self._at, self._first = byte, False
            return True
        self._store(self._at, byte)
        self._next()
        return True

    def read(self) -> int:
        """The register's content."""
        value = self.registers[self._at]
        self._next()
        return value

    def end(self) -> None:
        """Outputs take what was written; the reset that was called for is done."""
        if self._called == [_SOFTWARE_RESET]:
            self.power_on()
        self._called = None

    def _next(self) -> None:
        if self.registers[MODE1] & INCREMENT:
            self._at = 0 if self._at == LED0 + 4 * _CHANNELS - 1 else (self._at + 1) & 0xFF

    def _store(self, register: int, byte: int) -> None:
        if register == PRE_SCALE:
            if self.registers[MODE1] & SLEEP:
                self.registers[register] = max(3, byte)
            else:
                self.refused.append(byte)
        elif ALL_LED <= register < ALL_LED + 4:
            for channel in range(_CHANNELS):
                self.registers[LED0 + 4 * channel + register - ALL_LED] = byte & (
                    0x1F if register & 1 else 0xFF
                )
        elif register == MODE1:
            # Writing 1 to RESTART clears it; going to sleep with outputs running sets it.
            kept = 0 if byte & RESTART else self.registers[MODE1] & RESTART
            asleep = byte & SLEEP and not self.registers[MODE1] & SLEEP
            self.registers[MODE1] = (byte & 0x7F) | (RESTART if asleep and self._running() else kept)
        elif LED0 <= register < LED0 + 4 * _CHANNELS:
            self.registers[register] = byte & (0x1F if register & 1 else 0xFF)
        else:
            self.registers[register] = byte

    def _running(self) -> bool:
        return any(not self.registers[LED0 + 4 * channel + 3] & FULL for channel in range(_CHANNELS))

    # -- the outputs

    @property
    def awake(self) -> bool:
        """The oscillator runs and RESTART is not waiting: outputs play."""
        return not self.registers[MODE1] & (SLEEP | RESTART)

    @property
    def tick_s(self) -> float:
        """One count."""
        return (self.registers[PRE_SCALE] + 1) / self.oscillator_hz

    @property
    def period_s(self) -> float:
        """One cycle of 4096 counts."""
        return 4096 * self.tick_s

    def counts(self, channel: int) -> tuple[int, int]:
        """ON count and counts high in each cycle (0: off, 4096: fully on); off wins."""
        at = LED0 + 4 * channel
        on = self.registers[at] | self.registers[at + 1] << 8
        off = self.registers[at + 2] | self.registers[at + 3] << 8
        if not self.awake or off & 0x1000:
            return on & 0xFFF, 0
        if on & 0x1000:
            return on & 0xFFF, 4096
        return on, (off - on) % 4096

    def width_us(self, channel: int) -> float:
        """How long the output is high in each cycle."""
        return 1e6 * self.counts(channel)[1] * self.tick_s
