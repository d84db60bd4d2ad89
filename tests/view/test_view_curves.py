"""The still pictures: a real PNG in which the curves, marks and lanes are really drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.errors import UsageError
from sequencer.view import look
from sequencer.view.curves import scene_png
from sequencer.view.model import SceneView

MakeScene = Callable[..., SceneView]


def _draw(file: Path, *views: SceneView) -> NDArray[np.float64]:
    scene_png(views, file)
    return np.asarray(matplotlib.image.imread(file), dtype=np.float64)[:, :, :3]


def _ink(picture: NDArray[np.float64], colour: str) -> NDArray[np.bool_]:
    """Which pixels have exactly this colour (inner pixels of a line; its edges are blended)."""
    wanted = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    return np.asarray(np.all(np.abs(picture - wanted) < 0.01, axis=2))


def test_picture_shows_wish_plan_lamps_switches_and_findings(scene: MakeScene, tmp_path: Path) -> None:
    picture = _draw(tmp_path / "greet.png", scene())
    height, width, _ = picture.shape
    assert width > 900
    assert height > 700
    for colour in (look.WISH, look.PLAN, look.SWITCH, look.FINDING, look.OUTSIDE):
        assert _ink(picture, colour).sum() > 100, colour


def test_plan_that_equals_its_wish_covers_it_and_a_late_one_does_not(
    scene: MakeScene, tmp_path: Path
) -> None:
    kept = _draw(tmp_path / "kept.png", replace(scene(late_s=0.0), findings=()))
    late = _draw(tmp_path / "late.png", replace(scene(late_s=0.6), findings=()))
    assert kept.shape == late.shape
    turn = slice(0, kept.shape[0] // 4)
    # The dark plan lies along the middle of the broad wish, and hides some of it, where they agree.
    assert _ink(late[turn], look.WISH).sum() > 1.15 * _ink(kept[turn], look.WISH).sum()
    assert (np.abs(kept - late).max(axis=2) > 0.2).sum() > 500


def test_an_axis_is_drawn_at_its_angle(scene: MakeScene, tmp_path: Path) -> None:
    view = scene()
    turn = view.axes[0]

    def held(angle_deg: float) -> float:
        flat = np.full_like(turn.planned_deg, angle_deg)
        axis = replace(turn, asked_deg=np.linspace(-79.0, 79.0, len(flat)), planned_deg=flat)
        only = replace(view, axes=(axis,), lamps=(), switches=(), findings=())
        rows, columns = np.nonzero(_ink(_draw(tmp_path / f"{angle_deg}.png", only)[90:], look.PLAN))
        assert np.ptp(columns) > 700  # drawn over the scene's whole length
        return float(np.median(rows))

    down, middle, up = held(-60.0), held(0.0), held(60.0)
    assert down > middle > up
    assert down - middle == pytest.approx(middle - up, abs=2.5)


def test_finding_is_marked_at_its_time(scene: MakeScene, tmp_path: Path) -> None:
    view = scene()
    warning = next(finding for finding in view.findings if finding.channel == "turn")

    def marked(time_s: float) -> float:
        only = replace(view, findings=(replace(warning, time_s=time_s),))
        picture = _draw(tmp_path / f"at-{time_s}.png", only)
        _, columns = np.nonzero(_ink(picture[160:400], look.FINDING))
        return float(np.median(columns))

    one, two, three = marked(2.0), marked(4.0), marked(6.0)
    assert one < two < three
    assert two - one == pytest.approx(three - two, abs=3.0)


def test_several_scenes_share_a_sheet(scene: MakeScene, tmp_path: Path) -> None:
    alone = _draw(tmp_path / "one.png", scene())
    sheet = _draw(tmp_path / "three.png", scene("idle", loop=True), scene(), scene("storm", 31.2))
    assert sheet.shape[1] == pytest.approx(2 * alone.shape[1], abs=2)
    half = sheet.shape[1] // 2
    for part in (sheet[: sheet.shape[0] // 2, :half], sheet[: sheet.shape[0] // 2, half:]):
        assert _ink(part, look.PLAN).sum() > 500


def test_scene_with_nothing_moving_and_odd_names_is_drawn(scene: MakeScene, tmp_path: Path) -> None:
    view = scene()
    turn = view.axes[0]
    still = replace(
        turn,
        name=r"$\bad{$ and a_very_long_name",
        asked_deg=np.zeros(2),
        planned_deg=np.zeros(2),
        peak_share={},
    )
    quiet = replace(view, figure=r"Keeper $\frac$", axes=(still,), switches=(), duration_s=0.12)
    assert _ink(_draw(tmp_path / "still.png", quiet), look.PLAN).sum() > 200
    empty = replace(view, axes=(), lamps=(), switches=(), findings=())
    assert _ink(_draw(tmp_path / "empty.png", empty), look.INK).sum() > 50


def test_a_failed_picture_leaves_the_old_one_and_no_rest(
    scene: MakeScene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "greet.png"
    file.write_bytes(b"old")

    def refuse(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(UsageError, match="No space left"):
        scene_png([scene()], file)
    assert file.read_bytes() == b"old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["greet.png"]


def test_refusals_say_what_to_do(scene: MakeScene, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no scene to draw"):
        scene_png([], tmp_path / "none.png")
    with pytest.raises(UsageError, match=r"missing.*\n.*do: name a file in a folder that exists"):
        scene_png([scene()], tmp_path / "missing" / "greet.png")


def test_words_of_the_picture(scene: MakeScene) -> None:
    turn, _, tilt, jaw = scene().axes
    assert look.clock(75.25) == "1:15.2"
    assert look.clock(59.96) == "1:00.0"
    assert look.span_words(turn) == "right 80 to left 80"
    assert look.span_words(jaw) == "0 to open 22"
    low, high = look.window_deg(tilt)  # moves 0.6 of its 15 degrees: shown close
    assert -1.5 < low < -0.6
    assert 0.6 < high < 1.5
    still = replace(tilt, asked_deg=np.zeros(9), planned_deg=np.zeros(9))
    assert look.window_deg(still)[0] < -15.0  # does not move at all: the whole range
    low, high = look.window_deg(turn)
    assert low < -80.0
    assert high > 80.0


def test_marks_that_would_overlap_share_one_and_the_others_stand_alone(scene: MakeScene) -> None:
    finding = scene().findings[0]

    def words(*places: float) -> list[str]:
        marks = [(place, number, finding) for number, place in enumerate(places, start=1)]
        found = look.clusters(marks, half=0.06, letter=0.085)
        return [look.run_words([number for _, number, _ in cluster]) for cluster in found]

    assert words(1.0, 3.0, 5.0) == ["1", "2", "3"]
    assert words(1.0, 1.01, 1.05, 1.1, 4.0) == ["1-4", "5"]
    assert words(1.0, 1.05, 1.30) == ["1-3"]  # the mark "1,2" is wider than "1" was
    assert words() == []
    assert look.run_words([1, 2, 3, 5, 7, 8]) == "1-3,5,7,8"


def test_close_findings_of_a_channel_are_one_mark_with_the_worst_shape(
    scene: MakeScene, tmp_path: Path
) -> None:
    view = scene()
    warning = next(finding for finding in view.findings if finding.channel == "turn")
    note = replace(warning, severity="note")

    def inked(*times_s: float) -> int:
        """The ink of the marks in the first lane's upper edge, the dashed lines left out."""
        only = replace(view, findings=tuple(replace(note, time_s=time_s) for time_s in times_s))
        picture = _draw(tmp_path / f"{len(times_s)}-{times_s[-1]}.png", only)
        return int(_ink(picture[130:152], look.FINDING).sum())

    apart, together = inked(2.0, 4.0, 6.0), inked(2.0, 2.02, 2.04)
    assert together < 0.6 * apart
    assert look.worst([note, warning, note]).severity == "warning"


def test_texts_are_sentences_and_the_remedy_has_its_own_line(scene: MakeScene) -> None:
    from sequencer.view.curves import _note_lines

    view = scene()
    late = replace(view.findings[0], message="turn arrives 0.16 s late", remedy="give it 0.9 s", time_s=3.0)
    assert _note_lines(replace(view, findings=(late,))) == [
        ("1", "warning at 0:03.0: turn arrives 0.16 s late."),
        ("", "Do: give it 0.9 s."),
    ]


@pytest.mark.parametrize("name", ["greet.scene", "picture", "a.txt", "figure.toml"])
def test_a_picture_never_replaces_a_file_of_another_kind(scene: MakeScene, tmp_path: Path, name: str) -> None:
    file = tmp_path / name
    file.write_text("by hand")
    with pytest.raises(UsageError, match=r"name a file that ends in \.png"):
        scene_png([scene()], file)
    assert file.read_text() == "by hand"
