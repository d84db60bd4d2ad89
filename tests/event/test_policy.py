"""event.toml: what it means, and each way it can be wrong."""

import contextlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import SceneError
from sequencer.event import policy
from sequencer.event.policy import Policy, Trigger, read_policy

SCENES = {"idle": True, "greet": False, "storm": False}
INPUTS = ("beam",)


def policy_of(folder: Path, text: str) -> Policy:
    file = folder / "event.toml"
    file.write_text(text, encoding="utf-8")
    return read_policy(file, SCENES, INPUTS)


def test_a_whole_file(tmp_path: Path) -> None:
    text = 'idle = "idle"\n[triggers.beam]\nplays = "greet"\n'
    text += 'every = 6\nevery_plays = "storm"\ncooldown_s = 5.0\n'
    assert policy_of(tmp_path, text) == Policy("idle", {"beam": Trigger("greet", 6, "storm", 5.0)})


def test_no_file_means_nothing_idles_and_nothing_is_triggered(tmp_path: Path) -> None:
    assert read_policy(tmp_path / "event.toml", SCENES, INPUTS) == Policy()


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ('idle = "idel"\n', 1, "did you mean `idle`"),
        ('idle = "greet"\n', 1, "not a loop"),
        ('[triggers.baem]\nplays = "greet"\n', 1, "did you mean `beam`"),
        ('[triggers.beam]\nplays = "gret"\n', 2, "did you mean `greet`"),
        ('[triggers.beam]\nplays = "greet"\nevery = 6\n', 1, "go together"),
        ('[triggers.beam]\nplays = "greet"\nevery = 1\nevery_plays = "storm"\n', 3, "too small"),
        ('[triggers.beam]\nplays = "greet"\ncooldown_s = 1e9\n', 3, "too big"),
        ('[triggers.beam]\nplays = "greet"\ncooldown = 5\n', 3, "needs its unit"),
        ("[triggers.beam]\n", 1, "missing"),
        ("idle = 3\n", 1, "must be a list"),
        ("idle = \n", None, "not TOML"),
    ],
)
def test_each_fault_names_its_line_and_a_remedy(
    tmp_path: Path, text: str, line: int | None, says: str
) -> None:
    with pytest.raises(SceneError) as caught:
        policy_of(tmp_path, text)
    assert says in str(caught.value)
    assert caught.value.faults[0].remedy
    if line is not None:
        assert caught.value.faults[0].line == line


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    (tmp_path / "event.toml").write_bytes(b'idle = "\xff\xfe"')
    with pytest.raises(SceneError, match="UTF-8"):
        read_policy(tmp_path / "event.toml", SCENES, INPUTS)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    with contextlib.suppress(SceneError):
        policy_of(tmp_path_factory.mktemp("event"), text)


def test_the_documented_file_is_read(tmp_path: Path) -> None:
    """The example of EVENT.md, and each key of its table."""
    text = (Path(policy.__file__).parent / "EVENT.md").read_text(encoding="utf-8")
    example = text.split("```toml\n")[1].split("```")[0]
    file = tmp_path / "event.toml"
    file.write_text(example)
    loops = dict.fromkeys(("idle", "look"), True)
    found = read_policy(file, {**loops, **dict.fromkeys(("greet", "wave", "storm"), False)}, ["beam"])
    assert (found.idle, found.also_idle, found.idle_turns) == ("idle", ("look",), 3)
    assert found.triggers["beam"] == Trigger("greet", 6, "storm", 5.0, ("wave",), "weighted", (3, 1))
    assert found.duty is not None
    table = text.split("| key |")[1]
    for key in ("idle", "idle_turns", "seed", "plays", "choice", "weights", "cooldown_s", "every"):
        assert f"`{key}`" in table, key
