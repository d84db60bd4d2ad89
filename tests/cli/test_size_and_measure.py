"""`size` and `measure` at the command line: answers from lines, what is written, what is refused."""

from __future__ import annotations

import io
import json
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import drawings
from sequencer.cli.main import run
from sequencer.figure.chain import Chain
from sequencer.figure.read import read_figure
from sequencer.show_folder import demo_folder

SIZE = ["size", "--weight-g", "1400", "--width-mm", "190", "--balance-mm", "25"]
Says = Callable[[str], None]


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Says:
    def say(text: str) -> None:
        monkeypatch.setattr("sys.stdin", io.StringIO(text))

    return say


@pytest.fixture
def show(tmp_path: Path) -> Path:
    folder = tmp_path / "keeper"
    folder.mkdir()
    shutil.copy(Path(str(demo_folder())) / "figure.toml", folder / "figure.toml")
    return folder


def tables(show: Path) -> dict[str, Any]:
    return tomllib.loads((show / "figure.toml").read_text(encoding="utf-8"))


def test_size_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*SIZE, "--move-deg", "40", "--move-s", "0.6", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["as_it_is"]["hold_kgcm"] == pytest.approx(3.5)
    assert found["servo_class"] in found["counterweight"]["servo_classes"]
    assert found["turn_40_deg_s"]["low"] < found["turn_40_deg_s"]["high"]
    assert found["reasons"]


def test_size_asks_for_what_is_missing(capsys: pytest.CaptureFixture[str], answers: Says) -> None:
    answers("forty\n40\n-3\n0,6\n")
    assert run(SIZE) == 0
    printed = capsys.readouterr()
    assert "3.5 kg cm" in printed.out
    assert "how many degrees?" in printed.err
    assert printed.err.count("please") == 2


@pytest.mark.parametrize("value", ["0", "-5", "nan", "1e9"])
def test_size_refuses_what_cannot_be(value: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["size", "--weight-g", value]) == 2
    assert "10 to 50000" in capsys.readouterr().err


def test_size_without_an_answer_names_the_option(capsys: pytest.CaptureFixture[str], answers: Says) -> None:
    answers("")
    assert run(SIZE) == 2
    assert "--move-deg is missing" in capsys.readouterr().err


def test_measure_writes_each_answer_and_keeps_the_rest(
    show: Path, capsys: pytest.CaptureFixture[str], answers: Says
) -> None:
    before = (show / "figure.toml").read_text(encoding="utf-8").splitlines()
    answers("700\n5 - 61\n80 8,2\nskip\n150 800 14.5 20\n")
    assert run(["measure", str(show), "--only", "skull"]) == 0
    printed = capsys.readouterr().out
    for words in ("700 g, +- 1 g", "5 forward, 0 left, 61 up", "kg mm2, +-", "4 readings written"):
        assert words in printed
    skull = tables(show)["masses"]["skull"]
    assert (skull["weight_g"], skull["balance_mm"]) == (700, {"forward": 5, "up": 61})
    assert skull["swings"] == [
        {
            "about": "left",
            "hung_from_mm": 80,
            "ten_swings_s": 8.2,
            "spread": {"hung_from_mm": 1, "ten_swings_s": 0.2},
        },
        {
            **{
                "about": "up",
                "threads_apart_mm": 150,
                "thread_mm": 800,
                "ten_swings_s": 14.5,
                "swing_deg": 20,
            },
            "spread": {"threads_apart_mm": 1, "thread_mm": 1, "ten_swings_s": 0.2, "swing_deg": 3},
        },
    ]
    assert skull["spread"] == {"weight_g": 1, "balance_mm": 1}
    mass = read_figure(show).masses["skull"]
    assert mass.centre_m == pytest.approx((0.005, 0.0, 0.061))
    assert mass.basis == "measured"
    after = (show / "figure.toml").read_text(encoding="utf-8").splitlines()
    assert [line for line in before if line not in after] == ["weight_g = 690"]
    assert sorted(path.name for path in show.iterdir()) == ["figure.toml"]


def test_the_builders_own_spread_is_written_with_the_comments_kept(
    show: Path, capsys: pytest.CaptureFixture[str], answers: Says
) -> None:
    path = show / "figure.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("weight_g = 690", "weight_g = 690  # on the old scale"), encoding="utf-8")
    comments = [line for line in path.read_text(encoding="utf-8").splitlines() if line.startswith("#")]
    assert comments
    answers("700 +- 40\n5 - 61±3\n80 8,2 +/- 0,4\n")
    assert run(["measure", str(show), "--only", "skull"]) == 0
    assert "700 g, +- 40 g" in capsys.readouterr().out
    skull = tables(show)["masses"]["skull"]
    assert skull["spread"] == {"weight_g": 40, "balance_mm": 3}
    assert skull["swings"][0]["spread"] == {"hung_from_mm": 1, "ten_swings_s": 0.4}
    after = path.read_text(encoding="utf-8").splitlines()
    assert [line for line in after if line.startswith("#")] == comments
    mass = read_figure(show).masses["skull"]
    assert mass.mass_spread_kg == pytest.approx(0.04)
    assert mass.centre_spread_m == pytest.approx(0.003)
    # Asked again, the file's own answer is shown, and a plain one puts the tool's spread in its place.
    answers("700\n")
    assert run(["measure", str(show), "--only", "skull"]) == 0
    assert "Now: 700 +- 40." in capsys.readouterr().out
    assert tables(show)["masses"]["skull"]["spread"] == {"weight_g": 1, "balance_mm": 3}


def test_a_spread_under_its_own_header_stays_there(show: Path, answers: Says) -> None:
    path = show / "figure.toml"
    text = path.read_text(encoding="utf-8")
    end = text.index("\n[", text.index("[masses.skull]") + 5)
    header = "\n[masses.skull.spread]  # scale\nweight_g = 7\n# below\n"
    path.write_text(text[:end] + header + text[end:], encoding="utf-8")
    answers("710 +- 9\n")
    assert run(["measure", str(show), "--only", "skull"]) == 0
    after = path.read_text(encoding="utf-8")
    assert header.replace("7", "9") in after
    assert after.replace("weight_g = 710", "weight_g = 690").replace("= 9\n# below", "= 7\n# below") == (
        text[:end] + header + text[end:]
    )


def test_a_small_last_amplitude_is_written_and_read(show: Path, answers: Says) -> None:
    answers("\n96 8 60 12 1\n")
    assert run(["measure", str(show), "--only", "nod"]) == 0
    assert tables(show)["axes"]["nod"]["wobble"]["spread"]["amplitudes_mm"] == 1
    assert read_figure(show).axes["nod"].damping_ratio is not None


def test_the_second_answer_replaces_the_first(show: Path, answers: Says) -> None:
    for line in ("5 0 61", "- 2 -"):
        answers(f"\n{line}\n80 8.2\n")
        assert run(["measure", str(show), "--only", "skull"]) == 0
    skull = tables(show)["masses"]["skull"]
    assert skull["balance_mm"] == {"forward": 5, "up": 61, "left": 2}
    assert len(skull["swings"]) == 1


def test_joints(show: Path, capsys: pytest.CaptureFixture[str], answers: Says) -> None:
    path = show / "figure.toml"
    text = path.read_text(encoding="utf-8")
    axis = text.index("[axes.nod]")
    text = text[:axis] + text[axis:].replace("ramp_s", "friction_kgcm = 0.4  # felt\nramp_s", 1)
    path.write_text(text, encoding="utf-8")
    answers("420 180 60\n96 8 60 12 5\n")
    assert run(["measure", str(show), "--only", "nod"]) == 0
    printed = capsys.readouterr().out
    for words in (
        "friction of nod: 1.80 kg cm",
        "goes down, 0.72 kg cm",
        "the masses say",
        "5.00 Hz",
        "ramp_s",
    ):
        assert words in printed
    nod = tables(show)["axes"]["nod"]
    assert nod["pulls"] == {
        **{"pull_g": [420, 180], "pull_at_mm": 60},
        "spread": {"pull_g": 10, "pull_at_mm": 1},
    }
    assert nod["wobble"] == {"frames": 96, "fps": 60, "swings": 8, "amplitudes_mm": [12, 5]} | {
        "spread": {"frames": 1, "amplitudes_mm": 1}
    }
    assert "friction_kgcm" not in nod
    assert read_figure(show).axes["nod"].friction_basis == "measured"


@pytest.mark.parametrize(
    ("name", "line", "says"),
    [
        ("skull", "-700", "write weight_g = 700"),
        ("skull", "heavy", "`heavy` is no number"),
        ("skull", "nan", "`nan` is no number"),
        ("skull", "1e12", "`1e12` is too big"),
        ("skull", "7 8", "1 number is wanted: weight_g"),
        ("skull", "\n400 - -", "balance outside itself"),
        ("skull", "\n- - -", "no line was tried"),
        ("skull", "\n\n80 2.5", "nothing hung 80 mm above its balance point swings that fast"),
        ("skull", "700 +- -5", "off by more than 0, not by -5"),
        ("skull", "700 ± 900", "700 that may be 900 off says nothing: write at most +- 350"),
        ("skull", "700 +- some", "`some` is no number (what weight_g may be off)"),
        ("skull", "\n\n80 8.2 +- 5", "write at most +- 4.1"),
        ("nod", "\n96 8 +- 1 60", "`swings` has no +-"),
        ("nod", "100 -200 60", "leave no friction"),
        ("nod", "\n96 8 60 12", "3 or 5 numbers"),
        ("nod", "\n6 8 60", "cannot show swings that fast"),
    ],
)
def test_what_cannot_be_is_told_and_not_written(
    name: str, line: str, says: str, show: Path, capsys: pytest.CaptureFixture[str], answers: Says
) -> None:
    before = (show / "figure.toml").read_bytes()
    answers(f"{line}\nq\n")
    assert run(["measure", str(show), "--only", name]) == 0
    printed = capsys.readouterr().out
    assert says in printed
    assert "0 readings written" in printed
    assert (show / "figure.toml").read_bytes() == before


def test_every_question_has_a_drawing_that_fits(
    show: Path, capsys: pytest.CaptureFixture[str], answers: Says
) -> None:
    answers("?\n" + "\n" * 200)
    assert run(["measure", str(show)]) == 0
    printed = capsys.readouterr().out
    assert printed.count("What does `") == len(tables(show)["masses"])
    assert printed.count("A tap on what `") == len(tables(show)["axes"])
    # Once each, and again when asked for.
    assert printed.count("kitchen scale, 1 g") == 2
    assert printed.count("Hook a luggage scale") == 1
    for name in ("WEIGHT", "BALANCE", "SWING", "THREADS", "PULLS", "WOBBLE"):
        lines = getattr(drawings, name).splitlines()
        assert all(len(line) < 80 and line.isascii() for line in lines)


def test_an_unknown_name_is_refused_with_a_guess(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["measure", str(show), "--only", "skul"]) == 2
    assert "did you mean `skull`?" in capsys.readouterr().err


def test_a_figure_with_faults_is_told_before_anything_is_asked(
    show: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = show / "figure.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("weight_g = 690", "weight_g = 0"), encoding="utf-8"
    )
    assert run(["measure", str(show)]) == 2
    printed = capsys.readouterr()
    assert "masses.skull.weight_g" in printed.err
    assert printed.out == ""


def test_a_table_that_cannot_be_edited_is_given_as_lines_to_type(
    show: Path, capsys: pytest.CaptureFixture[str], answers: Says, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the editor of TOML makes of it: a text that does not say what was meant is not written."""
    monkeypatch.setattr("tomlkit.dumps", lambda document: "name = 'something else'")
    before = (show / "figure.toml").read_bytes()
    answers("700\n")
    assert run(["measure", str(show), "--only", "skull"]) == 0
    assert "add by hand: weight_g = 700" in capsys.readouterr().out
    assert (show / "figure.toml").read_bytes() == before


def test_windows_line_ends_and_links_stay(show: Path, answers: Says, tmp_path: Path) -> None:
    path = show / "figure.toml"
    real = tmp_path / "real.toml"
    real.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    path.unlink()
    path.symlink_to(real)
    answers("700\n5 - 61\n")
    assert run(["measure", str(show), "--only", "skull"]) == 0
    assert path.is_symlink()
    data = real.read_bytes()
    assert b"weight_g = 700\r\n" in data
    assert data.count(b"\n") == data.count(b"\r\n")


@pytest.mark.parametrize(("off_g", "says"), [(0.0, "they agree"), (400.0, "they do not agree")])
def test_a_pull_is_held_against_the_masses(
    off_g: float, says: str, show: Path, capsys: pytest.CaptureFixture[str], answers: Says
) -> None:
    """Pulls made from the masses' own imbalance agree with them; 400 g at 60 mm more do not."""
    by_masses = Chain(read_figure(show), "nod").gravity_n_m({}) / 9.80665 / 0.06 * 1000.0
    # Toward the first word is negative: gravity that pulls positive has to be overcome.
    answers(f"{500 + by_masses + off_g:.1f} {500 - by_masses - off_g:.1f} 60\n")
    assert run(["measure", str(show), "--only", "nod"]) == 0
    printed = capsys.readouterr().out
    assert "friction of nod: 3.00 kg cm" in printed
    assert says in printed
