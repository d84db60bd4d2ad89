"""The running link against a board model: cues once or reported, resets never replayed, faulty lines."""

from __future__ import annotations

import random

import pytest

from sequencer.board.frames import Frame
from sequencer.board.link import Link
from sequencer.board.messages import catalogue
from sequencer.errors import LinkError


def connected(bench, content):
    rig = bench(content)
    link = Link(rig.port)
    link.hello()
    return rig, link


def test_hello_after_opening_tells_what_the_board_carries(bench, flash_of, crcs) -> None:
    content = flash_of(image=3)
    rig = bench(content)
    hello = Link(rig.port).hello()
    assert (hello.image_crc, hello.player_crc) == crcs(content)
    assert (hello.figure, hello.fault) == ("keeper", 0)
    # The loader was not talked to: it ran into its own time-out.
    assert rig.board.resets == 1
    assert rig.port.now_s() >= 1.0


def test_a_blank_board_is_silent_and_says_what_to_check(bench) -> None:
    rig = bench()
    with pytest.raises(LinkError, match="does not answer") as caught:
        Link(rig.port).hello()
    assert "quarterjack flash" in str(caught.value)


def test_a_cue_is_followed_to_its_end(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    link.wait_ready()
    cue = link.cue(2)
    steps = list(link.follow(cue, 2))
    assert steps[-1].outcome == "played"
    assert all(step.outcome is None for step in steps[:-1])
    assert [kind for kind, _ in rig.player.performed].count("cue") == 1


def test_a_scene_that_is_not_there_is_refused_in_words(bench, flash_of) -> None:
    _, link = connected(bench, flash_of())
    with pytest.raises(LinkError, match="did not take 'cue': bad argument"):
        link.cue(9)


def test_an_old_answer_to_the_same_number_is_not_taken_for_a_new_one(bench, flash_of) -> None:
    # An earlier program's last request had number 1; its answer is repeated to our first number 1.
    rig, first = connected(bench, flash_of())
    first.wait_ready()
    first._seq = 0
    first.request("cue", cue=1, scene=0, repeats=1, boot=1)
    second = Link(rig.port)
    second._seq = 0
    hello = second.hello(quiet_s=0.0)
    assert hello.figure == "keeper"
    second._seq = 0
    number = second.cue(0)
    cues = [fields["cue"] for kind, fields in rig.player.performed if kind == "cue"]
    assert cues == [1, number]


def test_a_reset_in_a_scene_is_told_and_nothing_is_sent_again(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    link.wait_ready()
    cue = link.cue(1)
    steps = link.follow(cue, 1)
    next(steps)
    rig.board.reset(cause=8)
    with pytest.raises(LinkError, match="board reset; the cue was interrupted"):
        list(steps)
    rig.board.run_until(rig.board.now_us + 3_000_000)
    assert [kind for kind, _ in rig.player.performed].count("cue") == 1


def test_a_reset_whose_hello_is_lost_is_still_noticed(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    link.wait_ready()
    cue = link.cue(1)
    steps = link.follow(cue, 1)
    next(steps)
    rig.board.faults.silent = True
    rig.board.reset(cause=8)
    rig.board.faults.silent = False
    with pytest.raises(LinkError, match="the cue was interrupted"):
        list(steps)


def test_an_unplugged_cable_is_a_link_error(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    rig.board.faults.unplug_after = 0
    with pytest.raises(LinkError, match="the cable went away"):
        link.status()


def test_another_version_of_the_link_is_named(bench, flash_of) -> None:
    rig = bench(flash_of())
    told = rig.player._hello
    rig.player._hello = lambda: {**told(), "protocol": 9}
    with pytest.raises(LinkError, match="another version of the link"):
        Link(rig.port).hello()


def mangler(seed: int, odds: float):
    """Drops, flips, repeats and delays chunks, each with ``odds``."""
    chance = random.Random(seed)
    held: list[bytes] = []

    def mangle(data: bytes) -> bytes:
        late = b"".join(held)
        held.clear()
        dice = chance.random() / odds
        if dice < 1:
            return late
        if dice < 2:
            at = chance.randrange(len(data))
            return late + data[:at] + bytes((data[at] ^ 1 << chance.randrange(8),)) + data[at + 1 :]
        if dice < 3:
            return late + data + data
        if dice < 4:
            held.append(data)
            return late
        return late + data

    return mangle


@pytest.mark.parametrize("seed", range(25))
def test_on_a_bad_line_a_cue_is_performed_once_or_reported(bench, flash_of, seed: int) -> None:
    rig, link = connected(bench, flash_of())
    link.wait_ready()
    rig.board.faults.to_board = mangler(seed, 0.08)
    rig.board.faults.to_host = mangler(seed + 1000, 0.08)
    for scene in (0, 1, 2, 3, 0, 1):
        before = len([1 for kind, _ in rig.player.performed if kind == "cue"])
        try:
            cue = link.cue(scene)
        except LinkError:
            cue = None
        cues = [fields for kind, fields in rig.player.performed if kind == "cue"][before:]
        assert len(cues) <= 1
        if cue is not None:
            assert cues == [{"cue": cue, "scene": scene, "repeats": 1, "boot": rig.player.boots}]


def test_the_bad_line_test_really_loses_frames(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    rig.board.faults.to_host = mangler(3, 0.2)
    for _ in range(40):
        link.status()
    assert link.damaged_frames > 0


def test_reports_are_queued_while_a_request_waits(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    link.wait_ready()
    kind = catalogue().by_name["happened"]
    rig.player.out += Frame(0, kind.code, bytes((4, 0, 0, 1, 0))).encode()
    link.status()
    (report,) = link.reports()
    assert (report.name, report.number("what"), report.number("scene")) == ("happened", 4, 1)


def test_unknown_messages_from_a_newer_board_are_passed_over(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    rig.player.out += Frame(0, 0xF0, b"newer").encode()
    assert link.status().state in (1, 2)


def test_park_and_release_are_asked_for_once(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    link.wait_ready()
    link.park()
    link.release()
    kinds = [kind for kind, _ in rig.player.performed]
    assert (kinds.count("park"), kinds.count("release")) == (1, 1)


def test_what_the_board_tells_of_itself_reaches_who_follows(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    link.wait_ready()
    steps = link.follow(link.cue(2), 2)
    next(steps)
    kind = catalogue().by_name["happened"]
    # what, cue (two bytes), scene, input: expander 1 lost, rest of 300 s.
    for body in ((8, 0, 0, 255, 1), (9, 44, 1, 255, 255)):
        rig.player.out += Frame(0, kind.code, bytes(body)).encode()
    seen = list(steps)
    words = [news.words for step in seen for news in step.news]
    assert "expander 1 no longer answers" in words[0]
    assert "rests for 300 s" in words[1]
    assert seen[-1].outcome == "played"


@pytest.mark.parametrize(
    ("cause", "unknown"),
    [(0x01, True), (0x81, True), (0x00, True), (0x04, True), (0x02, False), (0x08, False)],
)
def test_only_a_board_that_had_no_power_is_cautioned_about_and_no_simulated_one(
    bench, flash_of, cause, unknown
) -> None:
    from sequencer.cli.start_cautions import start_cautions

    rig, link = connected(bench, flash_of())
    rig.player.cause = cause
    hello = link.hello()
    assert hello.pose_unknown == unknown
    told = [line for line in start_cautions(hello, simulated=False) if line.startswith("Unknown start")]
    assert len(told) == unknown
    assert all("jump" in line and "head" in line for line in told)
    assert not any("Unknown start" in line for line in start_cautions(hello, simulated=True))


@pytest.mark.parametrize("cause", [0x04, 0x84])
def test_a_supply_that_sagged_has_its_own_caution(bench, flash_of, cause) -> None:
    """At the next start, and where the interrupted cue is told: what happened and what helps."""
    from sequencer.cli.start_cautions import start_cautions

    rig, link = connected(bench, flash_of())
    link.wait_ready()
    steps = link.follow(link.cue(1), 1)
    next(steps)
    rig.board.reset(cause=cause)
    with pytest.raises(LinkError, match=r"sagging supply \(brown-out\); the cue was interrupted") as caught:
        list(steps)
    for helps in ("supply of their own", "capacitor", "nothing is sent again"):
        assert helps in str(caught.value)
    hello = link.hello()
    assert any("sagged (brown-out)" in line and "capacitor" in line for line in start_cautions(hello, True))
    rig.player.cause = 0x01 | cause  # a supply that comes up slowly shows both: it was switched on
    assert not any("brown-out" in line for line in start_cautions(link.hello(), True))


def test_a_brown_out_whose_hello_is_lost_is_still_told_as_one(bench, flash_of) -> None:
    rig, link = connected(bench, flash_of())
    link.wait_ready()
    steps = link.follow(link.cue(1), 1)
    next(steps)
    rig.board.faults.silent = True
    rig.board.reset(cause=0x04)
    rig.board.faults.silent = False
    with pytest.raises(LinkError, match="sagging supply") as caught:
        list(steps)
    assert "its hello was not heard" in str(caught.value)
