"""What ``size`` answers, in words and as one JSON object."""

from __future__ import annotations

import math

from sequencer import units
from sequencer.figure.build import TYPICAL_DERATING, TYPICAL_FRICTION
from sequencer.figure.sizing import LEFT_OVER, SPRING_ARM_M, Need, Range, Sizing


def as_json(sized: Sizing) -> dict[str, object]:
    """The answer as one object (schema 1), in the builder's units."""
    weight = sized.counterweight
    return {
        "schema": 1,
        "asked": {
            "weight_g": 1000.0 * sized.asked.mass_kg,
            "width_mm": 1000.0 * sized.asked.width_m,
            "balance_mm": 1000.0 * sized.asked.balance_m,
            "move_deg": math.degrees(sized.asked.move_rad),
            "move_s": sized.asked.move_s,
        },
        "as_it_is": _need_json(sized.bare),
        "counterweight": None
        if weight is None
        else {"weight_g": 1000.0 * weight.mass_kg, "at_mm": 1000.0 * weight.arm_m, **_need_json(weight.need)},
        "spring": None
        if sized.spring_pull_kg is None
        else {"pull_g": 1000.0 * sized.spring_pull_kg, "at_mm": 1000.0 * SPRING_ARM_M},
        "servo_class": None if sized.servo is None else sized.servo.name,
        "move_s": _range(sized.move_s),
        "turn_40_deg_s": _range(sized.turn_s),
        "shortest_move_s": sized.shortest_s,
        "reasons": list(sentences(sized)),
    }


def _range(ends: Range | None, factor: float = 1.0) -> dict[str, float] | None:
    return None if ends is None else {"low": factor * ends.low, "high": factor * ends.high}


def _need_json(need: Need) -> dict[str, object]:
    kgcm = 1.0 / units.N_M_PER_KGCM
    return {
        "hold_kgcm": need.held_n_m * kgcm,
        "move_kgcm": _range(need.moved_n_m, kgcm),
        "printed_stall_kgcm": _range(need.printed_n_m, kgcm),
        "printed_s_per_60deg": need.printed_s_per_60deg,
        "servo_classes": [None if servo is None else servo.name for servo in need.servos],
    }


def sentences(sized: Sizing) -> tuple[str, ...]:
    """The answer in words, each number with its reason."""
    asked, bare = sized.asked, sized.bare
    words = [
        f"Held level it pulls {_kgcm(bare.held_n_m)} kg cm: {1000 * asked.mass_kg:.0f} g at "
        f"{1000 * abs(asked.balance_m):.0f} mm from the pivot.",
        f"{math.degrees(asked.move_rad):.0f} deg in {asked.move_s:g} s adds "
        f"{_between(bare.moved_n_m)} kg cm: a full ball to a thin shell of {1000 * asked.width_m:.0f} mm.",
        f"As it is, a servo's box must say {_between(bare.printed_n_m)} kg cm and "
        f"{bare.printed_s_per_60deg:.2f} s for 60 deg or quicker, because {_why(bare)} {_classes(bare)}",
    ]
    if sized.counterweight is not None and sized.spring_pull_kg is not None:
        weight = sized.counterweight
        better = weight.need.printed_n_m.high < bare.printed_n_m.high
        lead = (
            "Balance before a bigger servo" if better else "A counterweight does not help a move this quick"
        )
        words += [
            f"{lead} (rule of thumb): {1000 * weight.mass_kg:.0f} g at {1000 * weight.arm_m:.0f} mm on the "
            f"other side balance it; with about {100 * LEFT_OVER:.0f} % of the pull allowed for error, the "
            f"box must then say {_between(weight.need.printed_n_m)} kg cm. {_classes(weight.need)}",
            f"Or a spring or elastic that pulls {sized.spring_pull_kg:.1f} kg at "
            f"{1000 * SPRING_ARM_M:.0f} mm from the pivot: it adds no weight, and balances "
            "well only near the pose it was trimmed at.",
        ]
    if sized.servo is None:
        if sized.shortest_s is None:
            words.append("No class of servo carries it without gears: lighten the head, or balance it.")
        else:
            words.append(
                "No class of servo does that move without gears: give it "
                f"{math.ceil(100.0 * sized.shortest_s) / 100.0:g} s, move less, or drive it through gears or "
                "a longer crank."
            )
    elif sized.turn_s is not None and sized.move_s is not None:
        words += [
            f"With `{sized.servo.name}` ({sized.servo.words}, typical values) the move would take "
            f"{_times(sized.move_s)} and a turn of 40 deg {_times(sized.turn_s)}: the sooner for a light "
            "head on a stiff neck, the later for a thin shell on a neck of printed parts (stiffness "
            "guessed), which wobbles when it is hurried.",
        ]
    words.append(
        f"A third of stall, {100 * TYPICAL_DERATING:.0f} % of the print and friction of "
        f"{100 * TYPICAL_FRICTION:.0f} % of stall are common practice, not measurements: a figure file and "
        "`quarterjack measure` narrow these ranges."
    )
    return tuple(words)


def _why(need: Need) -> str:
    if need.by_holding:
        return "what it holds should be at most a third of stall (common practice)."
    return "half of the stall torque is left at the speed of the move, and must hold and accelerate."


def _classes(need: Need) -> str:
    low, high = need.servos
    if low is None:
        return "No class of servo has that speed and torque without gears."
    if high is None:
        return f"That is `{low.name}` ({low.words}) at best, and more than any class at worst."
    slow = "; a weaker one would carry it, but turns too slowly" if need.by_speed else ""
    if low is high:
        return f"That is the class `{low.name}` ({low.words}){slow}."
    return f"That is between the classes `{low.name}` ({low.words}) and `{high.name}` ({high.words}){slow}."


def _kgcm(torque_n_m: float) -> str:
    value = units.kgcm_from_n_m(torque_n_m)
    return f"{value:.1f}" if value >= 1.0 else f"{value:.2f}"


def _between(ends: Range) -> str:
    low, high = _kgcm(ends.low), _kgcm(ends.high)
    return low if low == high else f"{low} to {high}"


def _times(ends: Range) -> str:
    low, high = f"{ends.low:.2f}", f"{ends.high:.2f}"
    return f"{low} s" if low == high else f"{low} to {high} s"
