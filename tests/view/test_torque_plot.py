"""The picture of torque against the available band: what is inside, what leaves it, and where."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer import show
from sequencer.check.loads import Motion, SceneLoads, ServoLoad, available_n_m
from sequencer.errors import UsageError
from sequencer.view import look
from sequencer.view.torque_plot import band_n_m, torque_png


def _loads(torque: NDArray[np.float64], speed: NDArray[np.float64]) -> SceneLoads:
    time_s = 0.01 * np.arange(len(torque))
    load = ServoLoad("nod", time_s, torque, speed, available_n_m(1.0, 4.0, torque, speed), 1.0, 4.0)
    return SceneLoads("storm", False, float(time_s[-1]), Motion(time_s, {}, {}, {}, {}), {"nod": load})


def _draw(file: Path, *scenes: SceneLoads) -> NDArray[np.float64]:
    torque_png("Keeper", scenes, {"nod": 0.25}, file)
    return np.asarray(matplotlib.image.imread(file), dtype=np.float64)[:, :, :3]


def _ink(picture: NDArray[np.float64], colour: str) -> NDArray[np.bool_]:
    wanted = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255.0
    return np.asarray(np.all(np.abs(picture - wanted) < 0.01, axis=2))


def test_a_name_of_another_kind_is_refused(tmp_path: Path) -> None:
    for name in ("figure.toml", "bogus"):
        with pytest.raises(UsageError, match=r"ends in \.png"):
            _draw(tmp_path / name, _loads(np.zeros(9), np.zeros(9)))
        assert not (tmp_path / name).exists()


def test_the_band_is_the_line_toward_both_sides() -> None:
    load = _loads(np.zeros(3), np.array([0.0, 2.0, -6.0])).servos["nod"]
    lower, upper = band_n_m(load)
    assert upper == pytest.approx([1.0, 0.5, 1.0])
    assert lower == pytest.approx([-1.0, -1.0, 0.0])


def test_the_band_holds_exactly_what_the_check_lets_pass() -> None:
    rng = np.random.default_rng(11)
    torque, speed = rng.uniform(-1.3, 1.3, 2000), rng.uniform(-5.0, 5.0, 2000)
    load = _loads(torque, speed).servos["nod"]
    lower, upper = band_n_m(load)
    inside = (torque <= upper) & (torque >= lower)
    assert 0 < inside.sum() < 2000
    assert (inside == (np.abs(torque) <= load.available_n_m)).all()


def test_what_leaves_the_band_is_marked_where_it_leaves(tmp_path: Path) -> None:
    torque, speed = np.full(1000, 0.3), np.full(1000, 1.0)
    kept = _draw(tmp_path / "kept.png", _loads(torque, speed))
    torque[700:720] = 0.9
    left = _draw(tmp_path / "left.png", _loads(torque, speed))
    assert _ink(kept, look.PLAN).sum() > 500
    legend = kept.shape[0] // 8
    assert _ink(kept, look.FINDING)[legend:].sum() == 0
    marks = np.flatnonzero(_ink(left, look.FINDING)[legend:].any(axis=0))
    # 7.0 to 7.2 s of 9.99 s, in a plot from 1.65 to 9.85 inches of 11.6.
    share = (marks.mean() / left.shape[1] * 11.6 - 1.65) / 8.2
    assert share == pytest.approx(7.1 / 9.99, abs=0.01)


def test_a_scene_more_makes_the_picture_taller(tmp_path: Path) -> None:
    one = _loads(np.zeros(100), np.zeros(100))
    single = _draw(tmp_path / "one.png", one)
    double = _draw(tmp_path / "two.png", one, replace(one, scene="greet"))
    assert double.shape[0] > 1.7 * single.shape[0]


def test_nothing_to_draw_is_told(tmp_path: Path) -> None:
    empty = replace(_loads(np.zeros(10), np.zeros(10)), servos={})
    with pytest.raises(UsageError, match="no servo to draw"):
        torque_png("Keeper", [empty], {}, tmp_path / "none.png")
    assert not (tmp_path / "none.png").exists()


def test_the_keepers_storm(checked_keeper: show.CheckedShow, tmp_path: Path) -> None:
    figure = checked_keeper.built.figure
    shares = {name: servo.continuous_share for name, servo in figure.servos.items()}
    file = tmp_path / "storm.png"
    torque_png(figure.name, [checked_keeper.loads["storm"]], shares, file)
    picture = np.asarray(matplotlib.image.imread(file), dtype=np.float64)[:, :, :3]
    assert _ink(picture, look.PLAN).sum() > 2000
    legend = picture.shape[0] // 16
    assert _ink(picture, look.FINDING)[legend:].sum() == 0
