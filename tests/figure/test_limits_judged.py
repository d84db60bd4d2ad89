"""What is said about torque: cannot hold, too heavy, unsure, a spring the wrong way, a joint too tight."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from sequencer.figure.chain import Chain
from sequencer.figure.judge import findings
from sequencer.figure.judge_torque import TIGHT_SHARE
from sequencer.figure.limits import limits, track_limits
from sequencer.figure.model import Basis, Figure, Pulled, Spring
from sequencer.figure.physics import physics, stall_at_axis_n_m
from sequencer.figure.read import parse_figure
from sequencer.figure.tight import tight_joint
from sequencer.figure.torque import holding_share, torque_rows
from sequencer.finding import Finding
from sequencer.units import GRAVITY_M_S2, n_m_from_kgcm
from tests.figure.head_on_rods import head_on_rods


def _torque(figure: Figure, severity: str | None = None) -> list[Finding]:
    found = [finding for finding in findings(figure) if finding.code == "torque"]
    return [finding for finding in found if severity in (None, finding.severity)]


def _with_masses(figure: Figure, factor: float, basis: Basis = "measured") -> Figure:
    masses = {
        name: dataclasses.replace(mass, mass_kg=mass.mass_kg * factor, basis=basis)
        for name, mass in figure.masses.items()
    }
    return dataclasses.replace(figure, masses=masses)


def _with_axis(figure: Figure, name: str, **changes: object) -> Figure:
    axis = dataclasses.replace(figure.axes[name], **changes)  # type: ignore[arg-type]
    return dataclasses.replace(figure, axes={**figure.axes, name: axis})


@pytest.fixture(scope="module")
def head() -> Figure:
    return _with_masses(head_on_rods(springs=False), 1.0)


def test_a_light_head_is_not_complained_about(head: Figure) -> None:
    assert _torque(head) == []


def test_a_heavy_pair_is_told_once_and_in_which_servos(head: Figure) -> None:
    heavy = _with_masses(head, 2.4)
    assert 1 / 3 < 1 - physics(heavy, "nod").torque_margin < 1 / 2
    (finding,) = _torque(heavy, "warning")
    assert finding.message.startswith("nod and tilt: ")
    assert "`left` and `right`" in finding.message
    assert "% of stall" in finding.message
    assert finding.value is not None
    assert finding.limit is not None
    assert finding.value > finding.limit
    row = max(torque_rows(heavy, "left"), key=lambda row: row.worst_gravity_n_m + row.friction_n_m)
    busiest = (row.worst_gravity_n_m + row.friction_n_m) / 0.0980665
    assert finding.value == pytest.approx(busiest, rel=0.05)


def test_a_pair_that_cannot_hold_is_an_error_and_the_remedy_works(head: Figure) -> None:
    heavy = _with_masses(head, 9.0)
    errors = _torque(heavy, "error")
    assert [finding.channel for finding in errors][:2] == ["nod", "tilt"]
    needed = max(float(error.remedy.split("stall_kgcm = ")[1].split(" in ")[0]) for error in errors)  # type: ignore[union-attr]
    servos = {
        name: dataclasses.replace(servo, stall_torque_n_m=n_m_from_kgcm(needed))
        for name, servo in heavy.servos.items()
    }
    assert _torque(dataclasses.replace(heavy, servos=servos), "error") == []


def test_what_is_guessed_widens_the_range_and_does_not_stop(head: Figure) -> None:
    """The same head, weighed or guessed: only the guess is told, as a note that says what to measure."""
    loaded = _with_masses(head, 1.9)
    assert _torque(loaded) == []
    guessed = _with_masses(head, 1.9, "guess")
    found = _torque(guessed)
    assert found
    assert {finding.severity for finding in found} == {"note"}
    assert "measure" in str(found[0].remedy)
    assert found[0].value is not None
    assert found[0].value > 50.0


def test_a_spring_the_wrong_way_is_found_and_the_remedy_works(head: Figure) -> None:
    least, greatest = Chain(head, "nod").holding_range_n_m()
    wrong = _with_axis(head, "nod", spring=Spring(-3 * (least + greatest) / 2 - 0.1, 0.0, 0.05))
    (finding,) = _torque(wrong, "warning")
    assert finding.message.startswith("nod: its spring makes holding harder")
    assert finding.remedy is not None
    torque, rest = finding.remedy.split("spring torque of ")[1].split(" kg cm at ")
    better = Spring(n_m_from_kgcm(float(torque)), math.radians(float(rest.split(" deg")[0])), 0.0)
    mended = _with_axis(head, "nod", spring=better)
    assert _torque(mended, "warning") == []
    assert physics(mended, "nod").gravity_torque_n_m <= physics(head, "nod").gravity_torque_n_m


def test_a_joint_that_was_measured_too_tight(head: Figure) -> None:
    stall = stall_at_axis_n_m(head, head.axes["turn"])
    for share, found in ((0.95, 0), (1.05, 1)):
        tight = _with_axis(head, "turn", friction_n_m=share * TIGHT_SHARE * stall, friction_basis="measured")
        assert len(_torque(tight, "warning")) == found
    guess = _with_axis(head, "turn", friction_n_m=1.2 * TIGHT_SHARE * stall, friction_basis="guess")
    assert not any("loosen" in str(finding.remedy) for finding in _torque(guess))


def test_a_luggage_scale_that_disagrees_with_the_masses(head: Figure) -> None:
    by_masses = Chain(head, "nod").gravity_n_m({})
    agrees = _with_axis(head, "nod", pulled=Pulled(by_masses + 0.01, 0.01))
    assert _torque(agrees) == []
    differs = _with_axis(head, "nod", pulled=Pulled(by_masses + 0.4, 0.01))
    (finding,) = _torque(differs, "warning")
    assert "the luggage scale says" in finding.message
    assert finding.value == pytest.approx(0.4 / 0.0980665)
    # With a spring that explains it there is nothing to tell.
    sprung = _with_axis(differs, "nod", spring=Spring(0.4, differs.axes["nod"].home_rad, 0.0))
    assert not any("luggage scale says" in finding.message for finding in _torque(sprung))


def test_frictions_that_matter_by_hand(good_text: str) -> None:
    """A direct nod: short where full acceleration takes what is left of half of stall, stuck at stall."""
    figure = parse_figure(good_text.encode())
    facts, limit, joint = physics(figure, "nod"), limits(figure, "nod"), tight_joint(figure, "nod")
    stall = 13 * 0.0980665 * 0.65
    gravity = 0.5 * GRAVITY_M_S2 * 0.06 * math.sin(math.radians(25))
    assert joint.counted_n_m == pytest.approx(0.4 * 0.0980665)
    assert joint.spent_n_m == pytest.approx(stall / 2 - gravity)
    assert joint.stuck_n_m == pytest.approx(stall - gravity)
    used = facts.inertia_kg_m2 * limit.acceleration_rad_s2
    assert joint.short_n_m == pytest.approx(stall / 2 - gravity - used)
    # 1 kg cm is 100 g at 100 mm.
    assert joint.grams(0.0980665) == pytest.approx(100.0)
    assert "40 g are counted on" in joint.words()
    assert "at 300 g nothing is left at full speed, at 720 g it sticks" in joint.words()
    assert "luggage scale 100 mm" in joint.words()


@pytest.mark.parametrize("axis", ["turn", "nod", "tilt", "jaw"])
def test_the_frictions_are_where_limits_begin_to_change(head: Figure, axis: str) -> None:
    joint = tight_joint(head, axis)
    assert joint.counted_n_m < joint.short_n_m <= joint.spent_n_m < joint.stuck_n_m
    track = {"nod": "left", "tilt": "right"}.get(axis, axis)
    now = track_limits(head, track).acceleration_rad_s2
    fine = _with_axis(head, axis, friction_n_m=joint.short_n_m * 0.999)
    assert track_limits(fine, track).acceleration_rad_s2 == pytest.approx(now)
    rough = _with_axis(head, axis, friction_n_m=joint.short_n_m + 0.3 * (joint.spent_n_m - joint.short_n_m))
    # A pair's worst shares lie at different poses, so that its bound may be a little early.
    assert track_limits(rough, track).acceleration_rad_s2 < now * (1.0 if axis in ("turn", "jaw") else 1.0001)
    spent = _with_axis(head, axis, friction_n_m=joint.spent_n_m * 1.001)
    assert physics(spent, axis).available_torque_n_m <= 1e-9
    # A little below, the servos still set off at stall; a little above, at some pose they do not.
    assert physics(_with_axis(head, axis, friction_n_m=joint.stuck_n_m * 0.999), axis).torque_margin > 0.0
    assert physics(_with_axis(head, axis, friction_n_m=joint.stuck_n_m * 1.001), axis).torque_margin < 0.0


def test_already_at_the_limit_any_more_is_too_much(head: Figure) -> None:
    heavy = _with_masses(head, 1.6)
    heavy = _with_axis(_with_axis(heavy, "nod", ramp_s=0.06), "tilt", ramp_s=0.06)
    assert track_limits(heavy, "left").why["acceleration"].startswith("torque")
    joint = tight_joint(heavy, "nod")
    assert joint.short_n_m == pytest.approx(joint.counted_n_m)
    assert "any more and fast moves fall short" in joint.words()


def test_holding_share_is_gravity_over_stall(head: Figure) -> None:
    facts = physics(head, "turn")
    assert holding_share(head, "turn") == facts.gravity_torque_n_m == 0.0
    shares = [row.worst_gravity_n_m / row.stall_n_m for row in torque_rows(head, "left")]
    assert holding_share(head, "nod") == holding_share(head, "tilt") == max(shares)
    assert np.isfinite(shares).all()
