"""The Lantern Keeper with a servo and a lamp on expanders: from figure.toml to the image and the report."""

from __future__ import annotations

import shutil
from pathlib import Path

from sequencer.player.player import Fault, Player
from sequencer.show import build_show, check_built
from sequencer.tables.extra_expanders import ExpanderRecord, output_pin, read_expanders

KEEPER = Path(__file__).parents[1] / "shows" / "lantern_keeper"
MORE = """
[expanders.neck]
address = 0x40
serves = "servos"
oscillator_mhz = 25.4
[expanders.eyes]
address = 0x41
serves = "lamps"
"""


def test_a_show_on_expanders_is_built_proven_and_told(tmp_path: Path) -> None:
    folder = tmp_path / "keeper"
    shutil.copytree(KEEPER, folder)
    for scene in ("doze", "storm"):  # two scenes are enough here
        (folder / f"{scene}.scene").unlink(missing_ok=True)
    (folder / "event.toml").unlink(missing_ok=True)
    file = folder / "figure.toml"
    text = file.read_text(encoding="utf-8")
    for old, new in (('"D10"', '"neck.0"'), ('"D6"', '"eyes.4"')):
        assert text.count(f"pin = {old}") == 1
        text = text.replace(f"pin = {old}", f"pin = {new}")
    file.write_text(text + MORE, encoding="utf-8")
    built = build_show(folder)
    tracks = {track.name: track for track in built.contents.tracks}
    jaw = tracks["jaw"]
    assert jaw.pin == output_pin(0, 0)
    assert output_pin(1, 4) in {lamp.pin for lamp in built.contents.lamps}
    neck, eyes = read_expanders(built.contents)
    assert neck == ExpanderRecord(0x40, "servos", 25_400)
    assert eyes == ExpanderRecord(0x41, "lamps", None)
    servo = built.figure.servos["jaw"]
    low, high = servo.pulse_us if servo.ends_us is None else servo.ends_us
    # half a count of 4.88 us and 0.2 % of the longest pulse are kept free at either end
    assert low + 2.4 + 0.002 * servo.pulse_us[1] <= jaw.ends_us[0] <= low + 4 + 0.002 * servo.pulse_us[1]
    assert high - 4 - 0.002 * servo.pulse_us[1] <= jaw.ends_us[1] <= high - 2.4 - 0.002 * servo.pulse_us[1]
    player = Player(built.image)
    assert player.open() is Fault.OK
    report = check_built(built).report
    coarse = [item for item in report.findings if item.channel == "jaw" and "expander" in item.message]
    assert [item.severity for item in coarse] == ["note"]
    assert not [item for item in report.findings if item.severity == "error"]
