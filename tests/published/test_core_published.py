"""Numbers published outside the project, through the compiled core."""

from __future__ import annotations

import pytest

from sequencer.player.rows import WIRE
from sequencer.player.wasm import WasmMachine


def through(machine: WasmMachine, name: str, data: bytes) -> bytes:
    machine.write(machine.call("x_in"), data)
    count = machine.call(name, len(data))
    assert count <= WIRE
    return machine.read(machine.call("x_out"), count)


def lightness(percent: float) -> float:
    """CIE L* to Y, CIE 15 (secondary source)."""
    return percent / 903.3 if percent <= 8 else ((percent + 16) / 116) ** 3


@pytest.mark.parametrize(
    ("percent", "luminance"), [(1, 0.00110705), (8, 0.00885642), (50, 0.184187), (100, 1.0)]
)
def test_cie_lightness(percent: int, luminance: float) -> None:
    """L* 1, 8, 50, 100: CIE 15, read in a secondary source and computed."""
    assert lightness(percent) == pytest.approx(luminance, rel=3e-6)
    duty = WasmMachine().call("x_curve", percent * 512)
    assert abs(duty / 4095 - luminance) < 1 / 4096


def test_cie_curve_everywhere() -> None:
    machine = WasmMachine()
    duties = [machine.call("x_curve", q) for q in range(0, 51201, 64)]
    errors = [abs(duty / 4095 - lightness(64 * i / 512)) for i, duty in enumerate(duties)]
    assert max(errors) < 1 / 4096
    assert duties == sorted(duties)
    assert (duties[0], duties[-1]) == (0, 4095)


def test_crc16_check_value() -> None:
    """CRC-16/CCITT-FALSE of "123456789" (catalogue of parametrised CRC algorithms)."""
    machine = WasmMachine()
    machine.write(machine.call("x_in"), b"123456789")
    assert machine.call("x_crc16", 9) == 0x29B1


@pytest.mark.parametrize(
    ("plain", "coded"),
    [
        ("4500002C4C79000040064F37", "024501042C4C79010540064F37"),
        ("00", "0101"),
    ],
)
def test_cobs_figure(plain: str, coded: str) -> None:
    """Cheshire and Baker, Consistent Overhead Byte Stuffing, figure 3."""
    machine = WasmMachine()
    assert through(machine, "x_cobs_encode", bytes.fromhex(plain)) == bytes.fromhex(coded)
    assert through(machine, "x_cobs_decode", bytes.fromhex(coded)) == bytes.fromhex(plain)
