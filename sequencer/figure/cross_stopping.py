"""Faults of stops and silence: axes that move together do both together; a rail says which level is power."""

from __future__ import annotations

from sequencer.figure.explain import Reporter
from sequencer.figure.parts import Parts
from sequencer.figure.schema_linkages import PairTable


def check_stopping(parts: Parts, reporter: Reporter) -> None:
    """Both axes of a pair need the same on_stop and release_at_rest; a rail input its level."""
    for name, table in parts.inputs.items():
        if table.kind == "rail" and "active_low" not in table.model_fields_set:
            reporter.add(
                ("inputs", name),
                "a rail input must say which level means that the servos have power",
                remedy="write active_low = false where the pin is high with power (a divider), "
                "active_low = true where it is pulled to ground",
            )
    for linkage in parts.linkages.values():
        if not isinstance(linkage, PairTable) or not all(name in parts.axes for name in linkage.axes):
            continue
        first, second = linkage.axes
        for key in ("on_stop", "release_at_rest"):
            mine, theirs = getattr(parts.axes[second], key), getattr(parts.axes[first], key)
            if mine != theirs:
                reporter.add(
                    ("axes", second, key),
                    f"`{first}` and `{second}` hang on the same two servos, which can do only one of both",
                    value=str(mine),
                    limit=f"{theirs}, as {first}",
                    remedy=f"give {first} and {second} the same {key}",
                )
