"""One core: the host build and WebAssembly play the same image to the same integers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.player.machine import Machine
from sequencer.player.player import Fault, Played, Player
from sequencer.show import BuiltShow
from tests.fuzz.images import images
from tests.player import oracle
from tests.player.oracle import Show
from tests.player.shows import shows

Host = Callable[[], Machine]
quiet = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def assert_same(one: Played, other: Played) -> None:
    for name in Played.__dataclass_fields__:
        if name == "happened":
            assert one.happened == other.happened
        else:
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


@quiet
@given(show=shows(wide=True), asks=st.lists(st.tuples(st.integers(0, 5), st.integers(1, 120)), max_size=8))
def test_same_integers_whatever_is_asked(host: Host, show: Show, asks: list[tuple[int, int]]) -> None:
    image = oracle.write(show)
    wasm, native = Player(image), Player(image, machine=host)
    assert wasm.open() == native.open() == Fault.OK
    assert_same(wasm.play(250), native.play(250))
    for ask, frames in asks:
        for_both = []
        for player in (wasm, native):
            if ask < 3:
                for_both.append(player.cue(ask + 1, ask, frames % 3))
            else:
                for_both.append(player.hold() if ask == 3 else player.resume())
        assert for_both[0] == for_both[1]
        assert_same(wasm.play(frames), native.play(frames))


def test_the_demo_is_the_same_on_both(host: Host, keeper: BuiltShow) -> None:
    """All scenes of the Lantern Keeper, a hold and a return: every number, every byte of the state."""
    wasm, native = Player(keeper.image), Player(keeper.image, machine=host)
    assert wasm.open() == native.open() == Fault.OK
    seen: set[int] = set()

    def both(frames: int) -> None:
        here = wasm.play(frames)
        assert_same(here, native.play(frames))
        assert wasm.snapshot().state == native.snapshot().state
        seen.update(here.scene.tolist())

    both(1200)
    for number, scene in enumerate(keeper.contents.scenes):
        assert wasm.cue(1, number, 1) == native.cue(1, number, 1)
        for _ in range(0, scene.frames + 300, 25):
            both(25)
    assert seen >= set(range(len(keeper.contents.scenes)))
    assert wasm.cue(1, 2, 1) == native.cue(1, 2, 1)
    both(203)
    assert wasm.hold() == native.hold()
    both(150)
    assert wasm.resume() == native.resume()
    both(400)


asks = st.one_of(
    st.tuples(st.just("cue"), st.integers(0, 4)),
    st.tuples(st.just("levels"), st.integers(0, 3)),
    st.tuples(st.just("reads"), st.integers(0, 1023)),
    st.tuples(st.sampled_from(("hold", "resume")), st.just(0)),
)


@quiet
@given(
    pulses=st.lists(st.sampled_from((0, 15000, 24000, 30123)), min_size=4, max_size=4),
    script=st.lists(st.tuples(asks, st.integers(1, 40)), min_size=3, max_size=10),
)
def test_every_extra_is_the_same(host: Host, pulses: list[int], script: list[tuple]) -> None:
    """Short scenes with every kind of extra; triggers, currents, stops and starts in any order."""
    image = images()[-1]
    wasm, native = Player(image), Player(image, machine=host)
    for player in (wasm, native):
        assert player.open() == Fault.OK
        player.start_from(pulses)
    for (ask, number), frames in script:
        for player in (wasm, native):
            if ask == "levels":
                player.sample(number)
            elif ask == "reads":
                player.counts(number & 1, number)
        if ask == "cue":
            assert wasm.cue(1, number) == native.cue(1, number)
        elif ask in ("hold", "resume"):
            assert getattr(wasm, ask)() == getattr(native, ask)()
        assert_same(wasm.play(frames), native.play(frames))
        assert wasm.snapshot().state == native.snapshot().state


@quiet
@given(show=shows(), knots=st.integers(1, 12))
def test_same_proofs(host: Host, show: Show, knots: int) -> None:
    image = oracle.write(show)
    wasm, native = Player(image), Player(image, machine=host)
    wasm.open()
    native.open()
    assert wasm.prove_leaving(0, 1, 6 * knots, 6) == native.prove_leaving(0, 1, 6 * knots, 6)
    assert wasm.prove_stopping(1, 6 * knots) == native.prove_stopping(1, 6 * knots)
    assert wasm.prove_settling(6 * knots) == native.prove_settling(6 * knots)


@quiet
@given(show=shows(), at=st.integers(0, 10_000), value=st.integers(0, 255))
def test_a_damaged_image_is_refused_or_played_alike(host: Host, show: Show, at: int, value: int) -> None:
    image = bytearray(oracle.write(show))
    at %= len(image)
    changed = image[at] != value
    image[at] = value
    damaged = Player(bytes(image))
    assert (damaged.open() != Fault.OK) == changed
    resealed = oracle.seal(image)
    wasm, native = Player(resealed), Player(resealed, machine=host)
    assert wasm.open() == native.open()
    assert_same(wasm.play(150), native.play(150))


@pytest.mark.parametrize(
    ("at", "value", "fault"),
    [(0, 0, Fault.NO_IMAGE), (12, 2, Fault.BAD_VERSION), (30, 1, Fault.BAD_CRC), (13, 2, Fault.WRONG_BOARD)],
)
def test_faults_leave_every_output_dead(at: int, value: int, fault: Fault) -> None:
    show = oracle.Show(
        tracks=[oracle.Track(2)],
        scenes=[oracle.Scene(frames=60, loop=True, points=[[10] * 30], fade_in=60)],
        idle=0,
    )
    image = bytearray(oracle.write(show))
    image[at] ^= value if at else 1
    if fault in (Fault.BAD_VERSION, Fault.WRONG_BOARD):
        image = bytearray(oracle.seal(image))
    player = Player(bytes(image), board=1)
    assert player.open() == fault
    played = player.play(50)
    assert played.pulse_sixteenths.size == 0
    assert (played.state == 5).all()
    assert not played.switches.any()


def test_no_image_at_all() -> None:
    assert Player(None).open() == Fault.NO_IMAGE
    assert Player(b"QJ").open() == Fault.NO_IMAGE


def test_too_large_an_image_is_told() -> None:
    with pytest.raises(ValueError, match="1048576"):
        Player(bytes(2**20 + 1))
