from dataclasses import replace

import numpy as np
import pytest

from sequencer.errors import PlanError
from sequencer.motion.model import PositionQuantity, Quantity, TrackCertificate, TrackPlan, TrackSpec
from sequencer.tables import fades
from sequencer.tables.model import Transition
from sequencer.tables.transitions import (
    CLEAR_FRAMES,
    LONGEST_FRAMES,
    TransitionTable,
    choose_transitions,
    with_transitions,
)
from tests.tables.show_makers import looking_scene, spec, swaying_loop

TURN = spec("turn", bounds=(200, 40, 20))
JAW = spec("jaw", knot_frames=1, bounds=(60, 12, 8), low=-200, high=1200)
SPECS = {"turn": TURN, "jaw": JAW}


def plans() -> dict[str, dict[str, TrackPlan]]:
    return {
        "idle": {"turn": swaying_loop(TURN, 600, 400, 5), "jaw": swaying_loop(JAW, 600, 40, 4)},
        "greet": {"turn": looking_scene(TURN, 240, 600), "jaw": looking_scene(JAW, 240, 400)},
        "doze": {"turn": swaying_loop(TURN, 360, 100, 1, "doze")},
        "blink": {},
    }


@pytest.fixture(scope="module")
def table() -> TransitionTable:
    return choose_transitions(SPECS, plans())


def proven(left: str, to: str | None, table: TransitionTable, item: Transition) -> bool:
    shown = plans()
    for name, track in SPECS.items():
        leaving = shown[left].get(name)
        entered = shown[to].get(name) if to else None
        fade_in = table.fade_in.get(to or "", 0)
        if leaving is None:
            continue
        points = fades.leaving(leaving, entered, item.fade_frames, item.delay_frames, fade_in)
        if not fades.worst(points).within(track):
            return False
    return True


def test_every_pair_has_a_proven_transition(table: TransitionTable) -> None:
    assert set(table.rows) == {"idle", "doze"}
    for loop, row in table.rows.items():
        assert set(row) == {"idle", "greet", "doze", "blink", None}
        for to, item in row.items():
            assert proven(loop, to, table, item)
            assert item.fade_frames % 6 == item.delay_frames % 6 == 0
            assert 0 < item.fade_frames <= LONGEST_FRAMES


def test_nothing_quicker_is_proven(table: TransitionTable) -> None:
    quicker = [
        Transition(fade, delay)
        for delay in range(0, table.rows["idle"]["greet"].delay_frames + 6, 6)
        for fade in range(6, LONGEST_FRAMES + 6, 6)
    ]
    chosen = table.rows["idle"]["greet"]
    for item in quicker[: quicker.index(chosen)]:
        assert not proven("idle", "greet", table, item), item
    rest = table.rows["idle"][None]
    assert rest.delay_frames == 0
    assert not proven("idle", None, table, Transition(rest.fade_frames - 6, 0))


def test_a_fade_is_over_before_its_scene_is() -> None:
    short = {
        "idle": {"turn": swaying_loop(TURN, 600, 400, 5)},
        "nod": {"turn": looking_scene(TURN, 30, 5, "nod")},
    }
    item = choose_transitions({"turn": TURN}, short).rows["idle"]["nod"]
    assert item.fade_frames + CLEAR_FRAMES <= item.delay_frames + 30


def test_proofs_carry_labels_and_stay_within_bounds(table: TransitionTable) -> None:
    labels = {proof.label for proof in table.proofs}
    assert {"idle->greet", "idle->rest", "rest->idle", "stop", "settle", "doze->idle"} <= labels
    assert all(proof.worst.within(SPECS[proof.track]) for proof in table.proofs)


def test_settling_is_proven_from_every_value(table: TransitionTable) -> None:
    for track in SPECS.values():
        starts = np.arange(track.low, track.high + 1)
        assert fades.worst(fades.settling(track, starts, table.settle_frames)).within(track)


def tight(**changes: object) -> tuple[dict[str, TrackSpec], dict[str, dict[str, TrackPlan]]]:
    track = replace(TURN, **changes)
    return {"turn": track}, {"idle": {"turn": swaying_loop(track, 600, 400, 5)}}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bounds": (200, 40, 0)}, "jerk of turn"),
        ({"bounds": (1, 40, 20), "low": -400, "high": 400}, "velocity of turn"),
    ],
)
def test_what_cannot_be_done_is_told_with_a_remedy(changes: dict[str, object], words: str) -> None:
    with pytest.raises(PlanError, match="no transition") as caught:
        choose_transitions(*tight(**changes))
    fault = caught.value.faults[0]
    assert fault.quantity == words
    assert fault.remedy
    assert "within 6 s" in fault.message


def test_a_loop_too_lively_to_leave_names_the_loop() -> None:
    specs, shown = tight(low=-410, high=410)
    lively = {"idle": {"turn": replace(shown["idle"]["turn"], points=np.tile([0, 300], 100))}}
    with pytest.raises(PlanError) as caught:
        choose_transitions(specs, lively)
    assert "turn" in str(caught.value)


def test_a_figure_with_lamps_only_needs_no_proof() -> None:
    found = choose_transitions({}, {"idle": {}, "greet": {}}, loops={"idle"})
    assert found.rows["idle"]["greet"].delay_frames == 0
    assert found.proofs == ()


def test_the_certificate_takes_the_worse_of_scene_and_transition(table: TransitionTable) -> None:
    scene = TrackCertificate(
        "turn",
        PositionQuantity(-10, TURN.low, 10, TURN.high, "greet"),
        Quantity(199, TURN.bounds[0], "greet"),
        Quantity(0, TURN.bounds[1], "greet"),
        Quantity(0, TURN.bounds[2], "greet"),
    )
    merged = with_transitions({"turn": scene}, SPECS, table)
    assert merged["turn"].velocity == scene.velocity
    assert merged["turn"].jerk.max == max(p.worst.d3 for p in table.proofs if p.track == "turn")
    assert merged["turn"].jerk.scene != "greet"
    played = [p.worst.high for p in table.proofs if p.track == "turn" and p.label != "settle"]
    assert merged["turn"].position.max == max(played) < TURN.high
    assert merged["turn"].position.scene != "settle"
    assert merged["turn"].position.bound == TURN.high
    assert set(merged) == {"turn", "jaw"}
