"""What was checked, for people: tables, findings and the certificate on any console."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sequencer.units import kgcm_from_n_m

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from sequencer.check.report import CheckReport
    from sequencer.finding import Finding
    from sequencer.motion.model import Certificate
    from sequencer.show import CheckedShow


def report_text(checked: CheckedShow) -> str:
    """The whole report as plain text, 110 columns wide."""
    import io

    from rich.console import Console

    from sequencer.cli.say import PLAIN_WIDTH

    page = Console(file=io.StringIO(), width=PLAIN_WIDTH, highlight=False)
    print_report(page, checked.report)
    print_certificate(page, checked.built.certificate)
    assert isinstance(page.file, io.StringIO)
    return page.file.getvalue()


def _table(title: str) -> Table:
    from rich import box
    from rich.table import Table

    look: dict[str, Any] = {"title_justify": "left", "title_style": "bold", "box": box.SIMPLE_HEAD}
    return Table(title=title, pad_edge=False, padding=(0, 1, 0, 0), **look)


def print_report(out: Console, report: CheckReport) -> None:
    """The report for people: a table a scene, room left, findings."""
    table = _table(f"{report.show}: what the player plays")
    for heading in ("scene", "channel", "deg/s", "speed", "accel", "jerk", "rms", "worst", "B/s"):
        table.add_column(
            heading, justify="left" if heading in ("scene", "channel") else "right", no_wrap=True
        )
    for scene in report.scenes.values():
        first = f"{scene.scene}, {scene.duration_s:.2f} s" + (", loop" if scene.loop else "")
        for axis in scene.axes.values():
            shares = axis.shares()
            table.add_row(
                first,
                axis.axis,
                f"{math.degrees(axis.peak.velocity_rad_s):.0f}",
                *(f"{shares[quantity] * 100:.0f} %" for quantity in ("velocity", "acceleration", "jerk")),
                f"{math.degrees(axis.rms_error_rad):.2f}",
                f"{math.degrees(axis.max_error_rad):.2f}",
                f"{axis.bytes_per_s:.1f}",
            )
            first = ""
        for (name, _), rate in scene.other_bytes_per_s.items():
            if rate > 0.0:
                table.add_row("", name, *[""] * 6, f"{rate:.1f}")
        table.add_section()
    out.print(table)
    out.print(
        "speed, accel, jerk: peaks as a share of their limits; rms, worst: deg off the wish", style="dim"
    )
    _print_work(out, report)
    room = report.room
    out.print(
        f"The show image is {room.image_bytes} bytes of {room.limit_bytes}; "
        f"{max(0, room.bytes_free)} are free, "
        f"about {max(0.0, room.seconds_left):.0f} s more of scenes like these."
    )
    print_findings(out, report.findings)


def _print_work(out: Console, report: CheckReport) -> None:
    """What the scenes ask of servos and supply; heat is worked out from typical values."""
    table = _table("What that asks of the servos")
    for heading in ("scene", "servo", "kg cm", "of its", "at s", "rms", "winding", "supply"):
        table.add_column(heading, justify="left" if heading in ("scene", "servo") else "right", no_wrap=True)
    for scene in report.scenes.values():
        if scene.work is None:
            continue
        first, amps = scene.scene, f"{scene.work.peak_a:.1f} A"
        for servo in scene.work.servos.values():
            table.add_row(
                first,
                servo.servo,
                f"{kgcm_from_n_m(servo.peak_n_m):.2f}",
                f"{100.0 * servo.share:.0f} %",
                f"{servo.share_at_s:.2f}",
                f"{100.0 * servo.rms_share:.0f} % of {100.0 * servo.continuous_share:.0f} %",
                f"{servo.winding_c:.0f} C",
                amps,
            )
            first = amps = ""
        table.add_section()
    first = "the busiest evening"
    for work in report.evening.values():
        held = f"{100.0 * work.rms_share:.0f} % of {100.0 * work.continuous_share:.0f} %"
        table.add_row(first, work.servo, "", "", "", held, f"{work.winding_c:.0f} C", "")
        first = ""
    if table.row_count:
        out.print(table)
        for line in (
            "kg cm, of its, at s: the hardest moment on the servo's torque-speed line; rms: against what it",
            "holds for long; winding: typical for its size; supply: with servos that set off together",
        ):
            out.print(line, style="dim")


def print_findings(out: Console, findings: Sequence[Finding]) -> None:
    """Findings, one a paragraph, worst first."""
    style = {"error": "bold red", "warning": "yellow", "note": "dim"}
    for item in findings:
        place = " ".join(
            part
            for part in (
                item.scene or "",
                item.channel or "",
                f"at {item.time_s:.2f} s" if item.time_s is not None else "",
            )
            if part
        )
        out.print(f"{item.severity} [{item.code}] {place}".rstrip(), style=style[item.severity], markup=False)
        out.print(f"    {item.message}", markup=False)
        if item.remedy:
            out.print(f"    do: {item.remedy}", markup=False)
    if not findings:
        out.print("No findings.")


def print_certificate(out: Console, certificate: Certificate) -> None:
    """Worst hull values against their bounds, over all scenes and transitions."""
    table = _table("Certificate: whole numbers, for all time")
    for heading in ("track", "quantity", "worst", "bound", "share", "in"):
        table.add_column(heading, justify="right" if heading in ("worst", "bound", "share") else "left")
    for name, track in certificate.items():
        position = track.position
        table.add_row(
            *(name, "position", f"{position.min} .. {position.max}", f"{position.lower} .. {position.bound}"),
            *("", position.scene),
        )
        for quantity in ("velocity", "acceleration", "jerk"):
            found = getattr(track, quantity)
            share = f"{found.max / found.bound * 100:.0f} %"
            table.add_row("", quantity, str(found.max), str(found.bound), share, found.scene)
    out.print(table)
    out.print("Numbers are steps of each track's resolution and its knots. settle: from parked to home;")
    out.print(
        "stop: a hold; a->b: from any moment of loop a. It certifies the command, not how the servo follows."
    )
