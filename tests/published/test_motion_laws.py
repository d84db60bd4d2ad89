"""Motion laws and fastest moves against published numbers.

Laws: Norton, *Design of Machinery*, cam chapter, and VDI 2143 (from memory). Fastest moves: Biagiotti &
Melchiorri 2008, section 3.4 (from memory), and the library ruckig as an independent answer.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from sequencer.timeline.fastest import fastest_s
from sequencer.timeline.laws import LAWS

BY_NAME = {law.name: law for law in LAWS.values()}

TABLE = [  # name, peak v, peak a, peak j, s(0.25)
    ("parabolic", 2, 4, math.inf, 0.125),
    ("simple harmonic", 1.5708, 4.9348, math.inf, 0.146447),
    ("cycloidal", 2, 6.28319, 39.478, 0.090845),
    ("modified trapezoid", 2, 4.88812, 61.426, 0.104480),
    ("modified sine", 1.75960, 5.52796, 69.466, 0.117178),
    ("3-4-5 polynomial", 1.875, 10 / math.sqrt(3), 60, 0.103516),
    ("4-5-6-7 polynomial", 2.1875, 84 * math.sqrt(5) / 25, 52.5, 0.070557),
]


@pytest.mark.parametrize(("name", "cv", "ca", "cj", "quarter"), TABLE)
def test_peak_factors(name: str, cv: float, ca: float, cj: float, quarter: float) -> None:
    law = BY_NAME[name]
    assert law.cv == pytest.approx(cv, rel=5e-6)
    assert law.ca == pytest.approx(ca, rel=5e-6)
    assert law.cj == pytest.approx(cj, rel=2e-5)  # as many digits as are printed
    assert float(law.s(0.25)) == pytest.approx(quarter, abs=6e-7)


def test_the_table_names_every_law() -> None:
    assert {row[0] for row in TABLE} == set(BY_NAME)


def test_worked_example_of_60_degrees_in_400_ms() -> None:
    law = BY_NAME["3-4-5 polynomial"]
    assert 60 * law.cv / 0.4 == pytest.approx(281.25)
    assert 60 * law.ca / 0.4**2 == pytest.approx(2165.06, abs=0.01)
    assert 60 * law.cj / 0.4**3 == pytest.approx(56250)
    assert law.shortest_s(60, 281.25, 1e9, 1e12) == pytest.approx(0.4)
    assert law.shortest_s(60, 1e9, 2165.0635094610966, 1e12) == pytest.approx(0.4)
    assert law.shortest_s(60, 1e9, 1e9, 56250) == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("case", "seconds"),
    [
        ((10, 5, 10, 30), 2.833333333),
        ((10, 10, 10, 30), 2.360920843),
        ((10, 5, 100, 30), 2.816496581),
        ((60, 300, 2000, 40000), 0.400),
        ((1, 300, 2000, 40000), 0.092831777),
        ((90, 200, 4000, 20000), 0.650),
    ],
)
def test_fastest_move(case: tuple[float, float, float, float], seconds: float) -> None:
    assert fastest_s(*case) == pytest.approx(seconds, abs=1e-9)


def test_fastest_move_agrees_with_ruckig() -> None:
    import ruckig

    solver = ruckig.Ruckig(1)
    random_ = random.Random(20)
    for _ in range(1000):
        d = 10 ** random_.uniform(-2, 2.5)
        v, a, j = (10 ** random_.uniform(*span) for span in ((0, 3), (1, 4), (1, 5)))
        wanted = ruckig.InputParameter(1)
        wanted.current_position, wanted.target_position = [0.0], [d]
        wanted.max_velocity, wanted.max_acceleration, wanted.max_jerk = [v], [a], [j]
        found = ruckig.Trajectory(1)
        assert solver.calculate(wanted, found) == ruckig.Result.Working
        assert fastest_s(d, v, a, j) == pytest.approx(found.duration, rel=1e-9)


def test_no_law_beats_the_fastest_move() -> None:
    random_ = np.random.default_rng(3)
    for d, v, a, j in 10 ** random_.uniform((-1, 0, 1, 2), (2, 3, 4, 5), (300, 4)):
        for law in LAWS.values():
            if math.isfinite(law.cj):
                assert law.shortest_s(d, v, a, j) >= fastest_s(d, v, a, j) * (1 - 1e-12)
