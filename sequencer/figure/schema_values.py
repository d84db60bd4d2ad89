"""What a value in ``figure.toml`` may be: pins, pulses, angles, lengths, directions, and the tables' manners.

The bounds catch slips of the decimal point and of the unit, not bad taste: they are wide.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    WrapValidator,
)
from pydantic_core import PydanticCustomError

from sequencer.figure.pins import EXPANDER_PIN, LAST_OUTPUT, LAST_PIN, PINS

#: Names are used in scenes, file names and C identifiers.
NAME_PATTERN = r"^[a-z][a-z0-9_]{0,23}$"
#: The player sends 50 pulses a second to every servo.
FRAME_HZ = 50.0
#: The shortest and longest pulse that any hobby servo is given.
PULSE_US = (400.0, 2600.0)


def _pin(value: Any, info: ValidationInfo) -> Any:
    """``7``, ``"D7"``, ``"A0"`` or ``"NAME.3"`` to a pin number.

    The context tells the board's ``kind`` and the names of its ``expanders``.
    """
    if isinstance(value, str):
        name, dot, output = value.strip().partition(".")
        expanders = (info.context or {}).get("expanders", ())
        if dot:
            if name in expanders and output.isascii() and output.isdigit() and int(output) < 16:
                return min(EXPANDER_PIN + 16 * expanders.index(name) + int(output), LAST_OUTPUT)
            raise PydanticCustomError(
                "output_text", "an expander's output is written NAME.0 to NAME.15, as [expanders.NAME] says"
            )
        number = PINS[(info.context or {}).get("kind", "uno")].number(value)
        if number is not None and not value.strip().isdigit():
            return number
        raise PydanticCustomError("pin_text", 'a pin is written 7, "D7" or "A0"')
    return value


#: Unit vectors of the words for a side: x forward, y to the figure's left, z up.
SIDES: dict[str, tuple[float, float, float]] = {
    "up": (0.0, 0.0, 1.0),
    "down": (0.0, 0.0, -1.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
    "forward": (1.0, 0.0, 0.0),
    "back": (-1.0, 0.0, 0.0),
}


def _direction(value: Any) -> tuple[float, float, float]:
    """A side's word or three numbers to a unit vector."""
    if isinstance(value, str) and value in SIDES:
        return SIDES[value]
    if isinstance(value, list) and len(value) == 3:
        numbers = [
            float(item)
            for item in value
            if isinstance(item, (int, float)) and not isinstance(item, bool) and abs(item) <= 1000
        ]
        length = math.sqrt(sum(number * number for number in numbers))
        if len(numbers) == 3 and length > 1e-6:
            return numbers[0] / length, numbers[1] / length, numbers[2] / length
    raise PydanticCustomError("direction", "is no direction")


def _board_pin(value: Any, handler: ValidatorFunctionWrapHandler, info: ValidationInfo) -> Any:
    """A number within what boards have; an expander's output, which only its name can say, is beyond that."""
    number = _pin(value, info)
    return number if isinstance(value, str) and "." in value else handler(number)


Pin = Annotated[int, Field(ge=0, le=LAST_PIN), WrapValidator(_board_pin)]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
PulsePair = Annotated[
    list[Annotated[float, Field(ge=PULSE_US[0], le=PULSE_US[1])]], Field(min_length=2, max_length=2)
]
AnglePair = Annotated[list[Annotated[float, Field(ge=-360, le=360)]], Field(min_length=2, max_length=2)]
Angle = Annotated[float, Field(ge=-360, le=360)]
Point = Annotated[list[Annotated[float, Field(ge=-5000, le=5000)]], Field(min_length=3, max_length=3)]
Length = Annotated[float, Field(gt=0, le=5000)]
#: What a reading may be off, in the unit of its key; no tool is exact.
Off = Annotated[float, Field(gt=0, le=100000)]
Size = Annotated[list[Length], Field(min_length=3, max_length=3)]
Direction = Annotated[tuple[float, float, float], PlainValidator(_direction)]
Name = Annotated[str, Field(min_length=1, max_length=24)]
Side = Literal["up", "down", "left", "right", "forward", "back"]


class Table(BaseModel):
    """A table of the file: unknown keys are errors, nothing is converted silently."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
