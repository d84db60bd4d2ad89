"""What a figure does when its scene is over: idle on, hold, or go to bed; and how it gets out of a hold."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.board.link import Link
    from sequencer.errors import LinkError
    from sequencer.figure.model import Figure
    from sequencer.show_model import BuiltShow

Tell = Callable[[str], None]


class Then(StrEnum):
    """After the scene's last turn."""

    IDLE = "idle"
    HOLD = "hold"
    PARK = "park"


def can_end_so(then: Then, built: BuiltShow) -> None:
    """Refuse a park that this show has no proven way for, before anything moves.

    Raises:
        UsageError: says why.

    """
    from sequencer.errors import Fault, UsageError

    if then is Then.PARK and built.table.park_frames is None:
        raise UsageError(
            Fault(
                "this show has no proven way to the parked pose",
                remedy="bring parked_deg nearer to home, or use --then hold",
            )
        )


def leave_hold(link: Link, resume: bool, again: str, tell: Tell) -> None:
    """Wait until the board can take a cue; a figure in hold leaves it only when that was asked for.

    ``again`` is the command that asks for it.

    Raises:
        UsageError: it is in hold, and nobody has said that it may move.
        LinkError: the board's hold cannot be left, or it never gets ready.

    """
    from sequencer.board.reports import HOLD
    from sequencer.errors import Fault, LinkError, UsageError

    now = link.wait_ready()
    if now.state != HOLD:
        return
    if not resume:
        raise UsageError(
            Fault(
                "the figure is in hold, so it takes no cue: "
                + ("it was parked" if now.parked else "a stop or a hold has stopped it"),
                remedy=f"see why, keep clear, then `{again} --resume`: it goes to rest first",
            )
        )
    tell("the figure leaves its hold: it goes to rest first")
    try:
        link.resume()
    except LinkError as refused:
        if link.status().state != HOLD:
            raise
        raise LinkError(
            Fault(
                "the board does not leave its hold",
                value=refused.faults[0].message,
                remedy="a stop input is still active, or the servos have no power: then again",
            )
        ) from refused
    link.wait_ready(held=False)


def caution(then: Then, figure: Figure) -> Iterator[str]:
    """What to tell before a figure is put to bed, where gravity would take something from there."""
    from sequencer.figure.balance import fall_when_parked

    falling = fall_when_parked(figure) if then is Then.PARK else []
    if not falling:
        return
    names = ", ".join(f"`{name}`" for name in falling)
    yield (
        f"Falling head: once parked, {names} {'has' if len(falling) == 1 else 'have'} no pulses, and gravity "
        "pulls. What does not lie against its rest there falls: keep hands from under it."
    )


def without_power(scene: str) -> LinkError:
    """A scene that the rail input ended."""
    from sequencer.errors import Fault, LinkError

    return LinkError(
        Fault(
            f"{scene} was not played to its end: the servos lost their power",
            remedy="see to their supply, its fuse, its switch; once it is back the figure settles",
        )
    )


def end_so(link: Link, then: Then, tell: Tell) -> str:
    """Hold, park, or neither, now that the scene is over; the state in which the board then is, in a word.

    Raises:
        LinkError: it does not come to that.

    """
    if then is Then.IDLE:
        return link.status().state_words
    if then is Then.HOLD:
        link.hold()
        now = link.wait_held()
        tell(
            "in hold: it stands and carries current; `trigger ... --resume` leaves that, and so does a reset"
        )
        return now.state_words
    tell("parking: every axis goes to its parked pose, then its pulses end")
    link.park()
    now = link.wait_held(parked=True)
    tell(
        "parked: nothing has pulses, so it is safe now to switch the servos' supply off. "
        "Do so before anything resets the board (opening its port may): a reset wakes the figure."
    )
    return now.state_words
