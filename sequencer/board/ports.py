"""Which ports there are, and which of them is the board.

Nothing is sent to any port to find out: USB identities only. A sole USB candidate is used, otherwise
the builder is asked.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol, cast

from sequencer.errors import Fault, PortError

#: USB vendor and product -> (what it is, rank; smaller is likelier an Uno). Product None: any of the vendor.
KNOWN: dict[tuple[int, int | None], tuple[str, int]] = {
    (0x2341, 0x0043): ("Arduino Uno R3", 0),
    (0x2341, 0x0001): ("Arduino Uno", 0),
    (0x2341, 0x0243): ("Arduino Uno R3", 0),
    (0x2A03, 0x0043): ("Arduino Uno R3", 0),
    (0x2341, 0x0042): ("Arduino Mega 2560 R3", 1),
    (0x2341, 0x0010): ("Arduino Mega 2560", 1),
    (0x2A03, 0x0042): ("Arduino Mega 2560 R3", 1),
    (0x2341, None): ("an Arduino board", 2),
    (0x2A03, None): ("an Arduino board", 2),
    (0x1A86, 0x7523): ("CH340 adapter, common on Uno and Nano copies", 3),
    (0x1A86, None): ("WCH USB-serial adapter", 4),
    (0x0403, 0x6001): ("FTDI adapter, common on older boards", 4),
    (0x10C4, 0xEA60): ("CP210x adapter", 4),
    (0x0403, None): ("FTDI adapter", 5),
    (0x10C4, None): ("Silicon Labs adapter", 5),
}
OTHER_USB, NOT_USB = 6, 9


class PortInfo(Protocol):
    """What pyserial says about a port; the part that is used here."""

    device: str
    description: str | None
    hwid: str | None
    vid: int | None
    pid: int | None
    serial_number: str | None


@dataclass(frozen=True)
class Candidate:
    """A port that may be a board; smaller ``rank`` is likelier. ``usb_id`` is ``2341:0043`` or None."""

    device: str
    what: str
    rank: int
    usb_id: str | None
    serial_number: str | None

    @property
    def is_usb(self) -> bool:
        """Whether it hangs on USB, as every board does."""
        return self.usb_id is not None

    def line(self) -> str:
        """One line for a list of choices."""
        facts = [self.what]
        if self.usb_id:
            facts.append(f"USB {self.usb_id}")
        if self.serial_number:
            facts.append(f"serial number {self.serial_number}")
        return f"{self.device}  ({', '.join(facts)})"


def candidates(infos: Iterable[PortInfo] | None = None) -> list[Candidate]:
    """The ports of this computer, likeliest board first; Bluetooth ports are dropped.

    ``infos`` stands in for pyserial's list (tests).
    """
    if infos is None:
        from serial.tools.list_ports import comports

        infos = cast("list[PortInfo]", comports())
    found = [_candidate(info) for info in infos if not _is_bluetooth(info)]
    return sorted(found, key=lambda item: (item.rank, _natural(item.device)))


def choose(wanted: str, found: list[Candidate] | None = None) -> str:
    """The device for ``auto`` or for ``usb:SERIALNUMBER``.

    Raises:
        PortError: there is none, or there are several and the builder must choose.

    """
    found = candidates() if found is None else found
    usb = [item for item in found if item.is_usb]
    if wanted.startswith("usb:"):
        number = wanted[4:]
        hits = [item for item in usb if (item.serial_number or "").casefold() == number.casefold()]
        if len(hits) == 1:
            return hits[0].device
        raise PortError(
            Fault(
                f"no board with USB serial number {number!r} is plugged in"
                if not hits
                else f"several boards say they have the USB serial number {number!r}",
                value=_listed(usb),
                remedy="choose one with --port, as `quarterjack ports` lists them",
            )
        )
    if len(usb) == 1:
        return usb[0].device
    if not usb:
        raise PortError(
            Fault(
                "no board found: no USB serial port is there",
                value=f"other ports: {_listed(found)}" if found else "no port at all",
                remedy="plug the board in with a data cable (many are charge-only), or try `--port virtual`",
            )
        )
    raise PortError(
        Fault(
            f"{len(usb)} ports could be the board, and none is tried by guessing",
            value="\n    " + "\n    ".join(item.line() for item in usb),
            remedy=f"choose one: --port {usb[0].device}"
            + (f" or --port usb:{usb[0].serial_number}" if usb[0].serial_number else ""),
        )
    )


def _candidate(info: PortInfo) -> Candidate:
    said = info.description if info.description and info.description != "n/a" else "serial port"
    if info.vid is None:
        return Candidate(info.device, f"{said}, not USB", NOT_USB, None, None)
    pid = info.pid or 0
    what, rank = KNOWN.get((info.vid, pid)) or KNOWN.get((info.vid, None)) or (said, OTHER_USB)
    return Candidate(info.device, what, rank, f"{info.vid:04x}:{pid:04x}", info.serial_number or None)


def _is_bluetooth(info: PortInfo) -> bool:
    said = f"{info.device} {info.description} {info.hwid}".casefold()
    return any(mark in said for mark in ("bluetooth", "bthenum", "rfcomm"))


def _natural(device: str) -> tuple[str, int]:
    """COM2 before COM10."""
    stem = device.rstrip("0123456789")
    return stem, int(device[len(stem) :] or 0)


def _listed(found: list[Candidate]) -> str:
    return ", ".join(item.device for item in found) or "none"
