"""What plays without a host, against a plain reading of FORMAT.md, "Policy"."""

from __future__ import annotations

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.player.player import Fault, Player, Result, State, What
from tests.player import oracle
from tests.player.oracle import NONE, Input, Scene, Show, Track
from tests.player.stopping_show import policy

ORDER, SHUFFLE, WEIGHTED = 1, 2, 3
NOBODY, SOMEBODY = 1, 0


class Chance:
    """The one generator."""

    def __init__(self, seed: int) -> None:
        self.x = seed * 40503 % 65536 or 1

    def below(self, count: int) -> int:
        self.x ^= self.x << 7 & 0xFFFF
        self.x ^= self.x >> 9
        self.x ^= self.x << 8 & 0xFFFF
        return self.x * count >> 16


class Chooser:
    """One list."""

    def __init__(self, how: int, weights: list[int]) -> None:
        self.how, self.weights = how, weights
        self.had: set[int] = set()
        self.last: int | None = None

    def choose(self, chance: Chance) -> int:
        count = len(self.weights)
        barred = set(self.had)
        if len(self.had) == count:
            self.had = set()
            barred = {self.last} if count > 1 and self.last is not None else set()
        if self.how == ORDER:
            following = 0 if self.last is None else (self.last + 1) % count
            shares = [int(i == following) for i in range(count)]
        elif self.how == SHUFFLE:
            shares = [int(i not in barred) for i in range(count)]
        else:
            shares = self.weights
        drawn = chance.below(sum(shares))
        self.last = next(i for i in range(count) if drawn < sum(shares[: i + 1]))
        self.had.add(self.last)
        return self.last


def short_show(extra: bytes, cooldown: int = 0) -> Show:
    """Eight scenes of 12 frames, one trigger, one track that never moves."""
    scenes = [Scene(12, False, [None]) for _ in range(8)]
    return Show(
        tracks=[Track(6)], scenes=scenes, idle=NONE, settle=6, stop=6, stagger=0, boot=1,
        inputs=[Input(NONE, debounce=1, cooldown=cooldown)], extras={1: extra},
    )  # fmt: skip


def opened(show: Show) -> Player:
    player = Player(oracle.write(show))
    assert player.open() == Fault.OK
    player.play(60)
    return player


def visit(player: Player) -> list[int]:
    """Somebody comes and goes; the scenes that began."""
    player.sample(SOMEBODY)
    first = player.play(12).happened
    player.sample(NOBODY)
    return [h.scene for h in (*first, *player.play(30).happened) if h.what == What.STARTED]


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from((ORDER, SHUFFLE, WEIGHTED)),
    st.lists(st.integers(1, 255), min_size=1, max_size=8),
    st.integers(1, 65535),
)
def test_scenes_are_chosen_as_the_document_says(how: int, weights: list[int], seed: int) -> None:
    pairs = list(enumerate(weights))
    player = opened(short_show(policy([(0, []), (how, pairs)], seed)))
    chance, chooser = Chance(seed), Chooser(how, weights)
    told = [visit(player) for _ in range(20)]
    assert told == [[chooser.choose(chance)] for _ in range(20)]
    assert [player.runs(scene) for scene in range(8)] == [told.count([scene]) for scene in range(8)]
    if how == SHUFFLE and len(weights) > 1:
        assert all(one != other for one, other in itertools.pairwise(told))
        assert sorted(scene for (scene,) in told[: len(weights)]) == list(range(len(weights)))


def test_a_boot_number_is_the_seed_unless_the_image_has_one() -> None:
    def evening(seed: int, boot: int) -> list[list[int]]:
        player = opened(short_show(policy([(0, []), (SHUFFLE, [(i, 1) for i in range(8)])], seed)))
        player.seed(boot)
        return [visit(player) for _ in range(10)]

    assert evening(5, 1) == evening(5, 2)
    assert evening(0, 1) != evening(0, 2)


def test_idle_loops_follow_each_other_shuffled() -> None:
    loops = [Scene(60, True, [None], fade_in=6) for _ in range(3)]
    show = Show(
        tracks=[Track(6)], scenes=loops, idle=0, settle=6, stop=6, stagger=0, boot=1,
        transitions={(a, b): (6, 0) for a in range(3) for b in range(3)},
        extras={1: policy([(SHUFFLE, [(0, 1), (1, 2), (2, 3)])], 9)},
    )  # fmt: skip
    player = Player(oracle.write(show))
    assert player.open() == Fault.OK
    scenes = player.play(3000).scene[100:]
    runs = [int(scenes[0])]
    lengths = [0]
    for scene in scenes:
        if scene != runs[-1]:
            runs.append(int(scene))
            lengths.append(0)
        lengths[-1] += 1
    assert set(runs) == {0, 1, 2}
    assert len(runs) > 15
    assert all(
        60 * (scene + 1) <= n <= 60 * (scene + 1) + 24
        for scene, n in list(zip(runs, lengths, strict=True))[1:-1]
    )


def test_a_duty_limit_rests_the_machine() -> None:
    """Six seconds within seven slots of two: then ten seconds of nothing, and it is counted anew."""
    show = short_show(policy([(0, []), (0, [])], 0, (2, 6, 10)))
    show.inputs[0].scene = 0
    show.scenes[0].frames = 150
    player = opened(show)
    started = resting = 0
    for _ in range(4):
        player.sample(SOMEBODY)
        told = [*player.play(10).happened]
        player.sample(NOBODY)
        told += player.play(190).happened
        started += sum(h.what == What.STARTED for h in told)
        resting += sum(h.what == What.RESTING and h.cue == 10 for h in told)
        if resting:
            break
    assert (started, resting) == (2, 1)
    assert 0 < player.resting_s <= 10
    assert player.cue(1, 0, 1) == Result.BUSY
    assert visit(player) == []
    assert player.play(10 * 50).state[-1] == State.IDLE
    assert player.resting_s == 0
    assert visit(player) == [0]
