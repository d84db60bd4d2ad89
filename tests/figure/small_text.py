"""Small figures as text, part by part, for tests that need one or two servos."""

from __future__ import annotations


def figure_text(*parts: str, rating_a: float = 9.0) -> str:
    """A figure on an Uno at 6 V with the given tables."""
    return "\n".join(
        (
            'name = "small"',
            'board = { kind = "uno" }',
            f"supply = {{ voltage_v = 6.0, rating_a = {rating_a:g} }}",
            *parts,
            "",
        )
    )


def servo_text(name: str, pin: int, stall_kgcm: float, speed_s_per_60deg: float, **more: object) -> str:
    """A servo of a 6 V datasheet line; ``more`` are further keys, or other values of the usual ones."""
    keys: dict[str, object] = {"at_v": 6.0, "pulse_us": [500, 2500], "travel_deg": 180, **more}
    return _table(
        f"servos.{name}",
        {"pin": pin, "stall_kgcm": stall_kgcm, "speed_s_per_60deg": speed_s_per_60deg, **keys},
    )


def axis_text(name: str, servo: str, range_deg: tuple[float, float], about: str, **more: object) -> str:
    """An axis that a servo drives directly, with the usual words for its direction."""
    words = {"up": ["right", "left"], "left": ["up", "down"]}[about]
    drive = more.pop("drive", f'{{ servo = "{servo}" }}')
    keys = {"range_deg": list(range_deg), "words": words, "turns_about": about, **more}
    return _table(f"axes.{name}", keys) + f"\ndrive = {drive}"


def _table(name: str, keys: dict[str, object]) -> str:
    return "\n".join((f"[{name}]", *(f"{key} = {_value(value)}" for key, value in keys.items())))


def _value(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_value(item) for item in value)}]"
    return f'"{value}"' if isinstance(value, str) else str(value).lower()
