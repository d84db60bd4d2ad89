"""A show of eight servos with a scene of three minutes, and the edit of one of its cues, as text."""

from __future__ import annotations

import random
from pathlib import Path

#: Eight axes: name, its two directions, what they turn about, range in degrees to both sides.
AXES = (
    ("turn", ("right", "left"), "up", 60),
    ("nod", ("up", "down"), "left", 22),
    ("brow", ("low", "high"), "left", 15),
    ("jaw", ("clenched", "open"), "left", 18),
    ("arm", ("back", "forth"), "left", 45),
    ("wrist", ("in", "out"), "up", 40),
    ("hand", ("closed", "wide"), "forward", 30),
    ("lantern", ("fore", "aft"), "left", 25),
)
PINS = ("D2", "D4", "D7", "D8", "D9", "D10", "A0", "A1")
#: Words for speeds, as a scene says them.
SPEEDS = ("easy", "gentle", "brisk")


def figure_text() -> str:
    """figure.toml: eight direct drives, two lamps, a switch."""
    lines = ['name = "Eight"', "ambient_c = 25", "", "[board]", 'kind = "uno"', ""]
    lines += ["[supply]", "voltage_v = 6.0", "rating_a = 15.0", ""]
    for (name, (low, high), about, reach), pin in zip(AXES, PINS, strict=True):
        lines += [f"[servos.{name}]", f'pin = "{pin}"', "speed_s_per_60deg = 0.14", "stall_kgcm = 10"]
        lines += ["at_v = 6.0", "pulse_us = [500, 2500]", "travel_deg = 180", "stall_a = 1.8", ""]
        lines += [f"[axes.{name}]", f"range_deg = [{-reach}, {reach}]", f'words = ["{low}", "{high}"]']
        lines += [f'turns_about = "{about}"', f'drive = {{ servo = "{name}" }}', "ramp_s = 0.12", ""]
        lines += [f"[masses.{name}]", 'shape = "box"', "size_mm = [60, 50, 40]", "weight_g = 90"]
        lines += ["at_mm = [0, 0, 10]", f'carried_by = "{name}"', ""]
    for name, pin in (("left_eye", "D5"), ("right_eye", "D6")):
        lines += [f"[lamps.{name}]", f'pin = "{pin}"', ""]
    lines += ["[switches.bell]", 'pin = "A2"', ""]
    return "\n".join(lines)


def _cues(duration_s: float, every_s: float, seed: int) -> list[tuple[float, str]]:
    """Moves of every axis all along, home for the last seconds."""
    dice = random.Random(seed)
    cues = []
    for name, words, _about, reach in AXES:
        at_s = dice.uniform(0.5, 1.5)
        while at_s < duration_s - 8.0:
            angle = dice.randint(reach // 5, reach)
            cues.append((at_s, f"{name} {dice.choice(words)} {angle}, {dice.choice(SPEEDS)}"))
            at_s += dice.uniform(0.6, 1.4) * every_s
    at_s = 4.0
    while at_s < duration_s - 8.0:
        cues.append((at_s, f"lamps glow to {dice.randint(2, 9) * 10}% over 0.8s"))
        at_s += 6.0
    return sorted(cues)


def scene_text(name: str, duration_s: float, every_s: float, seed: int, loop: bool = False) -> str:
    """One scene; its cues come about every ``every_s`` seconds on each axis."""
    lines = [f"scene {name}"]
    if loop:
        lines.append(f"loop {_clock(duration_s)[:-3]}" if duration_s % 1 == 0 else f"loop {duration_s:g}s")
    lines.append("")
    lines += [f"{_clock(at_s)}  {cue}" for at_s, cue in _cues(duration_s, every_s, seed)]
    lines += [f"{_clock(duration_s - 5.0)}  home, gentle", ""]
    return "\n".join(lines)


def edited(text: str, near_s: float) -> str:
    """The scene with one cue near ``near_s`` going to half the angle (first axis' cue from there on)."""
    lines = text.split("\n")
    for number, line in enumerate(lines):
        time, _, cue = line.partition("  ")
        axis, _, rest = cue.partition(" ")
        if axis in {each[0] for each in AXES} and _seconds(time) >= near_s:
            word, angle = rest.split(",")[0].split(" ")
            speed = rest.split(", ")[1]
            lines[number] = f"{time}  {axis} {word} {max(1, int(angle) // 2)}, {speed}"
            return "\n".join(lines)
    raise ValueError("there is no such cue")


def write_show(folder: Path, duration_s: float = 180.0, seed: int = 4) -> None:
    """The whole show folder: the long scene ``evening``, a loop ``idle`` and a short ``greet``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "figure.toml").write_text(figure_text(), encoding="utf-8")
    (folder / "event.toml").write_text('idle = "idle"\n', encoding="utf-8")
    (folder / "evening.scene").write_text(scene_text("evening", duration_s, 3.0, seed), encoding="utf-8")
    (folder / "idle.scene").write_text(scene_text("idle", 36.0, 8.0, seed + 1, loop=True), encoding="utf-8")
    (folder / "greet.scene").write_text(scene_text("greet", 24.0, 3.0, seed + 2), encoding="utf-8")


def _clock(time_s: float) -> str:
    return f"{int(time_s // 60)}:{time_s % 60:05.2f}"


def _seconds(clock: str) -> float:
    minutes, _, seconds = clock.partition(":")
    try:
        return 60.0 * int(minutes) + float(seconds)
    except ValueError:
        return -1.0
