"""Ports: which is the board, and each way in which one cannot be opened or goes away, in words."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import termios
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial

from sequencer.board import port_trouble
from sequencer.board.connect import open_port
from sequencer.board.port_trouble import denied, holders_of, open_trouble
from sequencer.board.ports import Candidate, candidates, choose
from sequencer.board.serial_port import SerialPort
from sequencer.errors import LinkError, PortError

POSIX = pytest.mark.skipif(os.name == "nt", reason="pseudo terminals are POSIX")


def info(device, vid=None, pid=None, serial_number=None, description="n/a", hwid="n/a"):
    return SimpleNamespace(
        device=device, vid=vid, pid=pid, serial_number=serial_number, description=description, hwid=hwid
    )


UNO = info("/dev/ttyACM0", 0x2341, 0x0043, "8543931", "Uno")
COPY = info("/dev/ttyUSB3", 0x1A86, 0x7523, None, "USB2.0-Serial")
OLD = info("/dev/ttyS0")
EAR = info("/dev/rfcomm0", description="headset")
MAC_EAR = info("/dev/cu.Bluetooth-Incoming-Port")
WIN_EAR = info("COM5", description="Standard Serial over Bluetooth link", hwid="BTHENUM\\x")


def test_ranked_by_usb_identity_and_bluetooth_dropped() -> None:
    found = candidates([OLD, EAR, COPY, MAC_EAR, WIN_EAR, UNO])
    assert [item.device for item in found] == ["/dev/ttyACM0", "/dev/ttyUSB3", "/dev/ttyS0"]
    assert found[0].what == "Arduino Uno R3"
    assert found[0].usb_id == "2341:0043"


def test_com10_comes_after_com2_and_is_not_com1() -> None:
    found = candidates([info(name, 0x2341, 0x0043) for name in ("COM10", "COM2", "COM1")])
    assert [item.device for item in found] == ["COM1", "COM2", "COM10"]


def test_auto_is_the_only_usb_port_whatever_else_is_there() -> None:
    assert choose("auto", candidates([OLD, COPY])) == "/dev/ttyUSB3"


def test_auto_never_guesses_between_two() -> None:
    with pytest.raises(PortError, match="2 ports could be the board") as caught:
        choose("auto", candidates([UNO, COPY]))
    text = str(caught.value)
    assert "/dev/ttyACM0  (Arduino Uno R3, USB 2341:0043, serial number 8543931)" in text
    assert "--port usb:8543931" in text


def test_auto_with_none_names_the_other_ports_and_the_way_without_a_board() -> None:
    with pytest.raises(PortError, match="no board found") as caught:
        choose("auto", candidates([OLD]))
    assert "/dev/ttyS0" in str(caught.value)
    assert "--port virtual" in str(caught.value)


def test_choice_by_usb_serial_number() -> None:
    twin = info("/dev/ttyACM1", 0x2341, 0x0043, "77AA")
    assert choose("usb:77aa", candidates([UNO, twin])) == "/dev/ttyACM1"
    with pytest.raises(PortError, match="no board with USB serial number '99'"):
        choose("usb:99", candidates([UNO, twin]))


def test_a_port_that_is_not_there_lists_those_that_are(monkeypatch) -> None:
    there = [Candidate("/dev/ttyACM7", "Arduino Uno", 0, "2341:0001", None)]
    monkeypatch.setattr(port_trouble, "candidates", lambda: there)
    with pytest.raises(PortError, match="port /dev/ttyACM99 is not there") as caught:
        open_port("/dev/ttyACM99")
    assert "/dev/ttyACM7" in str(caught.value)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (serial.SerialException(errno.ENOENT, "could not open port"), "is not there"),
        (serial.SerialException(errno.EACCES, "could not open port"), "permission denied on"),
        (serial.SerialException(errno.EBUSY, "could not open port"), "in use by another program"),
        (
            serial.SerialException(errno.EAGAIN, "Could not exclusively lock port"),
            "in use by another program",
        ),
        (serial.SerialException("could not open port 'COM3': FileNotFoundError(2, ...)"), "is not there"),
        # Windows' words for a port that another program has.
        (
            serial.SerialException(
                "could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)"
            ),
            "in use by another program",
        ),
        (OSError(errno.EIO, "Input/output error"), "could not be opened"),
        (termios.error(errno.ENOTTY, "Inappropriate ioctl"), "could not be opened"),
        (
            serial.SerialException("Could not open port socket://h:1: [Errno 111] Connection refused"),
            "nothing answers",
        ),
    ],
)
def test_each_cause_has_its_own_words(error, words: str) -> None:
    found = open_trouble("/dev/ttyACM0", error)
    assert words in found.faults[0].message
    assert found.faults[0].remedy
    assert found.exit_code == 3


@POSIX
def test_denied_names_the_devices_group_and_the_re_login(tmp_path, monkeypatch) -> None:
    import grp

    device = tmp_path / "ttyACM0"
    device.touch()
    monkeypatch.setenv("USER", "jo")
    group = grp.getgrgid(device.stat().st_gid).gr_name
    text = str(denied(str(device)))
    assert f"group {group!r}" in text
    assert f"usermod -aG {group} jo" in text
    assert "log out and in again" in text


@POSIX
@pytest.mark.skipif(not hasattr(os, "setuid") or os.geteuid() != 0, reason="needs root to become nobody")
def test_the_systems_own_refusal_is_told_as_denied() -> None:
    master, slave = os.openpty()
    name = os.ttyname(slave)
    Path(name).chmod(0o600)
    child = os.fork()
    if child == 0:  # in the child only: give up root, try, and tell by the exit status
        status = 9
        try:
            os.setgid(65534)
            os.setuid(65534)
            open_port(name)
        except PortError as error:
            status = 3 if "permission denied" in str(error) else 4
        finally:
            os._exit(status)
    _, ended = os.waitpid(child, 0)
    os.close(master)
    os.close(slave)
    assert os.waitstatus_to_exitcode(ended) == 3


@POSIX
def test_a_port_that_another_program_locked_is_in_use_and_its_holder_named() -> None:
    master, slave = os.openpty()
    name = os.ttyname(slave)
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import fcntl,os,sys; f=os.open(sys.argv[1], os.O_RDWR|os.O_NOCTTY);"
            "fcntl.flock(f, fcntl.LOCK_EX); print('held', flush=True); sys.stdin.read()",
            name,
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(PortError, match="in use by another program") as caught:
            open_port(name)
        if sys.platform == "linux":
            assert f"(process {holder.pid})" in str(caught.value)
            assert any(str(holder.pid) in item for item in holders_of(name))
    finally:
        holder.communicate(b"")
        os.close(master)
        os.close(slave)


@pytest.mark.skipif(sys.platform != "linux", reason="only /proc tells")
def test_a_port_that_another_program_has_without_a_lock_is_in_use(tmp_path) -> None:
    master, slave = os.openpty()
    device = tmp_path / "ttyACM0"
    device.symlink_to(os.ttyname(slave))
    script = (
        "import os,sys; os.open(sys.argv[1], os.O_RDWR|os.O_NOCTTY);"
        "print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(device)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(PortError, match="in use by another program") as caught:
            open_port(str(device))
        assert f"(process {holder.pid})" in str(caught.value)
    finally:
        holder.communicate(b"")
    open_port(str(device)).close()
    os.close(master)
    os.close(slave)


class Lines:
    """A pyserial port that notes what happens to its modem lines."""

    def __init__(self) -> None:
        self.__dict__["happened"] = []

    def __setattr__(self, name: str, value: object) -> None:
        self.happened.append((name, value))

    def reset_input_buffer(self) -> None:
        self.happened.append(("drop", True))


@POSIX
def test_a_reset_is_a_pulse_on_dtr_and_rts_and_drops_what_was_unread() -> None:
    master, slave = os.openpty()
    port = SerialPort(os.ttyname(slave))
    real, port._port = port._port, Lines()
    port.reset()
    assert port._port.happened == [
        ("dtr", False),
        ("rts", False),
        ("dtr", True),
        ("rts", True),
        ("drop", True),
    ]
    real.close()
    os.close(master)
    os.close(slave)


def test_a_url_that_nobody_serves_or_knows_is_told_in_words() -> None:
    with pytest.raises(PortError, match="nothing answers at"):
        open_port("socket://127.0.0.1:1")
    with pytest.raises(PortError, match="strange://x"):
        open_port("strange://x")


def test_in_use_without_a_known_holder_names_the_usual_services() -> None:
    text = str(port_trouble.in_use("/dev/no-such-port"))
    assert "brltty" in text
    assert "ModemManager" in text


@POSIX
def test_a_file_that_is_no_port_is_refused_in_words(tmp_path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("hello")
    with pytest.raises(PortError, match="could not be opened"):
        open_port(str(file))
    assert file.read_text() == "hello"


@POSIX
def test_bytes_both_ways_over_a_pty_and_a_pull_is_a_link_error() -> None:
    master, slave = os.openpty()
    port = SerialPort(os.ttyname(slave))
    os.close(slave)
    port.write(b"up")
    assert os.read(master, 10) == b"up"
    os.write(master, b"down")
    assert port.read(4, 1.0) == b"down"
    assert port.read(1, 0.0) == b""
    os.close(master)
    with pytest.raises(LinkError, match="the cable went away"):
        port.read(1, 0.2)
    port.close()
    port.close()


@POSIX
def test_closing_does_not_hang_up() -> None:
    master, slave = os.openpty()
    port = SerialPort(os.ttyname(slave))
    assert termios.tcgetattr(slave)[2] & termios.HUPCL == 0
    port.close()
    os.close(master)
    os.close(slave)


class Broken:
    """A pyserial port whose every use fails with one error."""

    def __init__(self, error: BaseException) -> None:
        self.error = error

    def __getattr__(self, name: str):
        raise self.error


@pytest.mark.parametrize(
    "error",
    [
        serial.SerialException("device reports readiness to read but returned no data"),
        OSError(errno.EIO, "Input/output error"),
        termios.error(errno.EIO, "Input/output error"),
        TypeError("'NoneType' object cannot be interpreted as an integer"),
    ],
)
@POSIX
def test_whatever_an_unplugged_cable_raises_is_one_link_error(error: BaseException) -> None:
    master, slave = os.openpty()
    port = SerialPort(os.ttyname(slave))
    real, port._port = port._port, Broken(error)
    for use in (lambda: port.read(1, 0.1), lambda: port.write(b"x")):
        with pytest.raises(LinkError, match="the cable went away"):
            use()
    port.close()
    real.close()
    os.close(master)
    os.close(slave)


@pytest.mark.skipif(sys.platform != "linux", reason="only /proc tells")
@pytest.mark.parametrize(("service", "words"), [("ModemManager", "for some 30 s"), ("brltty", "braille")])
def test_a_service_on_the_port_has_words_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, service: str, words: str
) -> None:
    """A process of that name, as /proc lists it."""
    device, proc = tmp_path / "ttyUSB0", tmp_path / "proc"
    device.touch()
    (proc / "77" / "fd").mkdir(parents=True)
    (proc / "77" / "fd" / "5").symlink_to(device)
    (proc / "77" / "comm").write_text(f"{service}\n")
    monkeypatch.setattr(port_trouble, "holders_of", lambda name: holders_of(name, proc))
    text = str(port_trouble.in_use(str(device)))
    assert f"held by a service of this computer, {service}" in text
    assert words in text
    assert f"systemctl stop {service}" in text
    assert port_trouble.running(service, proc)
    assert not port_trouble.running("screen", proc)


def test_an_adapter_that_brltty_took_away_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port_trouble, "running", lambda name: name == "brltty")
    assert "brltty is running" in str(port_trouble.not_there("/dev/ttyUSB0"))
    monkeypatch.setattr(port_trouble, "running", lambda name: False)
    assert "brltty" not in str(port_trouble.not_there("/dev/ttyUSB0"))
