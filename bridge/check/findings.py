"""A finding: one thing that the check looked at, with its number, its limit, its formula and its cure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import KW_ONLY, dataclass
from typing import Literal

Severity = Literal["ok", "note", "warning", "failure"]
"""ok: within its limit. note: worth knowing. warning: works, but not well. failure: can't work so."""

SEVERITIES: tuple[Severity, ...] = ("ok", "note", "warning", "failure")


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check found of one subject: gauge.pointer, drive or board.

    `value` and `limit` are in `unit`; `bound` is the side of the limit on which the value should be.
    `formula` has the numbers filled in; `text` (what was found) and `cure` are sentences for the builder.
    """

    subject: str
    check: str
    severity: Severity
    _: KW_ONLY
    value: float | None = None
    unit: str = ""
    limit: float | None = None
    bound: Literal["at most", "at least", ""] = ""  # "" where there is no limit
    formula: str = ""
    text: str
    cure: str = ""

    @property
    def found(self) -> str:
        """The value with its unit."""
        return with_unit(self.value, self.unit) if self.value is not None else ""

    @property
    def wanted(self) -> str:
        """The limit with its side and unit."""
        return f"{self.bound} {with_unit(self.limit, self.unit)}" if self.limit is not None else ""


def measured(
    subject: str,
    check: str,
    severity: Severity,
    value: float,
    limit: float,
    unit: str,
    *,
    formula: str,
    text: str,
    cure: str = "",
) -> Finding:
    """A finding of a value that should be `limit` at most, both in `unit`; one that is ok needs no cure."""
    return Finding(
        subject,
        check,
        severity,
        value=value,
        unit=unit,
        limit=limit,
        bound="at most",
        formula=formula,
        text=text,
        cure="" if severity == "ok" else cure,
    )


def worst(findings: Iterable[Finding]) -> Severity:
    """The gravest severity among them; ok when there are none."""
    return max((finding.severity for finding in findings), key=SEVERITIES.index, default="ok")


def at_most(value: float, good: float, bearable: float) -> Severity:
    """ok up to `good`, warning up to `bearable`, failure beyond."""
    return "ok" if value <= good else "warning" if value <= bearable else "failure"


def at_least(value: float, good: float, bearable: float) -> Severity:
    """ok from `good` up, warning from `bearable` up, failure below."""
    return "ok" if value >= good else "warning" if value >= bearable else "failure"


def number(value: float, digits: int = 4) -> str:
    """A number as one reads it: so many significant digits, thousands apart, no trailing zeros."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    if abs(value) < 1e-6:
        return f"{value:.{digits - 1}e}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def with_unit(value: float, unit: str, digits: int = 4) -> str:
    """A number with its unit."""
    return f"{number(value, digits)} {unit}".strip()
