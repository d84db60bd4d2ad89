"""Who drives what, and clearances: faults that show when tables are held against each other."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.figure.explain import Reporter
from sequencer.figure.parts import Parts
from sequencer.figure.schema_linkages import FourBarTable, PairTable
from sequencer.figure.toml_lines import Path


def check_drives(parts: Parts, reporter: Reporter) -> None:
    """Every axis has one drive, every servo serves one axis or one linkage, every linkage its axes."""
    users: dict[str, list[str]] = {name: [] for name in parts.linkage_names}
    for name, axis in parts.axes.items():
        path: Path = ("axes", name, "drive")
        if (axis.drive.servo is None) == (axis.drive.linkage is None):
            reporter.add(
                path,
                "a drive names a servo or a linkage, one of the two",
                remedy='write drive = { servo = "NAME" }, or { linkage = "NAME" } and [linkages.NAME]',
            )
        elif axis.drive.linkage is not None:
            if "ratio" in axis.drive.model_fields_set:
                reporter.add(
                    (*path, "ratio"),
                    "a linkage has no ratio: its lengths make it",
                    value=axis.drive.ratio,
                    remedy="remove `ratio`",
                )
            if axis.drive.linkage not in parts.linkage_names:
                reporter.unknown_name((*path, "linkage"), "linkage", axis.drive.linkage, parts.linkage_names)
            else:
                users[axis.drive.linkage].append(name)
    _one_servo_each(parts, reporter)
    for name, linkage in parts.linkages.items():
        if isinstance(linkage, FourBarTable):
            _fourbar(name, users[name], reporter, len(parts.axes) == len(parts.axis_names))
        elif isinstance(linkage, PairTable):
            _pair(name, linkage, users[name], parts, reporter)


def _servo_uses(parts: Parts) -> Iterator[tuple[Path, str, str]]:
    """(where a servo is named, its name, whom it serves)."""
    for name, axis in parts.axes.items():
        if axis.drive.servo is not None and axis.drive.linkage is None:
            yield ("axes", name, "drive", "servo"), axis.drive.servo, f"the axis `{name}`"
    for name, linkage in parts.linkages.items():
        if isinstance(linkage, FourBarTable):
            yield ("linkages", name, "servo"), linkage.servo, f"the linkage `{name}`"
        elif isinstance(linkage, PairTable):
            for side, crank in (("left", linkage.left), ("right", linkage.right)):
                yield (
                    ("linkages", name, side, "servo"),
                    crank.servo,
                    f"the {side} crank of the linkage `{name}`",
                )


def _one_servo_each(parts: Parts, reporter: Reporter) -> None:
    taken: dict[str, str] = {}
    for path, servo, whom in _servo_uses(parts):
        if servo not in parts.servo_names:
            reporter.unknown_name(path, "servo", servo, parts.servo_names)
        elif servo in taken:
            reporter.add(
                path,
                f"servo `{servo}` already drives {taken[servo]}",
                value=servo,
                remedy="a servo drives one axis or one crank: name another servo",
            )
        taken.setdefault(servo, whom)


def _fourbar(name: str, users: list[str], reporter: Reporter, all_read: bool) -> None:
    # An axis with faults of its own may be the one that uses it.
    if len(users) == 1 or (not users and not all_read):
        return
    path: Path = ("linkages", name)
    reporter.add(
        path,
        "no axis uses this linkage" if not users else f"a four-bar moves one axis, not {' and '.join(users)}",
        remedy=f'write drive = {{ linkage = "{name}" }} in the axis that it moves, and only there',
    )


def _pair(name: str, table: PairTable, users: list[str], parts: Parts, reporter: Reporter) -> None:
    path: Path = ("linkages", name, "axes")
    first, second = table.axes
    for index, axis in enumerate(table.axes):
        if axis not in parts.axis_names:
            reporter.unknown_name((*path, index), "axis", axis, parts.axis_names)
    if first == second:
        reporter.add(path, "a pair moves two different axes", value=first, remedy="name both axes")
        return
    for axis in table.axes:
        if axis in parts.axes and axis not in users:
            reporter.add(
                ("axes", axis, "drive"),
                f"the linkage `{name}` says that it moves this axis",
                remedy=f'write drive = {{ linkage = "{name}" }}, or name another in linkages.{name}.axes',
            )
    for axis in users:
        if axis not in table.axes:
            reporter.add(
                ("axes", axis, "drive", "linkage"),
                f"the linkage `{name}` moves {first} and {second}",
                value=name,
                remedy=f"give `{axis}` a drive of its own",
            )
    if first in parts.axes and second in parts.axes and parts.axes[second].carried_by != first:
        swapped = parts.axes[first].carried_by == second
        reporter.add(
            path,
            f"the second axis of a pair rides on the first: `{second}` is not carried by `{first}`",
            value=f'["{first}", "{second}"]',
            remedy=f'write axes = ["{second}", "{first}"]'
            if swapped
            else f'write carried_by = "{first}" in [axes.{second}]',
        )


def check_clearances(parts: Parts, reporter: Reporter) -> None:
    """Each clearance says one bound of one axis and one condition of another, and home keeps it."""
    for name, table in parts.clearances.items():
        path: Path = ("clearances", name)
        known = True
        for key, axis in (("axis", table.axis), ("when", table.when)):
            if axis not in parts.axis_names:
                reporter.unknown_name((*path, key), "axis", axis, parts.axis_names)
                known = False
        if table.axis == table.when:
            reporter.add(
                (*path, "when"),
                "an axis cannot be its own condition",
                value=table.when,
                remedy="narrow range_deg of the axis instead",
            )
            known = False
        bounds = (("at_most_deg", table.at_most_deg), ("at_least_deg", table.at_least_deg))
        conditions = (("above_deg", table.above_deg), ("below_deg", table.below_deg))
        for axis, pair in ((table.axis, bounds), (table.when, conditions)):
            if (pair[0][1] is None) == (pair[1][1] is None):
                reporter.add(
                    path,
                    f"says {'neither' if pair[0][1] is None else 'both'} of {pair[0][0]} and {pair[1][0]}",
                    remedy=f"write one of {pair[0][0]} and {pair[1][0]}, an angle of `{axis}`",
                )
                known = False
        if known and table.axis in parts.axes and table.when in parts.axes:
            _kept_at_home(path, name, parts, reporter)


def _kept_at_home(path: Path, name: str, parts: Parts, reporter: Reporter) -> None:
    table = parts.clearances[name]
    channel, when = parts.axes[table.axis], parts.axes[table.when]
    keep_key, keep = (
        ("at_most_deg", table.at_most_deg)
        if table.at_most_deg is not None
        else ("at_least_deg", table.at_least_deg)
    )
    when_key, limit = (
        ("above_deg", table.above_deg) if table.above_deg is not None else ("below_deg", table.below_deg)
    )
    assert keep is not None
    assert limit is not None
    for key, angle, axis in ((keep_key, keep, channel), (when_key, limit, when)):
        low, high = axis.range_deg
        if not low <= angle <= high:
            reporter.add(
                (*path, key),
                "lies outside the axis's range, so that it never matters or always",
                value=f"{angle:g} deg",
                limit=f"{low:g} to {high:g} deg",
                remedy="choose an angle inside the range, or remove the clearance",
            )
            return
    for which in ("home_deg", "parked_deg"):
        places = [
            axis.parked_deg if which == "parked_deg" and axis.parked_deg is not None else axis.home_deg
            for axis in (channel, when)
        ]
        beyond = places[1] > limit if when_key == "above_deg" else places[1] < limit
        broken = places[0] > keep if keep_key == "at_most_deg" else places[0] < keep
        if beyond and broken:
            reporter.add(
                path,
                f"the {which.removesuffix('_deg')} pose breaks it: {table.axis} is at {places[0]:g} deg "
                f"while {table.when} is at {places[1]:g}",
                value=f"{places[0]:g} deg",
                limit=f"{keep:g} deg",
                remedy=f"change {which} of one of the two axes",
            )
            return
