"""What ``figure.toml`` may say of the parts on the board's I2C bus."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from sequencer.figure.schema_values import Table


class ExpanderTable(Table):
    """``[expanders.NAME]``: sixteen more outputs, ``pin = "NAME.0"`` to ``"NAME.15"``, all for the same kind.

    ``oscillator_mhz`` is what ``calibrate`` measured; without it its servos stay off.
    """

    address: int = Field(ge=0x40, le=0x7F)
    serves: Literal["servos", "lamps"]
    oscillator_mhz: float | None = Field(default=None, ge=22, le=28)
