from dataclasses import dataclass, replace

import numpy as np
import pytest

from sequencer.errors import PlanError
from sequencer.motion.model import PositionQuantity, Quantity, TrackCertificate, TrackPlan, TrackSpec
from sequencer.tables.crossed import with_transitions
from sequencer.tables.model import ShowImage, Transition
from sequencer.tables.transitions import (
    CLEAR_FRAMES,
    LONGEST_FRAMES,
    TransitionTable,
    choose_transitions,
)
from sequencer.tables.worst import Worst
from tests.tables import fade_oracle
from tests.tables.proof_oracle import Oracle, assert_quickest
from tests.tables.show_makers import chosen, looking_scene, moving_show, opened, spec, swaying_loop

TURN = spec("turn", bounds=(200, 40, 20))
JAW = spec("jaw", knot_frames=1, bounds=(60, 12, 8), low=-200, high=1200)
SPECS = {"turn": TURN, "jaw": JAW}
FRAMES = {"idle": 600, "greet": 240, "doze": 360, "blink": 60}
LOOPS = ("idle", "doze")


def plans() -> dict[str, dict[str, TrackPlan]]:
    return {
        "idle": {"turn": swaying_loop(TURN, 600, 400, 5), "jaw": swaying_loop(JAW, 600, 40, 4)},
        "greet": {"turn": looking_scene(TURN, 240, 600), "jaw": looking_scene(JAW, 240, 400)},
        "doze": {"turn": swaying_loop(TURN, 360, 100, 1, "doze")},
        "blink": {},
    }


@pytest.fixture(scope="module")
def show() -> ShowImage:
    return moving_show(SPECS, plans(), FRAMES, LOOPS)


@pytest.fixture(scope="module")
def table(show: ShowImage) -> TransitionTable:
    return chosen(SPECS, show)


def test_every_pair_has_a_transition_of_whole_common_knots(table: TransitionTable) -> None:
    assert set(table.rows) == set(table.fade_in) == {"idle", "doze"}
    for row in table.rows.values():
        assert set(row) == {"idle", "greet", "doze", "blink", None}
        for item in row.values():
            assert item.fade_frames % 6 == item.delay_frames % 6 == 0
            assert 0 < item.fade_frames <= LONGEST_FRAMES
        assert row[None].delay_frames == 0


def test_nothing_quicker_is_proven(show: ShowImage, table: TransitionTable) -> None:
    assert min(table.settle_frames, table.stop_frames, table.fade_in["idle"]) > 6, "else it proves nothing"
    assert_quickest(Oracle(SPECS, plans(), show.scenes), table, LONGEST_FRAMES)


@dataclass
class Odd:
    """A prover of one track that refuses every time but a few."""

    good: frozenset[int]

    def answer(self, frames: int) -> list[Worst]:
        return [Worst(0, 0, 0, 0, 0 if frames in self.good else 999)]

    def watch_faces(self, faces: object) -> None:
        raise AssertionError("there is no pair")

    def prove_leaving(
        self, loop: int, scene: int, fade_frames: int, delay_frames: int, fade_in_frames: int | None = None,
        *, stop_early: bool = False,
    ) -> list[Worst]:  # fmt: skip
        return self.answer(fade_frames)

    def prove_entering(self, loop: int, fade_in_frames: int, *, stop_early: bool = False) -> list[Worst]:
        return self.answer(fade_in_frames)

    def prove_stopping(self, scene: int, stop_frames: int, *, stop_early: bool = False) -> list[Worst]:
        return self.answer(stop_frames)

    def prove_settling(self, settle_frames: int, *, stop_early: bool = False) -> list[Worst]:
        return self.answer(settle_frames)

    def prove_parking(self, park_frames: int, *, stop_early: bool = False) -> list[Worst]:
        return self.answer(park_frames)


@pytest.mark.parametrize("least", [6, 12, 18, 42, 48, 54, 186, 192, 198, 294, 300])
def test_the_bisection_ends_at_the_least_time(least: int) -> None:
    prover = Odd(frozenset(range(least, 306, 6)))
    scenes = moving_show({"turn": TURN}, {"idle": {}}, FRAMES).scenes
    found = choose_transitions(prover, {"turn": TURN}, scenes)
    assert (found.settle_frames, found.stop_frames, found.fade_in["idle"]) == (least,) * 3
    assert found.rows["idle"][None] == Transition(least, 0)


def test_a_time_between_refused_ones_is_found() -> None:
    scenes = moving_show({"turn": TURN}, {"idle": {}}, FRAMES).scenes
    found = choose_transitions(Odd(frozenset({90, 102})), {"turn": TURN}, scenes)
    assert (found.settle_frames, found.stop_frames, found.fade_in["idle"]) == (90, 90, 90)


def test_the_longest_transition_is_named(table: TransitionTable) -> None:
    loop, scene, frames = table.longest
    item = table.rows[loop][None if scene == "rest" else scene]
    assert frames == max(item.fade_frames, item.delay_frames)
    every = [max(t.fade_frames, t.delay_frames) for row in table.rows.values() for t in row.values()]
    assert frames == max(every)
    rest = TransitionTable(6, 6, {}, {"idle": {"greet": Transition(30, 6), None: Transition(36, 0)}}, ())
    assert rest.longest == ("idle", "rest", 36)
    late = TransitionTable(6, 6, {}, {"idle": {"greet": Transition(30, 42), None: Transition(36, 0)}}, ())
    assert late.longest == ("idle", "greet", 42)


def test_a_fade_is_over_before_its_scene_is() -> None:
    short = {
        "idle": {"turn": swaying_loop(TURN, 600, 400, 5)},
        "nod": {"turn": looking_scene(TURN, 30, 5, "nod")},
    }
    show = moving_show({"turn": TURN}, short, {"idle": 600, "nod": 30})
    item = chosen({"turn": TURN}, show).rows["idle"]["nod"]
    assert item.fade_frames + CLEAR_FRAMES <= item.delay_frames + 30


def test_proofs_carry_labels_and_stay_within_bounds(table: TransitionTable) -> None:
    labels = {proof.label for proof in table.proofs}
    assert {"idle->greet", "idle->rest", "rest->idle", "stop", "settle", "doze->idle"} <= labels
    assert all(proof.worst.within(SPECS[proof.track]) for proof in table.proofs)


def tight(**changes: object) -> tuple[dict[str, TrackSpec], ShowImage]:
    track = replace(TURN, **changes)
    show = moving_show({"turn": track}, {"idle": {"turn": swaying_loop(track, 600, 400, 5)}}, FRAMES)
    return {"turn": track}, show


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bounds": (200, 40, 0)}, "jerk of turn"),
        ({"bounds": (1, 40, 20), "low": -400, "high": 400}, "velocity of turn"),
    ],
)
def test_what_cannot_be_done_is_told_with_a_remedy(changes: dict[str, object], words: str) -> None:
    with pytest.raises(PlanError, match="no transition") as caught:
        chosen(*tight(**changes))
    fault = caught.value.faults[0]
    assert fault.quantity == words
    assert fault.remedy
    assert "within 6 s" in fault.message


def test_the_value_told_is_the_worst_of_the_longest_candidate() -> None:
    specs, show = tight(bounds=(200, 40, 1))
    with pytest.raises(PlanError, match="no transition settle within 6 s") as caught:
        chosen(specs, show)
    starts = np.arange(TURN.low, TURN.high + 1)
    worst = fade_oracle.worst(fade_oracle.settling(specs["turn"], starts, LONGEST_FRAMES))
    assert caught.value.faults[0].value == f"{worst.d3} units"


def test_a_loop_too_lively_to_leave_names_the_loop() -> None:
    track = replace(TURN, low=-410, high=410)
    lively = {"idle": {"turn": TrackPlan(track, "idle", True, np.tile([0, 300], 100), 0.0, 0)}}
    with pytest.raises(PlanError) as caught:
        chosen({"turn": track}, moving_show({"turn": track}, lively, FRAMES))
    assert "turn" in str(caught.value)


def test_a_figure_with_lamps_only_needs_no_proof() -> None:
    show = moving_show({}, {"idle": {}, "greet": {}}, FRAMES)
    found = choose_transitions(opened(show), {}, show.scenes)
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
    merged = with_transitions({"turn": scene}, SPECS, table.proofs)
    assert merged["turn"].velocity == scene.velocity
    assert merged["turn"].jerk.max == max(p.worst.d3 for p in table.proofs if p.track == "turn")
    assert merged["turn"].jerk.scene != "greet"
    played = [p.worst.high for p in table.proofs if p.track == "turn" and p.label not in ("settle", "park")]
    assert merged["turn"].position.max == max(played) < TURN.high
    assert merged["turn"].position.scene != "settle"
    assert merged["turn"].position.bound == TURN.high
    assert set(merged) == {"turn", "jaw"}
