"""One checked fact that is wrong or doubtful, as every stage reports it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypedDict, get_args

Code = Literal[
    "reach",
    "range",
    "rate",
    "acceleration",
    "jerk",
    "torque",
    "heat",
    "gap",
    "flash",
    "supply",
    "memory",
    "sync",
    "ringing",
]
#: What a finding can be about; part of the contract of ``--json``.
CODES: tuple[Code, ...] = get_args(Code)
Severity = Literal["error", "warning", "note"]


class FindingJson(TypedDict):
    """The keys of one finding in ``--json`` (schema 1)."""

    code: str
    severity: str
    scene: str | None
    channel: str | None
    time_s: float | None
    value: float | None
    limit: float | None
    unit: str | None
    message: str
    remedy: str | None


@dataclass(frozen=True)
class Finding:
    """A fact with its number, its limit and what to do about it.

    ``channel`` is an axis, lamp, switch, servo or None for the whole figure; ``scene`` and ``time_s``
    are None when the finding is about the machine and not about a scene. ``value`` and ``limit``
    are in ``unit``. An ``error`` stops ``flash``; a ``warning`` wants a look; a ``note`` informs.
    """

    code: Code
    severity: Severity
    scene: str | None
    channel: str | None
    time_s: float | None
    value: float | None
    limit: float | None
    unit: str | None
    message: str
    remedy: str | None

    def as_json(self) -> FindingJson:
        """The finding as the contract's object."""
        return FindingJson(
            code=self.code,
            severity=self.severity,
            scene=self.scene,
            channel=self.channel,
            time_s=self.time_s,
            value=self.value,
            limit=self.limit,
            unit=self.unit,
            message=self.message,
            remedy=self.remedy,
        )


def has_errors(findings: tuple[Finding, ...] | list[Finding]) -> bool:
    """Whether any finding is an error (exit code 1)."""
    return any(finding.severity == "error" for finding in findings)
