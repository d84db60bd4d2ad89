"""What the operating system's port errors mean for a builder, and what to do about each."""

from __future__ import annotations

import errno
import os
import stat
import sys
from pathlib import Path

from sequencer.board.ports import candidates
from sequencer.errors import Fault, LinkError, PortError

#: Services known to open USB adapters by themselves.
GRABBERS = (
    "brltty or ModemManager (`systemctl stop ModemManager brltty`), a serial monitor, another Quarterjack"
)


def went_away(device: str, error: BaseException) -> LinkError:
    """The error for a port that failed after it was open."""
    if type(error).__name__ == "SerialTimeoutException":
        return LinkError(
            Fault(
                f"{device} takes no more bytes: the board or its adapter hangs",
                remedy="unplug the cable, plug it in again, and repeat",
            )
        )
    return LinkError(
        Fault(
            f"the cable went away: {device} stopped working",
            value=str(error) or type(error).__name__,
            remedy="plug it in again (the port's name may change: `quarterjack ports`); "
            "when it happens as servos move, look at the supply and the ground wire",
        )
    )


def open_trouble(device: str, error: BaseException) -> PortError:
    """The error for a port that could not be opened; each cause in its own words."""
    code = error_number(error)
    said = str(error)
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in said:
        return not_there(device)
    if code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "exclusively lock" in said:
        return in_use(device)
    if code in (errno.EACCES, errno.EPERM) or "PermissionError" in said:
        # Windows says "access denied" when another program has the port.
        return in_use(device) if sys.platform == "win32" or "Access is denied" in said else denied(device)
    if code == errno.ECONNREFUSED or "Connection refused" in said:
        return PortError(
            Fault(
                f"nothing answers at {device}",
                remedy="start the other side first (`quarterjack virtual --tcp`); compare address and number",
            )
        )
    return PortError(
        Fault(
            f"{device} could not be opened",
            value=said,
            remedy="is it a serial port? `quarterjack ports` lists those that are there",
        )
    )


def error_number(error: BaseException) -> int | None:
    """The errno of an OS error, also of one that pyserial wrapped."""
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return number
    inner = error.__cause__ or error.__context__
    return error_number(inner) if inner is not None else None


def not_there(device: str) -> PortError:
    """No such port; says which are there."""
    found = candidates()
    return PortError(
        Fault(
            f"port {device} is not there",
            value="ports that are: " + (", ".join(item.device for item in found) or "none"),
            remedy="is the cable in, and a data cable? names move between plug-ins: `quarterjack ports`, "
            "or `--port auto`, or `--port virtual` without a board"
            + (
                "; brltty is running, which takes away many boards' adapters: `sudo systemctl stop brltty`"
                if running("brltty")
                else ""
            ),
        )
    )


def denied(device: str) -> PortError:
    """No permission; names the device's own group and the re-login."""
    group = group_of(device)
    who = os.environ.get("USER") or os.environ.get("LOGNAME") or "$USER"
    return PortError(
        Fault(
            f"permission denied on {device}: it is there, but this user may not open it",
            value=f"the device belongs to group {group!r}" if group else None,
            remedy=f"sudo usermod -aG {group or 'dialout'} {who}, then log out and in again "
            "(a new terminal is not enough)",
        )
    )


#: Services that open new serial ports by themselves, by the name of their process -> what to do about each.
SERVICES = {
    "ModemManager": "it asks every new port whether it is a modem, for some 30 s: wait, or "
    "`sudo systemctl stop ModemManager`",
    "brltty": "it takes common USB adapters for a braille display: `sudo systemctl stop brltty` "
    "(who needs no braille may remove the package), then plug the board in again",
}


def in_use(device: str) -> PortError:
    """Another program has it; names it when the system tells."""
    holders = holders_of(device)
    for service, remedy in SERVICES.items():
        if any(holder.startswith(f"{service} ") for holder in holders):
            return PortError(
                Fault(
                    f"port {device} is held by a service of this computer, {service}",
                    value=", ".join(holders),
                    remedy=remedy,
                )
            )
    return PortError(
        Fault(
            f"port {device} is in use by another program",
            value="held by " + ", ".join(holders) if holders else None,
            remedy=("close it and try again" if holders else f"close what may have it: {GRABBERS}"),
        )
    )


def running(name: str, proc: Path = Path("/proc")) -> bool:
    """Whether a process of that name is there, as far as /proc shows."""
    for file in proc.glob("[0-9]*/comm"):
        try:
            if file.read_text(encoding="utf-8", errors="replace").strip() == name:
                return True
        except OSError:
            continue
    return False


def group_of(device: str) -> str | None:
    """The group that owns the device, or None when the system doesn't say."""
    try:
        import grp

        number = Path(device).stat().st_gid
    except (ImportError, OSError):
        return None
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


def holders_of(device: str, proc: Path = Path("/proc")) -> list[str]:
    """``name (process n)`` of the other processes that have ``device`` open, as far as /proc shows them."""
    try:
        wanted = Path(device).stat()
    except OSError:
        return []
    holders = []
    for folder in proc.glob("[0-9]*"):
        if folder.name == str(os.getpid()):
            continue
        try:
            held = any(_same(link, wanted) for link in (folder / "fd").iterdir())
            if held:
                name = (folder / "comm").read_text(encoding="utf-8", errors="replace").strip()
                holders.append(f"{name} (process {folder.name})")
        except OSError:
            continue
    return holders


def _same(link: Path, wanted: os.stat_result) -> bool:
    try:
        held = link.stat()
    except OSError:
        return False
    if stat.S_ISCHR(held.st_mode) and stat.S_ISCHR(wanted.st_mode):
        return held.st_rdev == wanted.st_rdev
    return (held.st_dev, held.st_ino) == (wanted.st_dev, wanted.st_ino)
