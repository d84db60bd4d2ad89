"""How an evening's time is shared between scenes, at the busiest that triggers and duty limit allow."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.event.policy import Policy


def busiest_s(policy: Policy, durations_s: Mapping[str, float]) -> dict[str, float]:
    """Scene -> seconds in one round of the busiest evening; empty when nothing is ever played.

    Every trigger comes again as soon as its cooldown lets it. One round is ``every`` visits of each
    trigger, one trigger after the other, with the idle loops in the cooldowns that are longer than the
    scene; where a trigger has several scenes each gets its share of every visit. A duty limit that such an
    evening runs into adds its rests. Without triggers the idle loops play alone. Scenes without a duration
    are left out.
    """
    seconds: dict[str, float] = {}

    def add(scene: str | None, time_s: float) -> None:
        if scene is not None and scene in durations_s and time_s > 0.0:
            seconds[scene] = seconds.get(scene, 0.0) + time_s

    def idle(time_s: float) -> None:
        turns = {name: durations_s.get(name, 0.0) for name in policy.idles}
        for name, turn in turns.items():
            add(name, time_s * turn / max(sum(turns.values()), 1e-9))

    played = 0.0
    longest = 0.0
    for trigger in policy.triggers.values():
        weights = trigger.weights if trigger.choice == "weighted" else (1,) * len(trigger.scenes)
        shares = {name: weight / sum(weights) for name, weight in zip(trigger.scenes, weights, strict=True)}
        for visit in range(1, max(1, trigger.every) + 1):
            special = visit == trigger.every and trigger.every_plays is not None
            chosen = {trigger.every_plays: 1.0} if special else shares
            for scene, share in chosen.items():
                length = durations_s.get(scene or "", 0.0)
                add(scene, share * length)
                idle(share * (trigger.cooldown_s - length))
                played += share * length
                longest = max(longest, length)
    if policy.duty is not None and played > 0.0:
        share = played / max(sum(seconds.values()), played)
        if share * policy.duty.within_s >= policy.duty.play_at_most_s:
            idle(policy.duty.rest_s * played / (policy.duty.play_at_most_s + longest))
    if not seconds:
        idle(sum(durations_s.get(name, 0.0) for name in policy.idles))
    return seconds
