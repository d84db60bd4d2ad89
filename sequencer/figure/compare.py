"""What if: the same figure with something else in it, held against the figure as it is.

A change is made in the document, before it is read, so that everything that is checked in a file is
checked in the changed one too.
"""

from __future__ import annotations

import copy
import math
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sequencer.errors import Fault, UsageError
from sequencer.figure import catalogue, heat
from sequencer.figure.current import draw
from sequencer.figure.drives import servos_of
from sequencer.figure.explain import Reporter, nearest
from sequencer.figure.facts import Facts, facts
from sequencer.figure.model import Figure
from sequencer.figure.physics import stall_at_axis_n_m
from sequencer.figure.read import document_of, figure_of

#: fastest(distance, velocity, acceleration, jerk) -> seconds of the quickest move from rest to rest.
Fastest = Callable[[float, float, float, float], float]
#: The move whose time is compared; an axis with a smaller range is compared over its whole range.
MOVE_RAD = math.radians(30.0)
#: The keys that another servo replaces; its pin, centre, ends and pulses stay as it is built in.
DATASHEET_KEYS = frozenset(
    (
        *("speed_s_per_60deg", "stall_kgcm", "at_v", "stall_a", "low_line", "weight_g"),
        *("continuous_percent", "speed_derating", "torque_derating"),
    )
)


def with_changes(document: Mapping[str, Any], changes: Sequence[str]) -> dict[str, Any]:
    """A document with every ``KEY=VALUE`` put in, e.g. ``masses.skull.weight_g=900``.

    ``servos.NAME=CLASS`` puts a servo of another class there: its datasheet goes, how it is built in
    stays. A value is written as in the file; a word may go without quotes.

    Raises:
        UsageError: a change that names nothing of the document.
    """
    changed: dict[str, Any] = copy.deepcopy(dict(document))
    for change in changes:
        key, equals, value = (part.strip() for part in change.partition("="))
        path = key.split(".")
        if not equals or not value or not all(path):
            raise _refused(change, "a change is KEY=VALUE", "write it as --with masses.skull.weight_g=900")
        table = _table(changed, path[:-1], change)
        if len(path) == 2 and path[0] == "servos":
            _other_servo(table, path[1], value, change)
        elif isinstance(table.get(path[-1]), dict):
            raise _refused(change, f"{key} is a table, not a value", f"name one of its keys: {key}.KEY=VALUE")
        else:
            table[path[-1]] = _value(value)
    return changed


def _refused(change: str, why: str, remedy: str) -> UsageError:
    return UsageError(Fault(f"--with {change}: {why}", remedy=remedy))


def _table(document: dict[str, Any], path: Sequence[str], change: str) -> dict[str, Any]:
    table = document
    for depth, part in enumerate(path):
        inner = table.get(part)
        if not isinstance(inner, dict):
            guess = nearest(part, [name for name, value in table.items() if isinstance(value, dict)])
            known = ", ".join(name for name, value in table.items() if isinstance(value, dict))
            raise _refused(
                change,
                f"the figure has no {'.'.join(path[: depth + 1])}"
                + (f"; did you mean {'.'.join([*path[:depth], guess])}?" if guess else ""),
                f"use one of: {known}" if known else "name a key of the figure file",
            )
        table = inner
    return table


def _other_servo(servos: dict[str, Any], name: str, value: str, change: str) -> None:
    if name not in servos:
        guess = nearest(name, servos)
        raise _refused(
            change,
            f"the figure has no servo {name}" + (f"; did you mean {guess}?" if guess else ""),
            f"use one of: {', '.join(servos)}",
        )
    wanted = value.strip("\"'")
    if wanted not in catalogue.CLASSES:
        guess = nearest(wanted, catalogue.CLASSES)
        raise _refused(
            change,
            f"there is no servo class {wanted}" + (f"; did you mean {guess}?" if guess else ""),
            f"use one of: {', '.join(catalogue.NAMES)}",
        )
    kept = {key: held for key, held in servos[name].items() if key not in DATASHEET_KEYS}
    servos[name] = {**kept, "class": wanted}


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def changed_figure(path: Path, changes: Sequence[str]) -> Figure:
    """The figure at ``path`` with the changes in it.

    Raises:
        UsageError: a change that names nothing of the figure.
        FigureError: every fault that the file would have with these changes.
    """
    document = with_changes(document_of(path), changes)
    file = path / "figure.toml" if path.is_dir() else path
    # Lines would point at what is no longer there, so faults name the keys alone.
    return figure_of(document, Reporter(f"{file} with {', '.join(changes)}", "", {}))


@dataclass(frozen=True)
class Row:
    """One number before and after; ``better`` is True, False, or None when it stays as it is."""

    about: str
    what: str
    before: str
    after: str
    better: bool | None


def rows(before: Facts, after: Facts, fastest: Fastest) -> list[Row]:
    """Margins, quickest 30-degree move and heat of every axis of both, then what they draw."""
    table = [row for name in before.figure.axes for row in _axis_rows(before, after, name, fastest)]
    one, two = (draw(each.figure, each.physics) for each in (before, after))
    table.append(
        _row("supply", "all servos stalled", (one.peak_a, two.peak_a), "{:.1f} A", more_is_better=False)
    )
    return table


def _axis_rows(before: Facts, after: Facts, name: str, fastest: Fastest) -> Iterator[Row]:
    both = (before, after)
    if name not in after.figure.axes:
        return
    margins = [100.0 * each.physics[name].torque_margin for each in both]
    yield _row(name, "torque margin", margins, "{:.0f} %", more_is_better=True)
    low, high = before.figure.axes[name].range_rad
    move = min(MOVE_RAD, high - low)
    times = [_move_s(each, name, move, fastest) for each in both]
    yield _row(name, f"quickest {math.degrees(move):.0f} degrees", times, "{:.2f} s", more_is_better=False)
    settles = [_holding_c(each, name) for each in both]
    yield _row(name, "winding, worst pose held", settles, "{:.0f} C", more_is_better=False)
    stalls = [
        heat.time_to_s(each.figure, each.figure.servos[servos_of(each.figure, name)[0]]) for each in both
    ]
    yield _row(name, f"stalled until {heat.LIMIT_C:g} C", stalls, "{:.0f} s", more_is_better=True)


def _move_s(known: Facts, name: str, distance: float, fastest: Fastest) -> float:
    limit = known.limits.get(name)
    if limit is None:
        return math.inf
    return fastest(distance, limit.velocity_rad_s, limit.acceleration_rad_s2, limit.jerk_rad_s3)


def _holding_c(known: Facts, name: str) -> float:
    figure = known.figure
    share = known.physics[name].gravity_torque_n_m / stall_at_axis_n_m(figure, figure.axes[name])
    servo = figure.servos[servos_of(figure, name)[0]]
    return figure.ambient_c + heat.rise_k(figure, servo, min(1.0, share) ** 2)


def _row(about: str, what: str, values: Sequence[float], form: str, more_is_better: bool) -> Row:
    said = [form.format(value) if math.isfinite(value) else "never" for value in values]
    before, after = values
    same = said[0] == said[1]
    return Row(about, what, said[0], said[1], None if same else (after > before) == more_is_better)


def compared(path: Path, figure: Figure, changes: Sequence[str]) -> tuple[Facts, Facts]:
    """Everything that is said about the figure as it is, and with the changes. Raises as the reading."""
    return facts(figure), facts(changed_figure(path, changes))
