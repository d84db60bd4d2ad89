"""How a board was while a scene played: a line when there is something to tell, all of it for programs."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.board.link import Link
    from sequencer.board.reports import Telemetry

#: The boards that measure how late an interrupt comes run at 16 MHz.
CYCLES_A_US = 16.0
_WRAP = 1 << 16


@dataclass(frozen=True)
class Health:
    """Counts are since the scene was begun, but for ``worst_latency_us``, which is since the board's start.

    ``damaged_to_board`` and ``damaged_to_host`` count frames of the line that came broken.
    """

    late_frames: int
    worst_latency_us: float
    supply_v: float | None
    supply_a: float | None
    damaged_to_board: int
    damaged_to_host: int

    @property
    def words(self) -> str | None:
        """What is worth a line; None: nothing."""
        told = []
        if self.late_frames:
            worst = f"an interrupt came up to {self.worst_latency_us:.1f} us late"
            told.append(f"{_many(self.late_frames, 'frame')} late ({worst})")
        supply = [
            f"{value:.2f} {unit}"
            for value, unit in ((self.supply_v, "V"), (self.supply_a, "A"))
            if value is not None
        ]
        if supply:
            told.append(f"servo supply {' and '.join(supply)} now")
        if damaged := self.damaged_to_board + self.damaged_to_host:
            told.append(f"{_many(damaged, 'damaged message')} on the line, asked again")
        return f"board: {', '.join(told)}" if told else None

    def as_json(self) -> dict[str, int | float | None]:
        """For ``--json``."""
        return asdict(self)


class Checkup:
    """Looks at a board before a scene and after it. A board that tells nothing of itself has no health."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._damaged = link.damaged_frames
        self._before = self._ask()

    def after(self) -> Health | None:
        """How it was.

        Raises:
            LinkError: the board does not answer, or was reset.

        """
        before, now = self._before, self._ask()
        if before is None or now is None:
            return None
        return Health(
            late_frames=(now.late_frames - before.late_frames) % _WRAP,
            worst_latency_us=round(now.worst_latency / CYCLES_A_US, 2),
            supply_v=None if now.supply_mv is None else now.supply_mv / 1000.0,
            supply_a=None if now.supply_ma is None else now.supply_ma / 1000.0,
            damaged_to_board=(now.damaged - before.damaged) % _WRAP,
            damaged_to_host=self._link.damaged_frames - self._damaged,
        )

    def _ask(self) -> Telemetry | None:
        from sequencer.errors import NotTakenError

        try:
            return self._link.telemetry()
        except NotTakenError:
            return None


def _many(count: int, what: str) -> str:
    return f"{count} {what}" + ("" if count == 1 else "s")
