"""Readings that cannot be true, as faults that name the number to change and what it could be."""

from __future__ import annotations

import math
from collections.abc import Mapping

from sequencer import units
from sequencer.figure import swings
from sequencer.figure.explain import Reporter
from sequencer.figure.readings import Reading, friction
from sequencer.figure.schema import AxisTable, PullsTable, WobbleTable
from sequencer.figure.schema_masses import BalanceTable, MassTable, SwingTable
from sequencer.figure.toml_lines import Path

LINES = ("forward", "left", "up")


def check_axis(path: Path, axis: AxisTable, reporter: Reporter) -> None:
    """Faults of an axis' readings."""
    pulls, film = axis.pulls, axis.wobble
    if pulls is not None:
        spread_fits((*path, "pulls"), pulls, reporter)
    if film is not None:
        spread_fits((*path, "wobble"), film, reporter)
    if pulls is not None and axis.friction_kgcm is not None:
        measured = units.kgcm_from_n_m(friction(pulls).friction.value)
        reporter.add(
            (*path, "friction_kgcm"),
            "the pulls already tell the friction",
            value=f"{axis.friction_kgcm:g} kg cm",
            limit=f"{measured:.2f} kg cm by the pulls",
            remedy="remove friction_kgcm, or the pulls",
        )
    if pulls is not None and sum(pulls.pull_g) <= 0.0:
        reporter.add(
            (*path, "pulls", "pull_g"),
            "the pulls leave no friction: both ways together must take some force",
            value=f"[{pulls.pull_g[0]:g}, {pulls.pull_g[1]:g}] g",
            limit="a sum of more than 0 g",
            remedy="write [toward the first word, toward the second]; negative only where it had to be held "
            "back, and then less than the other pull",
        )
    if film is None:
        return
    if film.frames < 2.0 * film.swings:
        reporter.add(
            (*path, "wobble", "frames"),
            "a film cannot show swings that fast",
            value=f"{film.frames:g} frames for {film.swings:g} swings",
            limit=f"at least {2 * film.swings:g} frames",
            remedy=f"count the frames of all {film.swings:g} swings, or film at more than {film.fps:g} fps",
        )
    if film.amplitudes_mm is not None and film.amplitudes_mm[1] >= film.amplitudes_mm[0]:
        reporter.add(
            (*path, "wobble", "amplitudes_mm"),
            "the wobble does not die away",
            value=f"[{film.amplitudes_mm[0]:g}, {film.amplitudes_mm[1]:g}] mm",
            limit=f"the second below {film.amplitudes_mm[0]:g} mm",
            remedy="write [amplitude at the first of the counted swings, amplitude at the last]",
        )


def spread_fits(
    path: Path, table: PullsTable | WobbleTable | SwingTable | MassTable, reporter: Reporter
) -> None:
    """Faults of a spread without its reading, or of one that leaves nothing of it."""
    for key, off in table.spread:
        if off is None:
            continue
        told = getattr(table, key, None)
        if told is None:
            reporter.add(
                (*path, "spread", key),
                f"there is no reading `{key}` that may be off",
                value=f"{off:g}",
                remedy=f"remove it, or add {key}",
            )
            continue
        most = most_off(key, max(told) if isinstance(told, list) else told)
        if most is not None and off > most:
            reporter.add(
                (*path, "spread", key),
                "a reading that may be that far off says nothing",
                value=f"{off:g}",
                limit=f"at most {most:g}" + ("" if key == "swing_deg" else ", half of the reading"),
                remedy="write what the tool may be off, or read it again with a better one",
            )


def most_off(key: str, value: float | BalanceTable) -> float | None:
    """The most that a reading may be off; None where it may be around zero: pulls, balance points."""
    if key == "pull_g" or isinstance(value, BalanceTable):
        return None
    return value if key == "swing_deg" else value / 2.0


def one_kind(where: Path, swing: SwingTable, reporter: Reporter) -> bool:
    """Whether the swing is from a line or on two threads, and not both."""
    threads = swing.threads_apart_mm is not None and swing.thread_mm is not None
    some = swing.threads_apart_mm is not None or swing.thread_mm is not None
    if (swing.hung_from_mm is not None) != some and threads == some:
        return True
    if swing.hung_from_mm is not None:
        message, remedy = (
            "a part hangs from one line or on two threads, not both",
            "keep hung_from_mm, or threads_apart_mm with thread_mm",
        )
    elif some:
        missing = "thread_mm" if swing.thread_mm is None else "threads_apart_mm"
        message, remedy = (
            f"`{missing}` is missing",
            "add it: threads_apart_mm is between the two threads, thread_mm their length",
        )
    else:
        message, remedy = (
            "nobody told how it hung",
            "add hung_from_mm, from the line it hung from to where it balances; "
            "or threads_apart_mm and thread_mm",
        )
    reporter.add(where, message, remedy)
    return False


def too_quick(where: Path, swing: SwingTable, reporter: Reporter) -> None:
    """No body swings faster than a point at that distance."""
    assert swing.hung_from_mm is not None
    factor = swings.amplitude_factor(math.radians(swing.swing_deg))
    arm = units.m_from_mm(swing.hung_from_mm)
    least = 10.0 * math.tau * math.sqrt(arm / units.GRAVITY_M_S2) * factor
    most = 1000.0 * units.GRAVITY_M_S2 * (swing.ten_swings_s / factor / 10.0 / math.tau) ** 2
    halves = 2.0 * swing.ten_swings_s >= least
    reporter.add(
        (*where, "ten_swings_s"),
        f"nothing hung {swing.hung_from_mm:g} mm above its balance point swings that fast",
        value=f"{swing.ten_swings_s:g} s",
        limit=f"more than {least:.2f} s",
        remedy=(
            f"count there and back as one swing (that would be {2 * swing.ten_swings_s:g} s)"
            if halves
            else "time ten whole swings again"
        )
        + f", or correct hung_from_mm to less than {most:.0f}",
    )


def too_slow(where: Path, swing: SwingTable, mass_kg: float, largest: float, reporter: Reporter) -> None:
    """More inertia than mass inside the part's box can have."""
    angle = math.radians(swing.swing_deg)
    if swing.hung_from_mm is not None:
        arm = units.m_from_mm(swing.hung_from_mm)
        most = swings.pendulum_period(largest + mass_kg * arm**2, mass_kg, arm, angle)
        other = "hung_from_mm"
    else:
        assert swing.threads_apart_mm is not None
        assert swing.thread_mm is not None
        apart, thread = units.m_from_mm(swing.threads_apart_mm), units.m_from_mm(swing.thread_mm)
        most = swings.bifilar_period(largest, mass_kg, apart, thread, angle)
        other = "threads_apart_mm and thread_mm"
    reporter.add(
        (*where, "ten_swings_s"),
        "the swings are slower than a part of this size and weight can be",
        value=f"{swing.ten_swings_s:g} s",
        limit=f"at most {10 * most:.2f} s",
        remedy=f"time ten swings and not more (at most {10 * most:.2f} s), check {other}, or correct the "
        "part's size",
    )


def no_body(path: Path, known: Mapping[int, Reading], reporter: Reporter) -> None:
    """One moment is more than the two others together."""
    largest = max(known, key=lambda index: known[index].value)
    rest = sum(reading.value for index, reading in known.items() if index != largest)
    line = LINES[largest]
    reporter.add(
        (*path, "swings"),
        f"no body has this inertia about `{line}`: it is more than about the two other lines together",
        value=f"{1e6 * known[largest].value:.0f} kg mm2",
        limit=f"{1e6 * rest:.0f} kg mm2",
        remedy=f"time the swing about `{line}` again, and check which line each part swung about",
    )
