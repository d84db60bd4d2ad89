"""Reading a figure file: values in SI, lines, defaults, and no traceback for any bytes."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.errors import Fault, FigureError
from sequencer.figure.model import Figure
from sequencer.figure.read import parse_figure, read_figure
from sequencer.figure.toml_lines import find, places
from sequencer.figure.tracks import track_maps

ROOT = Path(__file__).parents[2]


def test_values_are_si(bust: Figure) -> None:
    turn, nod = bust.servos["turn"], bust.servos["nod"]
    assert (turn.pin, nod.pin, bust.switches["bell"].pin) == (7, 8, 14)
    assert turn.stall_torque_n_m == pytest.approx(1.2748645)
    assert turn.ends_us == (700.0, 2300.0)
    assert (turn.stall_a, turn.stall_a_basis, nod.stall_a_basis) == (2.5, "typical", "datasheet")
    assert turn.centre_us == 1500.0
    assert nod.us_per_rad == pytest.approx(-2000 / math.pi)
    axis = bust.axes["nod"]
    assert axis.range_rad == pytest.approx((math.radians(-20), math.radians(25)))
    assert axis.parked_rad == pytest.approx(math.radians(10))
    assert (axis.friction_basis, bust.axes["turn"].friction_basis) == ("measured", "typical")
    assert axis.friction_n_m == pytest.approx(0.4 * 0.0980665)
    assert bust.axes["turn"].friction_n_m == pytest.approx(0.05 * 0.65 * 1.2748645)
    head = bust.masses["head"]
    assert head.centre_m == (0.0, 0.0, 0.06)
    assert head.inertia_kg_m2[1][1] == pytest.approx(0.00203022, abs=5e-9)
    assert bust.lamps["eye"].rest == pytest.approx(0.2)
    assert (bust.switches["bell"].lead_s, bust.switches["bell"].strike_s) == (0.04, 0.1)
    assert bust.inputs["beam"].pull_up
    assert bust.poses_rad["look"] == {"turn": pytest.approx(math.radians(20))}
    assert bust.board.clock_error == 0.01


def test_lines_are_those_of_the_headers(bust: Figure, good_text: str) -> None:
    rows = good_text.split("\n")
    for table, item in (
        ("servos.nod", bust.servos["nod"]),
        ("axes.turn", bust.axes["turn"]),
        ("masses.head", bust.masses["head"]),
        ("lamps.eye", bust.lamps["eye"]),
        ("switches.bell", bust.switches["bell"]),
        ("inputs.beam", bust.inputs["beam"]),
    ):
        assert item.line is not None
        assert rows[item.line - 1] == f"[{table}]"


def test_track_map_is_the_affine_map(bust: Figure) -> None:
    track = track_maps(bust)["nod"]
    assert track.pin == 8
    # reversed: -20 deg is the longer pulse; 2000 us over 180 deg about 1480 us
    assert track.low_us == pytest.approx(1480 - 25 * 2000 / 180)
    assert track.high_us == pytest.approx(1480 + 20 * 2000 / 180)
    assert track.rest_us == 1480.0
    assert track.parked_us == pytest.approx(1480 - 10 * 2000 / 180)


def test_the_ratio_multiplies(good_text: str) -> None:
    figure = parse_figure(good_text.replace("ratio = 1.0", "ratio = 1.2").encode())
    track = track_maps(figure)["turn"]
    assert track.high_us == pytest.approx(1500 + 60 * 1.2 * 2000 / 180)


def test_a_direction_in_numbers(good_text: str) -> None:
    text = good_text.replace('turns_about = "up"', "turns_about = [0, 3, 4]")
    assert parse_figure(text.encode()).axes["turn"].direction == pytest.approx((0.0, 0.6, 0.8))


def test_shows_can_be_read() -> None:
    files = sorted((ROOT / "shows").glob("*/figure.toml"))
    assert files
    for file in files:
        assert read_figure(file.parent) == read_figure(file)


def test_a_missing_file_says_where(tmp_path: Path) -> None:
    with pytest.raises(FigureError, match="no figure file here") as caught:
        read_figure(tmp_path)
    assert str(tmp_path) in str(caught.value)
    with pytest.raises(FigureError, match="no figure file here"):
        read_figure(tmp_path / "nowhere")


def test_a_file_too_big(tmp_path: Path) -> None:
    file = tmp_path / "figure.toml"
    file.write_bytes(b"# \n" * 400_000)
    with pytest.raises(FigureError, match="too big"):
        read_figure(file)


def test_an_editors_byte_order_mark_is_no_fault(good_text: str) -> None:
    assert parse_figure(b"\xef\xbb\xbf" + good_text.encode()).name == "bust"
    assert parse_figure(good_text.replace("\n", "\r\n").encode()).name == "bust"


def _leaves(value: object, path: tuple[str | int, ...]) -> list[tuple[str | int, ...]]:
    if isinstance(value, dict):
        return [path, *(leaf for key, item in value.items() for leaf in _leaves(item, (*path, key)))]
    return [path]


def test_every_key_is_found_at_its_line() -> None:
    text = (
        'a = 1\n"b c" = """x\n[no]\n"""\n[t.u] # [[no]]\nd.e = [\n 1, # ]\n "#",\n { f = 2 },\n]\n'
        "g = { h = 'i = j', k = { l = 1 } }\n[[m]]\nn = 1\n[[m]]\nn = 2\n"
    )
    known = places(text)
    for path, line in (
        (("a",), 1),
        (("b c",), 2),
        (("t", "u"), 5),
        (("t", "u", "d", "e"), 6),
        (("t", "u", "d", "e", 0), 7),
        (("t", "u", "d", "e", 2, "f"), 9),
        (("t", "u", "g", "k", "l"), 11),
        (("m", 0, "n"), 13),
        (("m", 1), 14),
        (("m", 1, "n"), 15),
    ):
        place = known.get(path)
        assert place is not None, path
        assert place.line == line, path
    lost = find(known, ("t", "u", "never", "written"))
    assert lost is not None
    assert lost.line == 5


@pytest.mark.parametrize("file", [*sorted(ROOT.glob("shows/*/figure.toml")), ROOT / "pyproject.toml"])
def test_every_key_of_real_files_is_found(file: Path) -> None:
    text = file.read_text(encoding="utf-8")
    rows = text.split("\n")
    known = places(text)
    for path in _leaves(tomllib.loads(text), ())[1:]:
        place = known.get(path)
        assert place is not None, path
        assert str(path[-1]) in rows[place.line - 1][place.column - 1 : place.column - 1 + place.width]


def _must_not_crash(data: bytes) -> None:
    faults: tuple[Fault, ...] = ()
    try:
        parse_figure(data)
    except FigureError as error:
        faults = error.faults
    assert all(fault.message and fault.render() for fault in faults)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    _must_not_crash(data)


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet="[]{}=\"'.,#\\\n ax1_-:TuU0\r\t", max_size=80))
def test_text_made_of_toml_marks(text: str) -> None:
    places(text)
    _must_not_crash(text.encode())


_VALUES = st.recursive(
    st.one_of(
        st.integers(-(10**30), 10**30).map(str),
        st.floats().map(lambda number: repr(number)),
        st.sampled_from(['"x"', '""', '"D5"', "true", "1979-05-27", "07:32:00", "[]", "{}", "''"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4).map(lambda items: f"[{', '.join(items)}]"),
        inner.map(lambda item: f"{{ k = {item} }}"),
    ),
    max_leaves=5,
)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_good_file_with_one_value_changed(good_text: str, data: st.DataObject) -> None:
    rows = good_text.split("\n")
    keyed = [index for index, row in enumerate(rows) if " = " in row]
    index = data.draw(st.sampled_from(keyed))
    rows[index] = rows[index].split(" = ")[0] + " = " + data.draw(_VALUES)
    _must_not_crash("\n".join(rows).encode())


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_good_file_cut_and_stirred(good_text: str, data: st.DataObject) -> None:
    rows = good_text.split("\n")
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(rows) - 1))
        if data.draw(st.booleans()):
            del rows[at : at + data.draw(st.integers(1, 5))]
        else:
            rows.insert(at, rows[data.draw(st.integers(0, len(rows) - 1))])
        if not rows:
            break
    _must_not_crash("\n".join(rows).encode())


@pytest.mark.parametrize(
    "text", ["x = " + "[" * 5000, "x = " + "{a=" * 3000, "[" + "a." * 3000 + "b]\nc = 1"]
)
def test_deep_nesting(text: str) -> None:
    _must_not_crash(text.encode())
    places(text)
