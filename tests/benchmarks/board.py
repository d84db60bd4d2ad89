"""The shipped firmware on the emulated boards: pulses, lamps, triggers and the clock under load, in figures.

    python tests/benchmarks/board.py [--quick] [--json]

*Pulses*: both pin budgets of the Uno's chip (Nano: 12 servos, 2 lamps, I2C, trigger, current on A6; Uno: 8
servos, 4 lamps, I2C, trigger, stop, current) and the full Mega, while a scene moves every servo and fades
the lamps, an expander is written to each frame, an analog input is read, the trigger bounces, and questions
come as fast as the line goes. *Jitter* is the spread of the captured widths less what the player core works
out, peak to peak over all servos; *latency* is how late the pulse interrupt looked at its edge, of the lead
it has. The peer is a plain interrupt program of ours (plain_servo.c) with the same lamps and serial
interrupts: the servo library that builders know is not in Debian's arduino-core-avr.
*Lamps*: the mean of sixteen periods against the duty asked for, in 4096ths. *Trigger*: from the edge to the
first pulses of the transition. *Clock*: the board's frames against the host's time, half a per cent off.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any, Literal

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from sequencer.board.clock import BoardClock  # noqa: E402
from sequencer.board.emulated import EmulatedBoard  # noqa: E402
from sequencer.board.emulated_kinds import BOARD_KINDS  # noqa: E402
from sequencer.board.emulated_port import EmulatedTransport  # noqa: E402
from sequencer.board.frames import Frame  # noqa: E402
from sequencer.board.messages import catalogue  # noqa: E402
from sequencer.board.pca9685 import Pca9685  # noqa: E402
from sequencer.board.reports import IDLE, STARTED, TRIGGERED  # noqa: E402
from sequencer.firmware.boards import prebuilt_player  # noqa: E402
from sequencer.tables.extra_expanders import ExpanderRecord, expanders_extra, output_pin  # noqa: E402
from sequencer.tables.extra_guard import SensorRecord, guard_extra  # noqa: E402
from sequencer.tables.image import build_image  # noqa: E402
from sequencer.tables.model import InputRecord, LampRecord, ShowImage, Transition  # noqa: E402
from sequencer.tables.streams import encode_lamp  # noqa: E402
from sequencer.timeline.model import LampStep  # noqa: E402
from tests.board.emulated_show import FRAME, Stage, core_frames, idle_levels, made_show, start_stage  # noqa: E402

#: Cycles of a byte on the emulated line.
BYTE = 704
DEBOUNCE = 3
EXPANDER = 0x40
#: The most that a trigger may take: two frames, the debounce, the wait for a common knot.
MOST_FRAMES = 2 + 6
SAMPLE_MS = 20 / 6


@dataclass(frozen=True)
class Budget:
    """A board with every pin in use."""

    board: str
    servos: tuple[int, ...]
    lamps: tuple[int, ...]
    trigger: int
    stop: int | None
    sensor: int
    serves: Literal["servos", "lamps"]  # the expander on its I2C pins

    @property
    def all_servos(self) -> tuple[int, ...]:
        """The expander's after the board's own."""
        return self.servos + ((output_pin(0, 0), output_pin(0, 9)) if self.serves == "servos" else ())

    @property
    def all_lamps(self) -> tuple[int, ...]:
        """The expander's after the board's own."""
        return self.lamps + ((output_pin(0, 3),) if self.serves == "lamps" else ())


BUDGETS = {
    "nano 12 servos": Budget(
        "nano", (2, 3, 4, 7, 8, 9, 10, 11, 12, 14, 15, 16), (5, 6), 17, None, 20, "lamps"
    ),
    "uno 8 servos": Budget("uno", (2, 4, 7, 8, 9, 10, 12, 14), (3, 5, 6, 11), 15, 16, 17, "servos"),
    "mega 24 servos": Budget(
        "mega",
        (4, 9, 10, 11, 12, 14, 15, 16, 17, 18, 19, *range(22, 30), 36, 42, 47, 62, 69),
        (2, 3, 5, 6, 7, 8, 44, 45),
        54,
        55,
        56,
        "lamps",
    ),
}


def budget_show(budget: Budget) -> ShowImage:
    """The made show on these pins, its lamps fading all the time, an expander at work."""
    show, _ = made_show(budget.all_servos)
    lamps = [LampRecord(f"l{pin}", pin, pin % 2 == 1, 20) for pin in budget.all_lamps]
    fades = [
        tuple(LampStep(0.1 + 0.4 * turn, "ramp", (turn + index) % 3 / 2, 0.4) for turn in range(11))
        for index in range(len(lamps))
    ]
    scenes = tuple(
        replace(
            scene,
            lamps=tuple(
                encode_lamp(steps, scene.frames, 20_000) if scene.name == "greet" else None for steps in fades
            ),
        )
        for scene in show.scenes
    )
    inputs = [InputRecord("beam", budget.trigger, True, True, DEBOUNCE, 50, "greet", 0, None)]
    if budget.stop is not None:
        inputs.append(InputRecord("stop", budget.stop, True, True, DEBOUNCE, 0, None, 0, None, **_stop()))
    sensor = SensorRecord(budget.sensor, 255, 10_000, 0, 8, 255, 5, hold=False, tell_only=True)
    extras = (
        guard_extra([sensor], [scene.frames for scene in scenes], [None] * len(scenes)),
        expanders_extra((ExpanderRecord(EXPANDER, budget.serves, 25_000),), 400),
    )
    return replace(
        show,
        board=budget.board,
        lamps=tuple(lamps),
        scenes=scenes,
        inputs=tuple(inputs),
        transitions=((Transition(24, 0),) * (len(scenes) + 1),),
        extras=tuple(extra for extra in extras if extra is not None),
    )


def _stop() -> dict[str, Any]:
    """What makes an input a stop, as far as this version's records know it."""
    return {"kind": "stop"} if "kind" in InputRecord.__dataclass_fields__ else {}


def stage_on(board_kind: str, show: ShowImage, clock_ppm: float = 0.0) -> Stage:
    """The shipped player and the show on an emulated board, without its loader."""
    player = prebuilt_player(board_kind)
    image = build_image(show)
    board = EmulatedBoard(None, BOARD_KINDS[board_kind])
    for segment in player.segments:
        board.load(segment.address, segment.data)
    board.load(player.board.image_base, image)
    board.i2c.plug(Pca9685(EXPANDER))
    for record in show.inputs:
        board.drive(record.pin, int(record.active_low))
    return start_stage(EmulatedTransport(board, clock_ppm=clock_ppm), image, show)


def pulses_case(budget: Budget, scenes: int) -> dict[str, Any]:
    """Jitter, latency and traffic of one budget."""
    show = budget_show(budget)
    stage = stage_on(budget.board, show)
    board = stage.board
    board.analog(budget.sensor, 1500)
    stage.run_s(0.5)
    ask = catalogue().by_name["ask_status"].code
    flood = b"".join(Frame(1 + i % 255, ask, b"").encode().ljust(18, b"\0") for i in range(255))
    fed = sent = 0
    i2c_before, begin = board.i2c.bytes, board.cycle
    for _ in range(scenes):
        stage.cue("greet")
        end = board.cycle + 250 * FRAME
        turn = 0
        while board.cycle < end:
            if board.unsent < 400:
                board.feed(flood)
                fed += len(flood)
            turn += 1
            # Low for less than a sample's time, then high for more: a bounce, never a visitor.
            board.drive(budget.trigger, turn % 2)
            board.run(FRAME // 5 if turn % 2 else FRAME // 9)
            sent += len(board.take())
        board.drive(budget.trigger, 1)
        while board.unsent:
            board.run(FRAME)
        board.run(FRAME)
        board.take()
        stage.link.hello()  # the flood was another host: its numbers count no more
        stage.run_s(1.5)  # back to idle
    busy = fed * BYTE / (scenes * 250 * FRAME)
    widths = stage.widths()
    core = core_frames(stage.image, stage, len(widths), idle_levels(show))
    rows = slice(40, len(widths) - 2)
    own = slice(len(budget.servos))
    due = core.pulse_sixteenths[rows, own].astype(np.int64)
    error = widths[rows, own] - due
    moved = int(np.ptp(due, axis=0).min())
    rises = sorted(edge.cycle for edge in board.edges if edge.level)
    first = sorted(board.pulses(pin)[0].start for pin in budget.servos)
    status = stage.link.status()
    found: dict[str, Any] = {
        "servos": len(budget.servos),
        "lamps": len(budget.lamps),
        "on_the_expander": budget.serves,
        "frames": len(widths),
        "jitter_us": float(np.ptp(error)) / 16,
        "width_error_us": float(np.abs(error).max()) / 16,
        "least_travel_us": moved / 16,
        "late_frames": status.late_frames,
        "overruns": board.overruns,
        "receive_busy": min(1.0, busy),
        "i2c_bytes_per_s": (board.i2c.bytes - i2c_before) / ((board.cycle - begin) / 16e6),
        "current_reading": stage.link.seen(0).now,
        "closest_rises_us": min(b - a for a, b in pairwise(rises)) / 16,
        "closest_start_ups_ms": min(b - a for a, b in pairwise(first)) / 16_000,
    }
    if "telemetry" in catalogue().by_name:
        found["worst_latency_cycles"] = stage.link.request("ask_telemetry").number("worst_latency")
    return found


def avr() -> ModuleType:
    """The script that builds the player."""
    script = ROOT / "firmware_templates" / "avr" / "build_avr.py"
    spec = importlib.util.spec_from_file_location("build_avr", script)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["build_avr"] = module
    spec.loader.exec_module(module)
    return module


def program(build: ModuleType, source: str, kind: str, names: Sequence[str], *extra: str) -> EmulatedBoard:
    """An emulated board running a small program around the shipped files."""
    with tempfile.TemporaryDirectory() as folder:
        elf = Path(folder, "program.elf")
        files = [Path(__file__).with_name(source), *(build.AVR / name for name in names)]
        target = build.MEGA if kind == "mega" else build.UNO
        build.compile_elf(elf, files, extra, target)
        board = EmulatedBoard(None, BOARD_KINDS[kind])
        board.load(0, build.content(elf))
    board.power_on()
    return board


def peer_jitter(build: ModuleType, frames: int) -> float:
    """The plain program's jitter in microseconds, the line full both ways."""
    board = program(build, "plain_servo.c", "uno", ("uart.c", "lamps.c", "pins.c"))
    pins = (2, 4, 7, 8, 9, 10, 14, 15)
    board.run(2 * FRAME)
    board.capture(pins)
    board.feed(np.random.default_rng(3).bytes(frames * FRAME // BYTE))
    board.run(frames * FRAME)
    spread = 0
    for pin in pins:
        widths = [pulse.width for pulse in board.pulses(pin)]
        spread = max(spread, max(widths) - min(widths))
    return spread / 16


def interrupts(build: ModuleType) -> dict[str, int]:
    """The pulse interrupt's budget, counted in the listing of the shipped program (Uno)."""
    from tests.board.test_uno_budget import longest, to_first_look

    with tempfile.TemporaryDirectory() as folder:
        elf = Path(folder, "player.elf")
        build.compile_elf(elf, build.sources())
        listing = subprocess.run(
            ["avr-objdump", "-d", str(elf)], capture_output=True, text=True, check=True
        ).stdout
    lead = next(
        int(line.split()[2].rstrip("u"))
        for line in (build.AVR / "pulses.c").read_text().splitlines()
        if line.startswith("#define LEAD")
    )
    lamps, transmit, receive = (longest(listing, vector) for vector in (16, 19, 18))
    return {
        "lead_cycles": lead,
        "lamps_cycles": lamps,
        "transmit_cycles": transmit,
        "receive_cycles": receive,
        "first_look_cycles": to_first_look(listing),
    }


def lamp_error(build: ModuleType, kind: str, step: int) -> dict[str, Any]:
    """The largest difference between a lamp's mean light and the duty asked for, in 4096ths."""
    names = ("lamps.c", "lamps_mega.c", "pins.c")
    board = program(build, "lamp_sweep.c", kind, names, f"-DSTEP={step}u")
    data, pins, top = board.chip.data, tuple(board.kind.lamps), board.kind.lamp_top
    worst, compared, seen = 0.0, 0, data[0x3E]
    while compared < 4096 // step - 1:
        while data[0x3E] == seen:
            board.run(2000)
        seen = data[0x3E]
        duty = int(data[0x4A]) | int(data[0x4B]) << 8
        board.run(3 * 32768)
        board.lamp_samples.clear()
        board.sample_lamps()
        periods = 16 if top == 255 else 1
        while len(board.lamp_samples) < periods:
            board.run(2048)
        rows = np.array([highs for _, highs in board.lamp_samples[:periods]])
        light = rows.mean(axis=0) * 4096 / (top + 1)
        wanted = min(duty, 4080) if top == 255 else duty
        worst = max(worst, float(np.abs(light - wanted).max()))
        compared += 1
    return {"lamps": len(pins), "duties": compared, "worst_error_4096ths": worst}


def trigger_case(tries: int) -> dict[str, Any]:
    """From a beam's edge to the first pulses of the transition, at random moments, in milliseconds."""
    budget = BUDGETS["uno 8 servos"]
    stage = stage_on("uno", budget_show(budget))
    board, rng = stage.board, np.random.default_rng(8)
    took = []
    for _ in range(tries):
        while stage.link.status().state != IDLE:
            stage.run_s(0.2)
        stage.run_s(1.2)
        stage.link.reports()
        board.run(int(rng.integers(6 * FRAME)))
        edge = board.cycle
        board.drive(budget.trigger, 0)
        started = None
        while started is None:
            for report in stage.link.reports(0.002):
                if report.name == "happened" and report.number("what") in (STARTED, TRIGGERED):
                    started = board.cycle if report.number("what") == STARTED else None
        # The frame that was worked out then plays from the next frame's beginning.
        begins = (started - stage.boundary()) // FRAME + 1
        took.append((begins * FRAME + stage.boundary() - edge) / 16_000)
        board.drive(budget.trigger, 1)
    return {
        "tries": tries,
        "longest_ms": max(took),
        "mean_ms": float(np.mean(took)),
        "limit_ms": 20.0 * MOST_FRAMES + DEBOUNCE * SAMPLE_MS,
    }


def clock_case(ppm: float, seconds: float, follow: bool) -> dict[str, Any]:
    """The show's time against the host's, from the captured pulses of one servo."""
    show, _ = made_show((9,), seed=2)
    stage = stage_on("uno", show, ppm)
    port, begin, trims = stage.port, 0.0, 0
    clock = BoardClock(stage.link)
    stage.link.status()
    begin = port.now_s()
    if follow:
        clock.keep()
    stage.cue("idle", 0)
    while port.now_s() < begin + seconds:
        stage.link.reports(0.25 if port.now_s() < begin + 3 else 1.0)
        if follow:
            clock.keep()
            trims += 1
    starts = [
        pulse.start / port.board_rate
        for pulse in stage.board.pulses(9)
        if pulse.start / port.board_rate >= begin
    ]
    drift = np.array(starts) - starts[0] - 0.02 * np.arange(len(starts))
    steps = np.diff(starts) * port.board_rate / FRAME - 1
    return {
        "clock_ppm": ppm,
        "followed": follow,
        "seconds": starts[-1] - starts[0],
        "worst_ms": float(np.abs(drift).max() * 1e3),
        "last_ms": float(drift[-1] * 1e3),
        "largest_trim_and_slew_percent": float(np.abs(steps).max() * 100),
        "corrections": trims,
    }


def measure(quick: bool) -> dict[str, Any]:
    """Every figure."""
    build = avr()
    out: dict[str, Any] = {"interrupts": interrupts(build)}
    out["plain interrupt servos (ours)"] = {"jitter_us": peer_jitter(build, 60 if quick else 300)}
    for name, budget in BUDGETS.items():
        case = pulses_case(budget, 1 if quick else 4)
        tick = 1 / 16
        case["ratio"] = {
            "plain": out["plain interrupt servos (ours)"]["jitter_us"] / max(case["jitter_us"], tick)
        }
        out[name] = case
    for kind in ("uno", "mega"):
        out[f"lamps {kind}"] = lamp_error(build, kind, 97 if quick else 13)
    out["trigger"] = trigger_case(5 if quick else 40)
    for ppm in (5000.0, -5000.0):
        out[f"clock {ppm:+.0f} ppm"] = clock_case(ppm, 20 if quick else 600, follow=True)
    out["clock left alone"] = clock_case(5000.0, 20 if quick else 600, follow=False)
    return out


def table(result: dict[str, Any]) -> str:
    """The figures as lines."""
    lines = []
    for name, case in result.items():
        lines.append(name)
        for key, value in case.items():
            if isinstance(value, dict):
                value = ", ".join(f"{peer} {number:.1f}" for peer, number in value.items())
            elif isinstance(value, float):
                value = f"{value:.4g}"
            lines.append(f"    {key:32s} {value}")
    return "\n".join(lines)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    begin = time.perf_counter()
    result = measure(asked.quick)
    if asked.json:
        print(json.dumps({"cases": result, "quick": asked.quick, "took_s": time.perf_counter() - begin}))
    else:
        print(table(result))
        print(f"took {time.perf_counter() - begin:.1f} s")


if __name__ == "__main__":
    main()
