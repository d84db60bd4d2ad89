"""The player runs on the table of states: each of its transitions happens, and nothing else does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.player.player import Fault, Played, Player, Result, State, What
from tests.player import oracle
from tests.player.building import ROOT, build_script
from tests.player.stopping_show import CALM, CROSSED, INTO, PRESSED, UNPOWERED, stopping_show

TABLE = build_script().states_table()["rows"]
IMAGE = oracle.write(stopping_show())
SCENE = 1
LIVE = 254
LONG = 400


def started(frames: int = 0) -> Player:
    player = Player(IMAGE)
    assert player.open() == Fault.OK
    player.play(frames)
    return player


def follow(state: int, played: Played, at: int, taken: set[int]) -> int:
    """The state after frame ``at``: each row taken begins where the one before has led."""
    count, *rows = played.steps[at]
    for row in rows[:count]:
        assert TABLE[row]["state"] == State(state).name.lower()
        state = State[TABLE[row]["next"].upper()]
        taken.add(int(row))
    assert state == played.state[at], "the state changed without a row"
    return state


def test_what_is_rendered_is_current() -> None:
    for path, text in build_script().render_states().items():
        assert path.read_text(encoding="utf-8") == text, f"{path.relative_to(ROOT)}: make firmware"


def test_the_table_counts_states_as_everybody_does() -> None:
    names = build_script().states_table()["states"]
    assert names == [state.name.lower() for state in State]


REQUESTS = (
    "cue",
    "hold",
    "resume",
    "park",
    "release",
    "calm",
    "pressed",
    "unpowered",
    "crossed",
    "both",
    "loop",
)


def ask(player: Player, request: str) -> Result | None:
    levels = {
        "calm": CALM,
        "pressed": PRESSED,
        "unpowered": UNPOWERED,
        "crossed": CROSSED,
        "both": PRESSED | UNPOWERED & 0b100,
    }
    if request in levels:
        player.sample(levels[request])
        return None
    if request in ("cue", "loop"):
        return player.cue(7, SCENE if request == "cue" else 2, 1 if request == "cue" else 2)
    answer = {"hold": player.hold, "resume": player.resume, "park": player.park, "release": player.release}
    return answer[request]()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(REQUESTS), st.integers(0, 90)), max_size=30))
def test_no_other_transition_is_reached(walk: list[tuple[str, int]]) -> None:
    player = started()
    state: int = State.BOOT
    for request, frames in walk:
        ask(player, request)
        played = player.play(frames)
        for at in range(frames):
            state = follow(state, played, at, set())
            dead = state in (State.BOOT, State.FAULT)
            assert not (dead and played.pulse_sixteenths[at].any())


def test_every_transition_happens() -> None:
    """One walk through all of them, row by row."""
    taken: set[int] = set()

    def go(player: Player, state: int, *walk: str | int) -> int:
        for item in walk:
            if isinstance(item, str):
                ask(player, item)
                continue
            played = player.play(item)
            for at in range(item):
                state = follow(state, played, at, taken)
        return state

    player = started()
    # boot, settle, idle, loops in turn, silence, a scene twice, one after the other, a trigger
    state = go(
        player, State.BOOT, 150, "hold", 100, "release", 1, "resume", 700, "crossed", 30, "calm", "cue", LONG
    )
    player.cue(1, SCENE, 2)
    state = go(player, state, LONG, "cue", 60, "cue", LONG)
    # live control, over as soon as the host is silent
    player.cue(2, LIVE, 1)
    state = go(player, state, LONG)
    # hold in a scene, parked, released by request, resumed; from settle into a scene; held in idle and settle
    state = go(player, state, "cue", 60, "hold", 200, "release", 1, "resume", 9, "cue", LONG)
    state = go(player, state, "pressed", 200, "calm", 10, "resume", 30, "hold", 200, "resume", LONG)
    # the supply goes in idle, in boot, in settle, in a scene, in hold
    state = go(player, state, "unpowered", 60, "calm", 10, "unpowered", 40, "calm", 80)
    state = go(player, state, "unpowered", 60, "calm", LONG, "cue", 60, "unpowered", 60, "calm", LONG)
    state = go(player, state, "hold", 150, "unpowered", 60, "calm", 60, "resume", LONG)
    assert state == State.IDLE
    # held before anything moved
    player = started()
    assert go(player, State.BOOT, "hold", 60) == State.HOLD
    # each state fails
    for name, walk in (
        ("boot", ()),
        ("settle", (40,)),
        ("idle", (LONG,)),
        ("scene", (LONG, "cue", 60)),
        ("hold", (10, "hold", 60)),
    ):
        player = started()
        before = go(player, State.BOOT, *walk)
        assert State(before).name.lower() == name
        player.fail(Fault.RAM)
        played = player.play(2)
        follow(before, played, 0, taken)
        assert not played.pulse_sixteenths.any()
    missing = {f"{TABLE[row]['state']}, {TABLE[row]['event']}" for row in set(range(len(TABLE))) - taken}
    assert not missing


# ---- a stop input and a lost supply in every state --------------------------------------------------


def into(name: str) -> Player:
    player = started()
    for item in INTO[name][0]:
        if isinstance(item, str):
            ask(player, item)
        else:
            player.play(item)
    return player


@pytest.mark.parametrize("name", INTO)
def test_a_stop_input_ends_in_hold_and_stays(name: str) -> None:
    player = into(name)
    player.sample(PRESSED)
    played = player.play(INTO[name][1] + 6)
    assert played.state[-1] == State.HOLD
    assert player.cue(1, SCENE, 1) == Result.REFUSED
    assert player.resume() == Result.REFUSED
    later = player.play(200)
    assert (later.state == State.HOLD).all()
    # what parks is released at its parked pose, what freezes is held where it stopped
    assert later.pulse_sixteenths[-1, 0] == 0
    assert (later.window[-1, 0] == -300).all()
    assert (later.window[-1, 1] == later.window[-1, 1, 0]).all()
    held = later.pulse_sixteenths[-1, 1]
    assert bool(held) == (not name.startswith("boot"))
    player.sample(CALM)
    assert (player.play(200).state == State.HOLD).all(), "it left hold by itself"
    assert player.resume() == Result.DONE
    back = player.play(200)
    assert back.state[-1] == State.IDLE
    assert back.pulse_sixteenths[-1, :2].all()
    first = back.pulse_sixteenths[np.flatnonzero(back.pulse_sixteenths[:, 0])[0], 0]
    assert first == 16 * 1500 - 300 * 2, "settling begins where it was parked"


@pytest.mark.parametrize("name", INTO)
def test_losing_the_supply_ends_scene_and_pulses_at_once(name: str) -> None:
    player = into(name)
    player.sample(UNPOWERED)
    playing = name.startswith("scene")
    held = name.startswith("hold")
    played = player.play(60)
    assert not played.pulse_sixteenths[1:].any(), "three samples of debounce are half a frame"
    assert (played.window[1:] == np.array([-300, 240, 0])[:, None]).all()
    told = [(h.what, h.scene, h.cue, h.input) for h in played.happened]
    assert told[0] == (What.RAIL_LOST, 255, 0, 2)
    assert told[1:] == ([(What.STOPPED, SCENE, 7, 255)] if playing else [])
    assert (played.state[1:] == (State.HOLD if held else State.BOOT)).all()
    assert player.cue(1, SCENE, 1) == Result.REFUSED
    assert player.resume() == Result.REFUSED
    player.sample(CALM)
    back = player.play(240)
    assert [h.what for h in back.happened] == [What.RAIL_BACK]
    if held:
        assert (back.state == State.HOLD).all()
        assert not back.pulse_sixteenths.any()
        assert player.resume() == Result.DONE
        back = player.play(240)
    order = list(dict.fromkeys(State(int(state)) for state in back.state[1:]))
    assert order[-2:] == [State.SETTLE, State.IDLE], "it settles from parked, and nothing is resumed"
    begun = [int(np.flatnonzero(back.pulse_sixteenths[:, track])[0]) for track in range(3)]
    assert begun == [begun[0], begun[0] + 4, begun[0] + 8]
    assert back.pulse_sixteenths[begun[0], 0] == 16 * 1500 - 300 * 2
    assert back.pulse_sixteenths[begun[1], 1] == 16 * 1400 + 240 * 2


def test_without_supply_from_the_start_no_servo_gets_a_pulse() -> None:
    player = started()
    player.sample(UNPOWERED)
    played = player.play(200)
    assert (played.state == State.BOOT).all()
    assert [h.what for h in played.happened] == [What.RAIL_LOST]
    player.sample(CALM)
    assert player.play(300).state[-1] == State.IDLE


def test_both_at_once_stay_in_hold() -> None:
    player = started(300)
    player.sample(0b101)
    played = player.play(100)
    assert played.state[-1] == State.HOLD or played.state[-1] == State.BOOT
    player.sample(PRESSED)
    assert player.play(100).state[-1] == State.HOLD
    player.sample(CALM)
    assert player.play(100).state[-1] == State.HOLD


# ---- park and release ------------------------------------------------------------------------------


def test_a_host_that_shuts_down_parks_everything() -> None:
    player = started(300)
    assert player.park() == Result.DONE
    played = player.play(200)
    assert played.state[-1] == State.HOLD
    assert not played.pulse_sixteenths[-1].any()
    assert (played.window[-1] == np.array([-300, 240, 0])[:, None]).all()
    # rest-to-rest: nothing jumps while there are pulses
    pulses = played.pulse_sixteenths.astype(int)
    both = (pulses[1:] > 0) & (pulses[:-1] > 0)
    assert np.abs(np.diff(pulses, axis=0))[both].max() < 16 * 12
    assert player.resume() == Result.DONE
    assert player.play(200).state[-1] == State.IDLE


def test_a_hold_that_is_parked_later() -> None:
    player = started(300)
    player.hold()
    played = player.play(200)
    assert list(played.pulse_sixteenths[-1] == 0) == [True, False, True], "track 2 had fallen silent"
    assert player.park() == Result.DONE
    assert not player.play(100).pulse_sixteenths[-1].any()


def test_a_balanced_axis_falls_silent_and_wakes_before_it_moves() -> None:
    player = started(190)
    quiet = player.play(160).pulse_sixteenths
    assert quiet[0, 2] != 0
    assert quiet[-1, 2] == 0, "track 2 rests in idle"
    assert quiet[:, :2].all(), "what moves, or is not balanced, keeps its pulses"
    assert player.cue(3, SCENE, 1) == Result.DONE
    woken = player.play(120)
    pulses = woken.pulse_sixteenths[:, 2]
    first = int(np.flatnonzero(pulses)[0])
    assert first <= 1
    begun = next(h.frame for h in woken.happened if h.what == What.STARTED)
    assert (pulses[first : begun + 1] == pulses[first]).all(), "it is at rest again before anything moves"
    assert pulses.max() > pulses[first]


def test_release_is_for_balanced_axes_at_rest() -> None:
    player = started(190)
    assert player.release() == Result.DONE
    assert list(player.play(1).pulse_sixteenths[0] == 0) == [False, False, True]
    assert player.release() == Result.REFUSED, "nothing more to release"
    player.cue(3, SCENE, 1)
    player.play(90)
    assert player.release() == Result.REFUSED, "a scene plays"
    show = stopping_show()
    show.extras[2] = show.extras[2][:-1] + b"\0"
    stiff = Player(oracle.write(show))
    stiff.open()
    stiff.play(300)
    assert stiff.release() == Result.REFUSED, "no track is balanced"


def test_a_released_track_is_still_known_to_stand_at_rest() -> None:
    player = started(190)
    player.release()
    player.play(1)
    assert player.standing_sixteenths(2) == 16 * 1500


@pytest.mark.parametrize("request_", ["hold", "pressed", "park"])
def test_a_stop_while_it_settles_leaves_the_move_whole_and_every_track_at_rest(request_: str) -> None:
    """At its end nothing has a velocity to fade; the parked tracks part from rest once they stand there."""
    calm = started(150)
    first = int(np.flatnonzero(started().play(150).state == State.IDLE)[0])
    rest = calm.play(1).window[0] * 0
    for early in range(2, 48):
        player = started(first - early)
        ask(player, request_)
        played = player.play(early + 6)
        held = np.flatnonzero(played.state == State.HOLD)
        assert len(held)
        np.testing.assert_array_equal(played.window[held[0] + 5], rest)


@pytest.mark.parametrize("asked", ["hold", "park"])
@pytest.mark.parametrize("into", ["scene, entering", "boot", "hold, parking", "hold"])
def test_a_hold_outlives_the_servo_supply(asked: str, into: str) -> None:
    """What was accepted is kept, whenever the supply goes: nothing but a resume leads out."""
    player = started()
    player.sample(CALM)
    steps, _ = INTO[into]
    for step in steps:
        if isinstance(step, int):
            player.play(step)
        else:
            assert (player.cue(7, SCENE, 1) if step == "cue" else player.hold()) == Result.DONE
    assert (player.park() if asked == "park" else player.hold()) == Result.DONE
    player.play(3)
    player.sample(UNPOWERED)
    player.sample(UNPOWERED)
    player.sample(UNPOWERED)
    player.play(40)
    for _ in range(3):
        player.sample(CALM)
    played = player.play(LONG)
    assert played.state[-1] == State.HOLD
    assert not played.pulse_sixteenths.any(), "a figure that was to hold moves by itself"
    assert player.resume() == Result.DONE
    played = player.play(LONG)
    assert played.state[-1] == State.IDLE
