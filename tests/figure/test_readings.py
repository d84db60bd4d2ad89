"""Readings in a figure file: what they become, what they may be off, and what is said of impossible ones."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import FigureError
from sequencer.figure import doubt, readings, swings
from sequencer.figure.catalogue import CLASSES
from sequencer.figure.model import Figure
from sequencer.figure.physics import physics
from sequencer.figure.read import parse_figure, read_figure
from sequencer.figure.schema import WobbleTable
from sequencer.figure.schema_masses import SwingTable

Edited = Callable[[str], Figure]
LINE = """speed_s_per_60deg = 0.17
stall_kgcm = 13
at_v = 6.0
pulse_us = [500, 2500]
travel_deg = 180
ends_us"""


@pytest.fixture
def with_head(good_text: str) -> Edited:
    """The figure with another head, whose keys are the argument."""
    start, end = good_text.index("[masses.head]"), good_text.index("[lamps.eye]")

    def edited(keys: str) -> Figure:
        head = f'[masses.head]\ncarried_by = "nod"\n{keys}\n'
        return parse_figure((good_text[:start] + head + good_text[end:]).encode())

    return edited


@pytest.fixture
def with_nod(good_text: str) -> Edited:
    """The figure whose nod has the argument in place of its friction."""

    def edited(keys: str) -> Figure:
        assert "friction_kgcm = 0.4" in good_text
        return parse_figure(good_text.replace("friction_kgcm = 0.4", keys).encode())

    return edited


def moments(figure: Figure) -> list[float]:
    tensor = figure.masses["head"].inertia_kg_m2
    return [tensor[index][index] for index in range(3)]


THREE = """shape = "readings"
weight_g = 500
balance_mm = { forward = 4, down = -60 }
swings = [
  { about = "left", hung_from_mm = 100, ten_swings_s = 7.52348 },
  { about = "back", hung_from_mm = 100, ten_swings_s = 7.52348 },
  { about = "up", threads_apart_mm = 120, thread_mm = 800, ten_swings_s = 19.059 },
]"""


def test_three_swings_make_the_worked_head(with_head: Edited) -> None:
    """Check-values 3: the head of 0.00203022 kg m2, found again from its published periods."""
    figure = with_head(THREE)
    assert moments(figure) == pytest.approx([0.00203022] * 3, rel=2e-5)
    head = figure.masses["head"]
    assert head.centre_m == pytest.approx((0.004, 0.0, 0.06))
    assert (head.basis, head.shape) == ("measured", "readings")
    assert 0.05 < head.spread < 0.3


def test_a_spread_in_the_file_goes_before_the_tools(with_head: Edited) -> None:
    """What the tools may be off, written out, changes nothing; a worse watch widens in proportion."""

    def spread(off: str) -> float:
        swing = f'{{ about = "left", hung_from_mm = 100, ten_swings_s = 7.52348{off} }}'
        swings_of = ", ".join(swing.replace("left", line) for line in ("left", "forward", "up"))
        return with_head(f"{HEAD}swings = [{swings_of}]").masses["head"].spread

    tools = spread("")
    assert spread(", spread = { hung_from_mm = 1, ten_swings_s = 0.2 }") == pytest.approx(tools, rel=1e-12)
    # The watch alone: I = m g L T^2 / 4 pi^2 - m L^2, so dI / I = 2 dT / T (I + m L^2) / I.
    sure = ", spread = {{ hung_from_mm = 1e-6, ten_swings_s = {} }}"
    inertia, arm = 0.00203022, 0.5 * 0.1**2
    for off in (0.2, 0.4):
        watch = 2.0 * off / 7.52348 * (inertia + arm) / inertia
        scale = 0.001 / 0.5
        assert spread(sure.format(off)) == pytest.approx(math.hypot(watch, scale), rel=1e-4)


def test_a_weight_that_may_be_off_widens_inertia_and_gravity(with_head: Edited) -> None:
    ball = 'shape = "sphere"\ndiameter_mm = 100\nweight_g = 500\nat_mm = [0, 0, 60]\nbasis = "measured"\n'
    balance = "balance_mm = { forward = 30 }\n"
    plain = with_head(ball + balance)
    unsure = with_head(ball + balance + "spread = { weight_g = 100, balance_mm = 6 }")
    before, after = plain.masses["head"].spread, unsure.masses["head"].spread
    assert after == pytest.approx(math.hypot(before, 0.2))
    ranges = [doubt.gravity(figure, figure.axes["nod"], physics(figure, "nod")) for figure in (plain, unsure)]
    lever = 0.5 * 9.80665 * math.hypot(0.03, 0.06)
    widths = [found.high - physics(plain, "nod").gravity_torque_n_m for found in ranges]
    assert widths[0] == pytest.approx(0.05 * lever)
    assert widths[1] == pytest.approx(math.hypot(0.2 * lever, 0.5 * 9.80665 * 0.006))


def test_pulls_and_a_film_take_their_own_spread(with_nod: Edited) -> None:
    pulls = "pulls = {{ pull_g = [420, 180], pull_at_mm = 60{} }}"
    nod = with_nod(pulls.format(", spread = { pull_g = 40, pull_at_mm = 3 }")).axes["nod"]
    tools = with_nod(pulls.format("")).axes["nod"]
    assert nod.friction_n_m == tools.friction_n_m
    share = nod.friction_spread_n_m / nod.friction_n_m
    assert share == pytest.approx(math.hypot(math.sqrt(0.5) * 40 / 300, 3 / 60), rel=0.01)
    film = with_nod("wobble = { frames = 96, fps = 60, swings = 8, spread = { frames = 4 } }").axes["nod"]
    assert film.wobble_spread_hz == pytest.approx(5.0 * 4 / 96, rel=0.01)


def test_a_wide_swing_is_brought_to_small_ones(with_head: Edited) -> None:
    wide = 7.52348 * swings.amplitude_factor(math.radians(30.0))
    swing = f'{{ about = "left", hung_from_mm = 100, ten_swings_s = {wide:.6f}, swing_deg = 30 }}'
    figure = with_head(f'shape = "readings"\nweight_g = 500\nat_mm = [0, 0, 60]\nswings = [{swing}]')
    assert moments(figure)[1] == pytest.approx(0.00203022, rel=2e-5)


def test_a_swing_goes_before_its_shape_and_scales_the_other_lines(with_head: Edited) -> None:
    shape = 'shape = "box"\nsize_mm = [100, 120, 140]\nweight_g = 500\nat_mm = [0, 0, 60]\n'
    plain = with_head(shape)
    factor = 1.4
    arm, inertia = 0.1, factor * moments(plain)[1]
    ten = 10.0 * swings.pendulum_period(inertia + 0.5 * arm**2, 0.5, arm)
    swung = with_head(
        shape + f'swings = [{{ about = "left", hung_from_mm = 100, ten_swings_s = {ten:.8f} }}]'
    )
    assert moments(swung) == pytest.approx([factor * moment for moment in moments(plain)], rel=1e-6)
    assert swung.masses["head"].basis == "measured"
    assert plain.masses["head"].spread == 0.4


def test_not_even_a_size_still_gives_a_marked_guess(with_head: Edited) -> None:
    head = with_head('shape = "readings"\nweight_g = 1400\nat_mm = [0, 0, 60]').masses["head"]
    assert head.basis == "guess"
    assert head.spread >= 0.5
    # A hollow head of 1.4 kg and 190 mm is within that.
    known = 0.6 * 1.4 * 0.095**2
    assert known / (1 + head.spread) < head.inertia_kg_m2[0][0] < known * (1 + head.spread)


@settings(max_examples=25, deadline=None)
@given(
    weight=st.floats(50, 3000),
    hung=st.floats(30, 300),
    gyration=st.floats(0.02, 0.12),
    threads=st.booleans(),
)
def test_the_spread_is_that_of_repeated_readings(
    weight: float, hung: float, gyration: float, threads: bool
) -> None:
    """Two thousand readings with the tools' scatter spread as far as the propagation says."""
    mass, arm = weight / 1000.0, hung / 1000.0
    central = mass * gyration**2
    random = np.random.default_rng(7)

    def scattered(value: float, spread: float) -> np.ndarray:
        return value + spread * random.standard_normal(2000)

    if threads:
        time = 10.0 * swings.bifilar_period(central, mass, arm, 0.8)
        swing = SwingTable(about="up", threads_apart_mm=hung, thread_mm=800.0, ten_swings_s=time)
        columns = (scattered(mass, 0.001), scattered(arm, 0.001), scattered(0.8, 0.001))
        times = scattered(time, 0.2) / 10.0
        found = [swings.bifilar_inertia(*row) for row in zip(*columns, times, strict=True)]
    else:
        time = 10.0 * swings.pendulum_period(central + mass * arm**2, mass, arm)
        swing = SwingTable(about="left", hung_from_mm=hung, ten_swings_s=time)
        pair = scattered(mass, 0.001), scattered(arm, 0.001)
        times = scattered(time, 0.2) / 10.0
        found = [swings.pendulum_central(*row) for row in zip(*pair, times, strict=True)]
    reading = readings.swing_inertia(weight, swing)
    assert reading.value == pytest.approx(central, rel=1e-6)
    assert reading.spread == pytest.approx(float(np.std(found)), rel=0.12)


def test_pulls_are_the_friction_and_tell_the_imbalance(with_nod: Edited) -> None:
    nod = with_nod("pulls = { pull_g = [420, 180], pull_at_mm = 60 }").axes["nod"]
    assert nod.friction_n_m == pytest.approx(0.3 * 9.80665 * 0.06)
    assert nod.friction_basis == "measured"
    assert nod.pulled is not None
    assert nod.pulled.imbalance_n_m == pytest.approx(0.12 * 9.80665 * 0.06)
    # 10 g on each pull, 1 mm on 60: 7 g of 300, and 1/60.
    share = nod.friction_spread_n_m / nod.friction_n_m
    assert share == pytest.approx(math.hypot(7.07 / 300, 1 / 60), rel=0.01)


def test_a_filmed_wobble_is_the_ramp(with_nod: Edited) -> None:
    film = "wobble = { frames = 96, fps = 60, swings = 8, amplitudes_mm = [12, 5] }"
    nod = with_nod(film).axes["nod"]
    assert nod.ramp_s == pytest.approx(0.2)
    assert nod.wobble_hz == pytest.approx(5.0)
    assert nod.wobble_spread_hz == pytest.approx(5.0 / 96, rel=0.01)
    decrement = math.log(12 / 5) / 8
    assert nod.damping_ratio == pytest.approx(decrement / math.hypot(math.tau, decrement))
    assert with_nod(film + "\nramp_s = 0.3").axes["nod"].ramp_s == 0.3


def test_one_frame_is_what_a_film_may_be_off() -> None:
    film = readings.wobble(WobbleTable(frames=40.0, fps=60.0, swings=4.0))
    assert film.frequency_hz.relative == pytest.approx(1 / 40, rel=0.01)
    assert film.damping is None


HEAD = 'shape = "readings"\nweight_g = 500\nat_mm = [0, 0, 60]\n'
BALL = 'shape = "sphere"\ndiameter_mm = 100\nweight_g = 9\nat_mm = [0, 0, 0]\n'
IN_A_BOX = HEAD + "size_mm = [160, 160, 160]\nmiddle_mm = [0, 0, 60]\n"


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ('shape = "readings"\nweight_g = -500\nat_mm = [0, 0, 1]', ["weight_g", "write weight_g = 500"]),
        ('shape = "readings"\nweight_g = 500', ["balance_mm", "nobody told where the part balances"]),
        (
            HEAD + "balance_mm = { up = 3, dwn = 5 }",
            ["unknown key `dwn`", "keys known here: up, down, left, right, forward, back"],
        ),
        (HEAD + "balance_mm = { up = 3, down = 5 }", ["`up` and `down` are the same line", "up = -5"]),
        (
            IN_A_BOX + "balance_mm = { up = 190 }",
            [
                "balance outside itself, along z (up)",
                "value: 190 mm",
                "-20 to 140 mm",
                "nearest possible is 140",
            ],
        ),
        (
            BALL + "balance_mm = { left = -51.5 }",
            ["along y (left)", "-50 to 50 mm"],
        ),
        (
            HEAD + 'swings = [{ about = "left", hung_from_mm = 100, ten_swings_s = 3.76 }]',
            [
                "swings[0].ten_swings_s",
                "more than 6.34 s",
                "there and back as one swing",
                "7.52",
                "less than 35",
            ],
        ),
        (
            HEAD + 'swings = [{ about = "left", hung_from_mm = 100, ten_swings_s = 2 }]',
            ["time ten whole swings again", "less than 10"],
        ),
        (
            IN_A_BOX + 'swings = [{ about = "left", hung_from_mm = 100, ten_swings_s = 15.05 }]',
            ["slower than a part of this size and weight can be", "at most 9.58 s", "check hung_from_mm"],
        ),
        (
            IN_A_BOX
            + 'swings = [{ about = "up", threads_apart_mm = 120, thread_mm = 800, ten_swings_s = 95 }]',
            ["at most 33.84 s", "threads_apart_mm and thread_mm"],
        ),
        (
            HEAD + 'swings = [{ about = "up", threads_apart_mm = 120, ten_swings_s = 9 }]',
            ["`thread_mm` is missing"],
        ),
        (HEAD + 'swings = [{ about = "up", ten_swings_s = 9 }]', ["nobody told how it hung"]),
        (
            HEAD + 'swings = [{ about = "up", hung_from_mm = 9, thread_mm = 800, ten_swings_s = 9 }]',
            ["one line or on two threads, not both"],
        ),
        (
            HEAD + 'swings = [{ about = "up", hung_from_mm = 9, ten_swing_s = 9 }]',
            ["unknown key `ten_swing_s`; did you mean `ten_swings_s`?"],
        ),
        (
            THREE.replace("19.059", "39"),
            ["no body has this inertia about `up`", "value: 8501 kg mm2", "limit: 4060 kg mm2"],
        ),
        (HEAD + "spread = { weight_g = -5 }", ["spread.weight_g", "must be more than zero", "weight_g = 5"]),
        (HEAD + "spread = { weight_g = 600 }", ["spread.weight_g", "says nothing", "at most 250, half"]),
        (HEAD + "spread = { balance_mm = 2 }", ["there is no reading `balance_mm` that may be off"]),
        (
            HEAD + 'swings = [{ about = "left", hung_from_mm = 100, ten_swings_s = 7.5, '
            "spread = { ten_swings_s = 8 } }]",
            ["swings[0].spread.ten_swings_s", "at most 3.75, half of the reading"],
        ),
        ('shape = "stl"\nfile = "gone.stl"', ["no such mesh file", "beside figure.toml"]),
        ('shape = "stl"\nfile = "gone.stl"\ninfill_percent = 15', ["wall_mm: is missing"]),
    ],
)
def test_impossible_readings_say_which_number_and_to_what(
    with_head: Edited, keys: str, says: list[str]
) -> None:
    with pytest.raises(FigureError) as caught:
        with_head(keys)
    text = str(caught.value)
    for words in says:
        assert words in text
    assert all(fault.remedy and fault.line for fault in caught.value.faults)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ("pulls = { pull_g = [420, -480], pull_at_mm = 60 }", ["pulls leave no friction", "[420, -480] g"]),
        (
            "friction_kgcm = 0.4\npulls = { pull_g = [420, 180], pull_at_mm = 60 }",
            ["the pulls already tell the friction", "1.80 kg cm by the pulls", "remove friction_kgcm"],
        ),
        (
            "pulls = { pull_g = [420, 180], pull_at_mm = 60, spread = { pull_at_mm = 70 } }",
            ["pulls.spread.pull_at_mm", "at most 30, half of the reading"],
        ),
        (
            "wobble = { frames = 6, fps = 60, swings = 8 }",
            ["cannot show swings that fast", "at least 16 frames"],
        ),
        (
            "wobble = { frames = 96, fps = 60, swings = 8, amplitudes_mm = [5, 12] }",
            ["does not die away", "the second below 5 mm"],
        ),
    ],
)
def test_impossible_joints_say_so_too(with_nod: Edited, keys: str, says: list[str]) -> None:
    with pytest.raises(FigureError) as caught:
        with_nod(keys)
    for words in says:
        assert words in str(caught.value)


def test_a_swing_just_possible_is_read_and_one_just_not_is_refused(with_head: Edited) -> None:
    """At the limit, on both sides: as quick as a point at that distance, within what a hand may be off."""
    least = 10.0 * math.tau * math.sqrt(0.1 / 9.80665)
    swing = HEAD + 'swings = [{{ about = "left", hung_from_mm = 100, ten_swings_s = {:.5f} }}]'
    head = with_head(swing.format(least)).masses["head"]
    assert head.spread >= 1.0
    with pytest.raises(FigureError):
        with_head(swing.format(least - 0.6))


@pytest.mark.parametrize(
    "swing",
    [
        # What the remedies of the table above offer, typed in.
        '{ about = "left", hung_from_mm = 100, ten_swings_s = 7.52 }',
        '{ about = "left", hung_from_mm = 34, ten_swings_s = 3.76 }',
        '{ about = "left", hung_from_mm = 100, ten_swings_s = 9.58 }',
        '{ about = "up", threads_apart_mm = 120, thread_mm = 800, ten_swings_s = 33.84 }',
    ],
)
def test_what_a_remedy_offers_is_accepted(with_head: Edited, swing: str) -> None:
    assert moments(with_head(f"{IN_A_BOX}swings = [{swing}]"))[1] > 0.0


@settings(max_examples=60, deadline=None)
@given(ten=st.floats(0.5, 60), hung=st.floats(1, 500), apart=st.floats(1, 500), two=st.floats(0.5, 60))
def test_any_readings_make_a_body_that_can_be_or_faults(
    ten: float, hung: float, apart: float, two: float
) -> None:
    text = (Path(__file__).parents[2] / "sequencer/figure/starter/figure.toml").read_text(encoding="utf-8")
    head = (
        f'\n[masses.odd]\ncarried_by = "nod"\n{HEAD}swings = ['
        f'{{ about = "left", hung_from_mm = {hung}, ten_swings_s = {ten} }}, '
        f'{{ about = "up", threads_apart_mm = {apart}, thread_mm = 800, ten_swings_s = {two} }}]\n'
    )
    try:
        figure = parse_figure((text + head).encode())
    except FigureError:
        return
    tensor = np.array(figure.masses["odd"].inertia_kg_m2)
    low, middle, high = np.linalg.eigvalsh(tensor)
    assert low > 0.0
    assert high <= (low + middle) * (1 + 1e-9)
    assert figure.masses["odd"].spread > 0.0


def test_a_class_fills_in_what_nobody_knows(good_text: str) -> None:
    text = good_text.replace(LINE, 'class = "standard"\nstall_kgcm = 6\nends_us', 1)
    servo = parse_figure(text.encode()).servos["turn"]
    known = CLASSES["standard"]
    assert servo.stall_torque_n_m == pytest.approx(6 * 0.0980665)
    assert servo.at_v == known.at_v
    assert math.degrees(servo.no_load_speed_rad_s) == pytest.approx(60.0 / known.speed_s_per_60deg)
    assert (servo.stall_a, servo.stall_a_basis, servo.line_basis) == (known.stall_a, "typical", "typical")
    assert servo.class_name == "standard"
    assert servo.weight_kg == pytest.approx(known.weight_g / 1000)


def test_a_class_with_every_key_said_is_no_longer_typical(good_text: str) -> None:
    text = good_text.replace("[servos.nod]", '[servos.nod]\nclass = "standard"')
    servo = parse_figure(text.encode()).servos["nod"]
    assert (servo.stall_a_basis, servo.line_basis) == ("datasheet", "datasheet")


def test_an_unknown_class_is_one_fault(good_text: str) -> None:
    text = good_text.replace(LINE, 'class = "standrd"\nends_us', 1)
    with pytest.raises(FigureError) as caught:
        parse_figure(text.encode())
    assert len(caught.value.faults) == 1
    assert '"standard"' in str(caught.value)


def test_a_mesh_beside_the_figure_is_its_mass(tmp_path: Path, good_text: str) -> None:
    start, end = good_text.index("[masses.head]"), good_text.index("[lamps.eye]")
    box = trimesh.creation.box(extents=(100.0, 80.0, 60.0))
    box.apply_translation((50.0, 0.0, 0.0))
    box.export(tmp_path / "head.stl")
    head = '[masses.head]\nshape = "stl"\nfile = "head.stl"\ncarried_by = "nod"\nat_mm = [0, 0, 10]\n'

    def read(keys: str) -> Figure:
        text = good_text[:start] + head + keys + good_text[end:]
        (tmp_path / "figure.toml").write_text(text, encoding="utf-8")
        return read_figure(tmp_path)

    turned = read("turned_deg = [0, 0, 90]\nweight_g = 480\n").masses["head"]
    assert turned.mass_kg == pytest.approx(0.48)
    assert turned.centre_m == pytest.approx((0.0, 0.05, 0.01), abs=1e-9)
    closed = np.diag([0.1**2 + 0.06**2, 0.08**2 + 0.06**2, 0.08**2 + 0.1**2]) * 0.48 / 12
    assert np.array(turned.inertia_kg_m2) == pytest.approx(closed, rel=1e-5, abs=1e-12)
    assert turned.basis == "measured"
    printed = read("wall_mm = 2\ninfill_percent = 15\n").masses["head"]
    inner = 0.096 * 0.076 * 0.056
    assert printed.mass_kg == pytest.approx(1240 * (0.1 * 0.08 * 0.06 - 0.85 * inner), rel=1e-5)
    assert (printed.basis, printed.spread) == ("typical", 0.3)


def test_without_the_mesh_library_the_remedy_names_it(
    tmp_path: Path, good_text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "trimesh", None)
    start, end = good_text.index("[masses.head]"), good_text.index("[lamps.eye]")
    head = '[masses.head]\nshape = "stl"\nfile = "head.stl"\ncarried_by = "nod"\n'
    with pytest.raises(FigureError, match=r"quarterjack\[stl\]"):
        parse_figure((good_text[:start] + head + good_text[end:]).encode())
