import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.motion.model import TrackPlan
from sequencer.tables.worst import Worst
from tests.player.oracle import mul, weight
from tests.tables import fade_oracle as fades
from tests.tables.show_makers import looking_scene, spec, swaying_loop


@given(st.integers(6, 400), st.integers(-20, 450))
def test_the_weight_is_the_document_s(n: int, f: int) -> None:
    assert int(fades.weight(np.array([f]), n)[0]) == weight(f, n)


@pytest.mark.parametrize("n", [6, 12, 24, 60, 120, 300])
def test_the_weight_falls_from_one_to_nothing_near_the_polynomial(n: int) -> None:
    f = np.arange(n + 1)
    w = fades.weight(f, n)
    assert (w[0], w[-1]) == (32768, 0)
    assert np.diff(w).max() <= 10, "the floors of FORMAT.md's formula leave less than 1/3000"
    x = f / n
    smooth = 1 - (10 * x**3 - 15 * x**4 + 6 * x**5)
    assert np.abs(w / 32768 - smooth).max() < 1e-3


@given(st.integers(0, 32768), st.integers(-65535, 65535))
def test_the_product_is_the_document_s_and_symmetric(w: int, d: int) -> None:
    got = int(fades.scaled(np.array([w]), np.array([d]))[0])
    assert got == mul(w, d) == -int(fades.scaled(np.array([w]), np.array([-d]))[0])
    assert abs(got - w * d / 32768) <= 0.5


def at(plan: TrackPlan, index: int) -> int:
    if plan.loop:
        return int(plan.points[index % len(plan.points)])
    return int(plan.points[index]) if 0 <= index < len(plan.points) else plan.spec.rest


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([1, 2, 3, 6]),
    st.integers(1, 10),
    st.integers(0, 6),
    st.integers(-50, 50),
    st.booleans(),
    st.data(),
)
def test_leaving_is_the_document_s_formula(
    knot: int, fade: int, delay: int, rest: int, into_loop: bool, data: st.DataObject
) -> None:
    fade, delay, fade_in = 6 * fade, 6 * delay, 24
    track = spec(knot_frames=knot, rest=rest)
    loop = swaying_loop(track, 120, 90, 3)
    entered = swaying_loop(track, 60, 40, 2, "other") if into_loop else looking_scene(track, 150, 300)
    table = fades.leaving(loop, entered, fade, delay, fade_in)
    assert table.shape[0] == 120 // 6
    row = data.draw(st.integers(0, table.shape[0] - 1))
    for m in range(table.shape[1]):
        f = (m - 2) * knot
        k = m - delay // knot
        coming = 0 if k < 0 else at(entered, k) - rest
        if into_loop:
            coming = mul(32768 - weight(f - delay, fade_in), coming)
        going = mul(weight(f, fade), at(loop, row * 6 // knot + m) - rest)
        assert table[row, m] == rest + going + coming


@settings(max_examples=30, deadline=None)
@given(st.sampled_from([1, 2, 3, 6]), st.integers(1, 12), st.booleans(), st.data())
def test_a_stop_is_the_document_s_formula_and_ends_still(
    knot: int, stop: int, looping: bool, data: st.DataObject
) -> None:
    stop *= 6
    track = spec(knot_frames=knot)
    plan = swaying_loop(track, 120, 90, 3) if looping else looking_scene(track, 120, 300)
    table = fades.stopping(plan, stop)
    assert table.shape[0] == 20
    row = data.draw(st.integers(0, table.shape[0] - 1))
    start = row * 6 // knot
    point = at(plan, start + 2)
    assert list(table[row, :3]) == [at(plan, start + m) for m in range(3)]
    for m in range(3, table.shape[1]):
        point += mul(weight((m - 2) * knot, stop), at(plan, start + m) - at(plan, start + m - 1))
        assert table[row, m] == point
    assert len(set(table[row, -3:])) == 1


def test_settling_goes_from_where_it_is_to_rest() -> None:
    track = spec(rest=20)
    table = fades.settling(track, np.array([-500, 20, 700]), 60)
    assert (table[:, :3] == [[-500], [20], [700]]).all()
    assert (table[:, -3:] == 20).all()


def test_the_worst_is_the_largest_of_all_rows() -> None:
    found = fades.worst(np.array([[0, 0, 0, 0, 0], [0, 1, 4, 2, -3]]))
    assert found == Worst(low=-3, high=4, d1=5, d2=5, d3=7)
    assert found.within(spec(bounds=(5, 5, 7), low=-3, high=4))
    for bounds in ((4, 5, 7), (5, 4, 7), (5, 5, 6)):
        assert not found.within(spec(bounds=bounds, low=-3, high=4))
    assert not found.within(spec(bounds=(9, 9, 9), low=-2, high=4))
    assert not found.within(spec(bounds=(9, 9, 9), low=-3, high=3))
