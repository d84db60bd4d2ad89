"""Live control of the shipped firmware: the pins follow the hand, no frame is late, silence ends it."""

from __future__ import annotations

from dataclasses import replace

from sequencer.board.link import Link
from sequencer.board.live import Limb, LiveControl
from sequencer.motion.live import LiveTrack
from tests.motion.live_track import BASE
from tests.player import oracle
from tests.player.oracle import Show, Track

#: As a neck of three and a jaw.
SPECS = (
    *(replace(BASE, name=f"neck{at}", knot_frames=3, bounds=(600, 120, 70)) for at in range(3)),
    replace(BASE, name="jaw", knot_frames=2, low=-900, high=700, bounds=(260, 170, 230)),
)
PINS = (4, 7, 8, 9)


def test_the_pins_follow_the_hand(put_on_board, capsys):
    tracks = [
        Track(spec.knot_frames, spec.lsb_exponent, low=spec.low, high=spec.high, bounds=spec.bounds, pin=pin)
        for spec, pin in zip(SPECS, PINS, strict=True)
    ]
    port = put_on_board(oracle.write(Show(tracks=tracks, scenes=[], settle=240, stop=60, stagger=0, boot=0)))
    port.board.capture(PINS)
    port.reset()
    with Link(port) as link:
        link.hello()
        link.wait_ready()
        control = LiveControl(link, [Limb([at], LiveTrack(spec)) for at, spec in enumerate(SPECS)])
        control.begin()
        for share in (0.3, -0.2, 0.4):
            targets = [[share * spec.high] for spec in SPECS]
            end = port.now_s() + 2.0
            while port.now_s() < end:
                control.step(targets)
                link.reports(0.004)
        for target, spec, pin in zip(targets, SPECS, PINS, strict=True):
            wanted = 16 * (spec.origin_us + target[0] * spec.lsb_us)
            assert abs(port.board.pulses(pin)[-1].width - wanted) <= 16
        control.end()
        telemetry = link.telemetry()
        for pin in PINS:
            assert abs(port.board.pulses(pin)[-1].width - 16 * 1500) <= 16
    with capsys.disabled():
        print(f"\n  {control.told.words}; late frames {telemetry.late_frames}")
    assert control.told.refused == 0
    assert control.told.late <= control.told.taken / 50
    assert telemetry.late_frames == 0
    assert (telemetry.damaged, telemetry.supply_mv, telemetry.supply_ma) == (0, None, None)
