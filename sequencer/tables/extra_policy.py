"""What plays without a host (FORMAT.md, "Policy"): extra 1."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from sequencer.errors import Fault, ImageError
from sequencer.tables.model import Extra

TAG: Final = 1
Choice = Literal["order", "shuffle", "weighted"]
CHOICES: Final[tuple[Choice, ...]] = ("order", "shuffle", "weighted")
#: A list has at most this many scenes.
LONGEST_LIST: Final = 8
#: A window of the duty limit has this many slots, of which one is always being begun anew.
SLOTS: Final = 8
#: The longest window, seconds: a slot's seconds are counted in one byte.
LONGEST_WINDOW_S: Final = (SLOTS - 1) * 255
_HEAD = struct.Struct("<HBHH")


@dataclass(frozen=True)
class SceneList:
    """Scenes by number and what stands beside each: weights, or an idle loop's turns (1..255)."""

    choice: Choice = "order"
    scenes: tuple[int, ...] = ()
    beside: tuple[int, ...] = ()


@dataclass(frozen=True)
class DutyContent:
    """When more than ``limit_s`` were played within a window of 8 slots of ``slot_s``: ``rest_s`` of rest."""

    slot_s: int
    limit_s: int
    rest_s: int


@dataclass(frozen=True)
class PolicyContent:
    """``seed`` 0: the boot's number. ``lists``: the idle loops, then each input's scenes; empty: none."""

    seed: int
    duty: DutyContent | None
    lists: tuple[SceneList, ...]


def slot_s(within_s: float) -> int:
    """A slot's length, such that the window, always one slot short, is never shorter than was asked for."""
    return max(1, -int(-within_s // (SLOTS - 1)))


def policy_extra(content: PolicyContent) -> Extra | None:
    """The extra, or None when it would say nothing.

    Raises:
        ValueError: numbers beyond their fields, a list that is too long.
    """
    if not content.seed and content.duty is None and not any(item.scenes for item in content.lists):
        return None
    duty = DutyContent(0, 0, 0) if content.duty is None else content.duty
    try:
        data = _HEAD.pack(content.seed, duty.slot_s, duty.limit_s, duty.rest_s)
        for item in content.lists:
            if len(item.scenes) > LONGEST_LIST or not all(0 < number < 256 for number in item.beside):
                raise ValueError(
                    f"a list of {len(item.scenes)} scenes, or a number of turns or weight beyond 255"
                )
            data += bytes([1 + CHOICES.index(item.choice) if item.scenes else 0, len(item.scenes)])
            data += bytes(n for pair in zip(item.scenes, item.beside, strict=True) for n in pair)
    except struct.error as error:
        raise ValueError(f"a number of the policy does not fit its field: {error}") from error
    return Extra(TAG, data)


def read_policy_extra(content: bytes, inputs: int, scenes: int) -> PolicyContent:
    """An extra's content back into its parts.

    Raises:
        ImageError: cut short, or scenes and choices that are not there.
    """
    try:
        seed, slot, limit, rest = _HEAD.unpack_from(content)
        lists, at = [], _HEAD.size
        for _ in range(inputs + 1):
            how, count = content[at], content[at + 1]
            pairs = content[at + 2 : at + 2 + 2 * count]
            at += 2 + 2 * count
            if (
                len(pairs) != 2 * count
                or count > LONGEST_LIST
                or how > len(CHOICES)
                or (how == 0) != (count == 0)
            ):
                raise ValueError("a list of scenes is not whole")
            if any(number >= scenes for number in pairs[::2]) or not all(pairs[1::2]):
                raise ValueError("a list names what is not there")
            lists.append(SceneList(CHOICES[max(how, 1) - 1], tuple(pairs[::2]), tuple(pairs[1::2])))
        if at != len(content):
            raise ValueError("there is more than its lists")
    except (struct.error, IndexError, ValueError) as error:
        raise ImageError(
            Fault(f"the image's policy cannot be read: {error}", remedy="compile the show again")
        ) from error
    return PolicyContent(seed, DutyContent(slot, limit, rest) if slot else None, tuple(lists))


def named(names: Sequence[str], scenes: Sequence[str]) -> tuple[int, ...]:
    """Scenes by number."""
    return tuple(scenes.index(name) for name in names)
