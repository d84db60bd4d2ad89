"""The Uno's pins: their printed names, and which can do what."""

from __future__ import annotations

#: Pins of the serial link on the Uno.
LINK_PINS = (0, 1)
#: The built-in lamp, which boot loaders blink.
LOADER_PIN = 13
#: Pins of the Uno on which lamps can be dimmed.
PWM_PINS = (3, 5, 6, 11)


def pin_name(pin: int) -> str:
    """``D7`` or ``A0`` as printed on the board."""
    return f"D{pin}" if pin < 14 else f"A{pin - 14}"
