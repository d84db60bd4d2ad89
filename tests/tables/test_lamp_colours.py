"""A lamp of three colours from the scene's words to what the core dims, and to the bytes of a string."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from sequencer.errors import PlanError, SceneError
from sequencer.figure import colours, starter
from sequencer.player.player import Player
from sequencer.show import build_show
from sequencer.show_model import BuiltShow
from sequencer.tables.extra_sound import read_sound
from sequencer.tables.extra_strings import read_strings

FIGURE = """
[lamps.sky]
colour = "warm"
rest_percent = 40

[strings.dome]
pin = "D4"
leds = 20
follows = "sky"

[strings.rim]
pin = "D6"
leds = 8
follows = "lantern"
colour = "#ff8000"
order = "rgb"

[sound_module]
pin = "D10"
tracks = { sky = 7, idle = 2 }
lead_ms = 200
"""
SCENE = """scene sky
length 0:06
sound "sky.wav" at 0:02
0:00.5 sky glows to 100% amber over 1s
0:02.0 sky glows to 50% over 1s
0:03.5 lamps glow to 80% "#2040ff" over 0.5s
0:05.0 sky off
"""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> BuiltShow:
    folder = tmp_path_factory.mktemp("sky") / "show"
    shutil.copytree(Path(starter.__file__).parent, folder)
    with (folder / "figure.toml").open("a") as out:
        out.write(FIGURE)
    (folder / "sky.scene").write_text(SCENE)
    return build_show(folder)


def test_the_proportions_of_the_light_stay(built):
    names = [lamp.name for lamp in built.contents.lamps]
    assert names == ["lantern", "sky.red", "sky.green", "sky.blue"]
    assert [lamp.pin for lamp in built.contents.lamps[1:]] == [255] * 3
    player = Player(built.image)
    player.open()
    player.sample(0xFF)
    number = built.scene_names.index("sky")
    player.play(400)
    assert player.cue(1, number) == 0
    played = player.play(700)
    rows = np.flatnonzero(played.scene == number)
    first = next(i for i, row in enumerate(rows) if played.frame[row] == 1)
    at = {int(played.frame[row]): row for row in rows[first : first + 300]}
    for time_s, level, word in ((1.8, 1.0, "amber"), (3.4, 0.5, "amber"), (4.8, 0.8, "#2040ff")):
        duty = played.lamp_duty[at[round(time_s * 50)], 1:4] / 4095
        wanted = np.array(colours.colour(word)) * colours.luminance(level)
        # lightness comes in half per cents: at L* 50 that is 1.5 % of the light
        assert duty == pytest.approx(wanted, abs=0.012), word
    # on the way down from full to half amber, too
    for frame in range(102, 149):
        red, green, _ = played.lamp_duty[at[frame], 1:4]
        assert green / red == pytest.approx(colours.colour("amber")[1], abs=0.03)
    assert (played.lamp_duty[at[270], 1:4] == 0).all()
    rest = played.lamp_duty[at[5], 1:4] / 4095
    assert rest == pytest.approx(np.array(colours.colour("warm")) * colours.luminance(0.4), abs=0.01)


def test_strings_and_module_are_in_the_image(built):
    extras = {extra.tag: extra.content for extra in built.contents.extras}
    dome, rim = read_strings(extras[6], 4)
    assert (dome.pin, dome.leds, dome.lamps, dome.shares) == (4, 20, (2, 1, 3), (255, 255, 255))
    assert (rim.lamps, rim.shares) == ((0, 0, 0), (255, 55, 0))
    sound = read_sound(extras[7], len(built.scene_names))
    starts = dict(zip(built.scene_names, sound.starts, strict=True))
    # the sound at 2 s less 0.2 s of lead is frame 90, told when 91 are played; without a sound at the start
    assert starts == {"sky": (7, 91), "idle": (2, 1), "hello": None}
    assert sound.message == b"\0"
    assert sound.place == 0
    assert sound.time == 1667


def test_colours_that_do_not_fit_are_told(built, tmp_path):
    folder = tmp_path / "show"
    shutil.copytree(built.planned.show.folder, folder)
    for line, says in (
        ("0:01 sky glows to 50% mauve", "there is no colour mauve"),
        ("0:01 lantern glows to 50% red", "lantern has one colour"),
    ):
        (folder / "sky.scene").write_text(f"scene sky\nlength 0:06\n{line}\n")
        with pytest.raises(SceneError, match=says):
            build_show(folder)
    (folder / "sky.scene").unlink()
    with pytest.raises(PlanError, match="no such scene"):
        build_show(folder)
