"""What is missed, measured behind a linkage and with the taps against ringing; holds of axes side by side."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.figure.model import Axis, DirectDrive
from sequencer.motion.misses import with_misses
from sequencer.motion.model import Mode
from sequencer.motion.peak import evaluate, on_grid
from sequencer.motion.scene import plan_scene
from sequencer.timeline.model import Accent, AxisWish, Timeline
from tests.motion.author_scenes import done, figure, specs
from tests.motion.cycloids import cycloids
from tests.motion.made_pair import Bent

#: What a hold may move before its cue, degrees.
STILL_DEG = 0.1


def axis(name: str, reach_deg: float) -> Axis:
    place = ((0.0, 0.0, 1.0), (0.0, 0.0, 0.0), None, 0.0, "guess", None, None)
    reach = math.radians(reach_deg)
    return Axis(name, (-reach, reach), 0.0, 0.0, ("minus", "plus"), DirectDrive(name), *place)  # type: ignore[arg-type]


def timeline(duration_s: float, **axes: tuple[np.ndarray, Sequence[Accent]]) -> Timeline:
    wishes = {name: AxisWish(name, wish, wish, tuple(accents)) for name, (wish, accents) in axes.items()}
    return Timeline("talk", duration_s, False, wishes, {}, {}, ())


# -- behind a linkage ----------------------------------------------------------------------------


def test_an_axis_of_a_pair_lands_while_the_other_goes_on() -> None:
    bent = Bent()
    *tracks, pair = bent.specs()
    nod = cycloids(6.0, (0.8, 9.0, 0.9), (3.6, -9.0, 0.9))
    tilt = cycloids(6.0, (0.5, -8.0, 2.0), (3.0, 8.0, 2.0))
    lands = Accent(1.7, math.radians(9.0), True, 2)
    down = Accent(2.7, math.radians(2.0), False, 3)
    asked = timeline(6.0, nod=(nod, (lands, down)), tilt=(tilt, ()))
    by_name = {spec.name: spec for spec in tracks}
    plans = plan_scene(asked, by_name, linkages=[bent], pairs={"neck": pair})
    at = np.array([1.7, 1.75, 2.7])
    served = np.stack([evaluate(p.spec, p.points, False, at) for p in plans.values()], axis=1)
    pose = np.degrees(bent.axis_rad(served))
    assert np.abs(pose[:, 0] - [9.0, 9.0, 2.0]).max() <= 0.5
    assert np.abs(pose[:, 1] - np.degrees(tilt[[1700, 1750, 2700]])).max() <= 1.0
    axes = {"nod": axis("nod", 20.0), "tilt": axis("tilt", 18.0)}
    assert with_misses(asked, axes, plans, [bent]).shortfalls == ()
    loose = plan_scene(
        timeline(6.0, nod=(nod, ()), tilt=(tilt, ())), by_name, linkages=[bent], pairs={"neck": pair}
    )
    missed = with_misses(asked, axes, loose, [bent]).shortfalls
    assert [(item.channel, item.time_s, item.line) for item in missed] == [("nod", 2.7, 3)]
    assert missed[0].limit == pytest.approx(2.0)


# -- with the taps against ringing --------------------------------------------------------------


def test_a_wobbly_neck_lands_on_time_and_what_it_misses_is_measured_on_what_is_played() -> None:
    """Limits hold after taps: every plan here is certified by `plan_scene`; this looks at the accents."""
    spec = replace(specs()["turn"], mode=Mode(2.4, 0.0, 0.03))
    jaw = specs()["jaw"]
    wish = cycloids(7.2, (1.0, 40.0, 1.2), (4.4, -40.0, 1.2))
    kept = Accent(2.2, math.radians(40.0), True, 2)
    asked = timeline(7.2, turn=(wish, (kept,)))
    plans = plan_scene(asked, {"turn": spec, "jaw": jaw})
    assert plans["turn"].shaping is not None
    assert with_misses(asked, figure().axes, plans, ()).shortfalls == ()
    hasty = timeline(7.2, turn=(wish, (Accent(0.3, math.radians(40.0), False, 2),)))
    plans = plan_scene(hasty, {"turn": spec, "jaw": jaw})
    (missed,) = with_misses(hasty, figure().axes, plans, ()).shortfalls
    played = math.degrees(
        float(evaluate(plans["turn"].spec, plans["turn"].points, False, np.array([0.3]))[0])
    )
    assert missed.value == pytest.approx(played, abs=1e-6)
    assert missed.code == "sync"
    late = re.search(r"it gets there ([\d.]+) s late$", missed.message)
    assert late is not None
    turn = np.degrees(on_grid(plans["turn"].spec, plans["turn"].points, False))
    assert abs(turn[round((0.3 + float(late[1])) * 1000)] - 40.0) <= 1.0


# -- holds --------------------------------------------------------------------------------------

CUE = st.tuples(
    st.sampled_from(["turn", "jaw"]),
    st.floats(0.3, 1.2).map(lambda x: round(x, 2)),
    st.floats(0.1, 1.0),
    st.sampled_from(["snap", "brisk", "easy", "over 0.3s"]),
)


@settings(deadline=None, max_examples=20)
@given(st.lists(CUE, min_size=2, max_size=7))
def test_no_axis_stirs_for_anothers_cue_or_before_its_own_first(
    cues: list[tuple[str, float, float, str]],
) -> None:
    start, lines, first = 0.0, [], {}
    for name, gap, share, pace in cues:
        start = round(start + gap, 2)
        first.setdefault(name, start)
        target = round(65 * (2 * share - 1)) if name == "turn" else round(20 * share)
        lines.append(f"{start:.2f}s {name} {target}, {pace}")
    scene = done(*lines)
    for name in ("turn", "jaw"):
        deg = scene.deg(name)
        until = round(first[name] * 1000) if name in first else len(deg) - 1
        assert np.abs(deg[: until + 1] - deg[0]).max() <= STILL_DEG
        alone = (
            done(*(line for line in lines if f" {name} " in line), "length 0:20") if name in first else None
        )
        if alone is not None:
            same = min(len(deg), len(alone.deg(name)), round(start * 1000))
            assert np.abs(deg[:same] - alone.deg(name)[:same]).max() <= STILL_DEG
