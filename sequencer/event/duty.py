"""How an evening's time is shared between scenes, at the busiest that the triggers allow."""

from __future__ import annotations

from collections.abc import Mapping

from sequencer.event.policy import Policy


def busiest_s(policy: Policy, durations_s: Mapping[str, float]) -> dict[str, float]:
    """Scene -> seconds in one round of the busiest evening; empty when nothing is ever played.

    Every trigger comes again as soon as its cooldown lets it. One round is ``every`` visits of each
    trigger, one trigger after the other, with the idle loop in the cooldowns that are longer than the
    scene. Without triggers the idle loop plays alone. Scenes without a duration are left out.
    """
    seconds: dict[str, float] = {}

    def add(scene: str | None, time_s: float) -> None:
        if scene is not None and scene in durations_s and time_s > 0.0:
            seconds[scene] = seconds.get(scene, 0.0) + time_s

    for trigger in policy.triggers.values():
        for visit in range(1, max(1, trigger.every) + 1):
            special = visit == trigger.every and trigger.every_plays is not None
            scene = trigger.every_plays if special else trigger.plays
            length = durations_s.get(scene or "", 0.0)
            add(scene, length)
            add(policy.idle, trigger.cooldown_s - length)
    if not seconds and policy.idle is not None:
        add(policy.idle, durations_s.get(policy.idle, 0.0))
    return seconds
