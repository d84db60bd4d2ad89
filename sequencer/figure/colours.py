"""Colours of light: words and sRGB numbers to shares of red, green and blue; lightness to luminance and back.

Sources: sRGB's transfer curve (IEC 61966-2-1); CIE L* (check-values 11: Y = L / 903.3 up to L = 8).
"""

from __future__ import annotations

import math
import re

#: Linear red, green and blue, the largest of them 1.
Colour = tuple[float, float, float]
WHITE: Colour = (1.0, 1.0, 1.0)
#: The words there are, as sRGB.
WORDS = {
    "white": "ffffff",
    "warm": "ffd6a5",
    "amber": "ffb000",
    "orange": "ff7a00",
    "red": "ff0000",
    "pink": "ff6fb0",
    "violet": "9a40ff",
    "blue": "0000ff",
    "cyan": "00ffff",
    "green": "00ff00",
}
_HEX = re.compile(r"#?([0-9a-fA-F]{6})")


def colour(text: str) -> Colour:
    """A word of :data:`WORDS` or ``#RRGGBB`` to linear shares; how light it is, the lamp's level says.

    Raises ValueError for anything else, and for black.
    """
    found = _HEX.fullmatch(WORDS.get(text, text))
    if found is None:
        raise ValueError(f"no colour: {text}")
    parts = [_linear(int(found[1][at : at + 2], 16) / 255.0) for at in (0, 2, 4)]
    most = max(parts)
    if most == 0.0:
        raise ValueError("black is no colour of light")
    return parts[0] / most, parts[1] / most, parts[2] / most


def _linear(value: float) -> float:
    return value / 12.92 if value <= 0.04045 else math.pow((value + 0.055) / 1.055, 2.4)


def luminance(lightness: float) -> float:
    """Perceived lightness 0..1 (L* / 100) to relative luminance 0..1."""
    percent = 100.0 * lightness
    return percent / 903.3 if percent <= 8.0 else ((percent + 16.0) / 116.0) ** 3


def lightness(of_luminance: float) -> float:
    """And back."""
    if of_luminance <= luminance(0.08):
        return 9.033 * of_luminance
    return (116.0 * math.cbrt(of_luminance) - 16.0) / 100.0


def channel(level: float, share: float) -> float:
    """The lightness of one colour of a lamp at ``level`` that has ``share`` of its light."""
    return lightness(share * luminance(level))
