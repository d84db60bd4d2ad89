"""What trigger refuses, how it follows a scene, and what it tells meanwhile."""

from __future__ import annotations

import pytest

from sequencer.board.link import Link
from sequencer.errors import UsageError


def test_a_scene_that_is_not_there_is_answered_with_the_nearest() -> None:
    from sequencer.cli.trigger import scene_number

    assert scene_number("storm", ["greet", "storm"]) == 1
    with pytest.raises(UsageError, match="did you mean `greet`"):
        scene_number("gret", ["greet", "storm"])


def test_a_real_board_needs_recorded_ends() -> None:
    import dataclasses

    from sequencer.cli.ready import require_ends
    from sequencer.figure.read import read_figure
    from sequencer.show_folder import demo_folder

    figure = read_figure(demo_folder() / "figure.toml")
    known = {
        name: dataclasses.replace(servo, ends_us=(1000.0, 2000.0)) for name, servo in figure.servos.items()
    }
    require_ends(dataclasses.replace(figure, servos=known))
    name = next(iter(known))
    known[name] = dataclasses.replace(known[name], ends_us=None)
    with pytest.raises(UsageError, match=f"servo `{name}` has no recorded ends") as caught:
        require_ends(dataclasses.replace(figure, servos=known))
    assert f"calibrate --only {name}" in str(caught.value)


def test_a_board_with_another_show_is_told_to_flash(bench, flash_of, crcs, tmp_path) -> None:
    from sequencer.cli.trigger import check_carries
    from sequencer.errors import LinkError

    content = flash_of(image=4)
    carried, _ = crcs(content)
    with pytest.raises(LinkError) as caught:
        check_carries(Link(bench(content).port), carried ^ 1, tmp_path, "Wooden Head")
    assert f"the board carries `keeper` (image {carried:08x})" in str(caught.value)
    assert f"this folder makes `Wooden Head` (image {carried ^ 1:08x})" in str(caught.value)
    assert "quarterjack flash" in str(caught.value)
    assert "limit" not in str(caught.value)  # a check sum is none
    bare = bench(flash_of(image=None))
    with pytest.raises(LinkError, match="no show on the board; this folder makes `Wooden Head`"):
        check_carries(Link(bare.port), 5, tmp_path, "Wooden Head")
    good = bench(content)
    check_carries(Link(good.port), carried, tmp_path, "Wooden Head")


class Script:
    """Keys from a list, one a look."""

    def __init__(self, *names: str | None) -> None:
        self.names = list(names)

    def read(self, timeout_s: float) -> str | None:
        return self.names.pop(0) if self.names else None


@pytest.mark.parametrize(("pressed", "outcome"), [((), "played"), ((None, "x", "space", "space"), "stopped")])
def test_space_holds_once_and_the_outcome_says_so(bench, flash_of, pressed, outcome: str) -> None:
    from sequencer.cli.say import Progress
    from sequencer.cli.trigger import Watched, _watch

    rig = bench(flash_of())
    link = Link(rig.port)
    link.hello()
    link.wait_ready()
    cue = link.cue(1)
    told = []
    bar = Progress()
    bar.tell = lambda what, done: told.append(done)  # type: ignore[method-assign]
    watched = Watched(1, 1.0, bar, None)
    assert _watch(link, link.follow(cue, 1), Script(*pressed), watched) == (outcome, 0)
    assert [kind for kind, _ in rig.player.performed].count("hold") == (outcome == "stopped")
    assert told == sorted(told)
    assert told


def test_lines_tell_how_far_a_scene_is_every_few_seconds() -> None:
    from sequencer.board.reports import SCENE, Status
    from sequencer.cli.say import Progress
    from sequencer.cli.trigger import Watched, ending

    lines: list[str] = []
    watched = Watched(2, 10.0, Progress(), lines.append)
    for left in (2, 1):
        for frame in range(0, 500, 10):
            watched.look(Status(SCENE, 0, 1, frame, 500, 7, left, 0))
    assert lines == [
        f"  {second:5.2f} of 10.00 s, turn {turn} of 2"
        for turn in (1, 2)
        for second in (0.0, 2.0, 4.0, 6.0, 8.0)
    ]
    assert ending("played", 1) == "played to its end"
    assert ending("played", 2) == "played 2 times, to its end"
    assert ending("stopped", 2) == "stopped by hold"
