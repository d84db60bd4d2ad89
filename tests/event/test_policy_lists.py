"""event.toml's lists, chances and duty limit: what they mean, and each way they can be wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.errors import SceneError
from sequencer.event.duty import busiest_s
from sequencer.event.policy import Duty, Policy, Trigger, read_policy

SCENES = {"idle": True, "doze": True, "greet": False, "wave": False, "storm": False}
DURATIONS = {"idle": 10.0, "doze": 30.0, "greet": 10.0, "wave": 20.0}
WEIGHTED = '[triggers.beam]\nplays = ["greet", "wave"]\nchoice = "weighted"\nweights = [3, 1]\n'


def policy_of(folder: Path, text: str) -> Policy:
    file = folder / "event.toml"
    file.write_text(text, encoding="utf-8")
    return read_policy(file, SCENES, ("beam",))


def test_everything_in_one_file(tmp_path: Path) -> None:
    text = 'idle = ["idle", "doze"]\nidle_turns = 4\nseed = 9\n' + WEIGHTED
    text += "[duty]\nplay_at_most_s = 240\nwithin_s = 600\nrest_s = 120\n"
    beam = Trigger("greet", also=("wave",), choice="weighted", weights=(3, 1))
    assert policy_of(tmp_path, text) == Policy("idle", {"beam": beam}, ("doze",), 4, 9, Duty(240, 600, 120))


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ('idle = ["idle", "dose"]\n', 1, "did you mean `doze`"),
        ('idle = ["idle", "greet"]\n', 1, "not a loop"),
        ("idle = []\n", 1, "idle"),
        ('idle = "idle"\nidle_turns = 0\n', 2, "too small"),
        ('idle = "idle"\nidle_turns = 256\n', 2, "too big"),
        ("seed = 65536\n", 1, "too big"),
        ("seed = -1\n", 1, "too small"),
        ('[triggers.beam]\nplays = ["greet", "wav"]\n', 2, "did you mean `wave`"),
        (f"[triggers.beam]\nplays = {['greet'] * 9}\n", 2, "plays"),
        ('[triggers.beam]\nplays = ["greet"]\nchoice = "dice"\n', 3, "shuffle"),
        ('[triggers.beam]\nplays = ["greet"]\nchoice = "weighted"\n', 1, "one weight a scene"),
        ('[triggers.beam]\nplays = ["greet"]\nweights = [1]\n', 1, "one weight a scene"),
        (WEIGHTED.replace("[3, 1]", "[3]"), 1, "one weight a scene"),
        (WEIGHTED.replace("[3, 1]", "[3, 0]"), 4, "too small"),
        (WEIGHTED.replace("[3, 1]", "[3, 256]"), 4, "too big"),
        ("[duty]\nplay_at_most_s = 240\nwithin_s = 600\n", 1, "missing"),
        ("[duty]\nplay_at_most_s = 4\nwithin_s = 600\nrest_s = 9\n", 2, "too small"),
        ("[duty]\nplay_at_most_s = 240\nwithin_s = 1701\nrest_s = 9\n", 3, "too big"),
        ("[duty]\nplay_at_most_s = 240\nwithin_s = 600\nrest_s = 0\n", 4, "too small"),
        ("[duty]\nplay_at_most_s = 240\nwithin_s = 200\nrest_s = 9\n", 2, "more is allowed"),
    ],
)
def test_each_fault_names_its_line_and_a_remedy(tmp_path: Path, text: str, line: int, says: str) -> None:
    with pytest.raises(SceneError) as caught:
        policy_of(tmp_path, text)
    assert says in str(caught.value)
    assert caught.value.faults[0].remedy
    assert caught.value.faults[0].line == line


def test_a_trigger_with_several_scenes_shares_its_visits() -> None:
    chosen = Trigger("greet", also=("wave",), cooldown_s=30.0)
    # Half a greet of 10 s and half a wave of 20 s; idle in what is left of 30 s.
    assert busiest_s(Policy("idle", {"beam": chosen}), DURATIONS) == {
        "greet": 5.0,
        "wave": 10.0,
        "idle": 15.0,
    }
    weighted = Trigger("greet", also=("wave",), choice="weighted", weights=(3, 1))
    assert busiest_s(Policy("idle", {"beam": weighted}), DURATIONS) == {"greet": 7.5, "wave": 5.0}


def test_idle_loops_share_by_their_lengths_as_each_has_as_many_turns() -> None:
    seconds = busiest_s(Policy("idle", also_idle=("doze",)), DURATIONS)
    assert seconds == pytest.approx({"idle": 10.0, "doze": 30.0})


def test_a_duty_limit_that_is_reached_adds_its_rest_and_another_does_not() -> None:
    beam = {"beam": Trigger("greet")}
    # 60 s and the scene that was running are played, then 140 s of rest: two seconds of rest a second played.
    limited = busiest_s(Policy("idle", beam, duty=Duty(60, 100, 140)), DURATIONS)
    assert limited == pytest.approx({"greet": 10.0, "idle": 20.0})
    rare = {"beam": Trigger("greet", cooldown_s=100.0)}
    free = busiest_s(Policy("idle", rare, duty=Duty(60, 100, 140)), DURATIONS)
    assert free == busiest_s(Policy("idle", rare), DURATIONS) == {"greet": 10.0, "idle": 90.0}
