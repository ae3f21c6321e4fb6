"""Reversal, repeatability, systematic deviation, accuracy by the definitions of ISO 230-2:2006, 2.10 to 2.24.

Each target is approached several times from each side; a deviation is what was read less what was wanted. The
coverage factor is 2. The standard itself was not read: these are the formulas of a program that names its
clauses, checked with a published set of positions. Published reports do not always follow these definitions
(some take the range or the repeatability of one direction alone); the definitions hold here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

SOURCE = (
    "ISO 230-2:2006, 2.10 to 2.24 (the standard itself was not read: formulas of a program that names them)"
)
CYCLES = 5
"""The fewest approaches from each side that the standard asks for."""


@dataclass(frozen=True, slots=True)
class Target:
    """One target: its reading, and the deviations of each approach from below (`up`) and from above."""

    reading: float
    up: tuple[float, ...]
    down: tuple[float, ...]

    @property
    def mean_up(self) -> float:
        """Mean deviation of the approaches from below, in the unit of the reading, positive when too high.

        Raises StatisticsError when there are none.
        """
        return fmean(self.up)

    @property
    def mean_down(self) -> float:
        """As `mean_up`, from above."""
        return fmean(self.down)

    @property
    def reversal(self) -> float | None:
        """Mean from below less mean from above; None without both."""
        return self.mean_up - self.mean_down if self.up and self.down else None


@dataclass(frozen=True, slots=True)
class Accuracy:
    """In the unit of the reading; None where there were too few approaches for it.

    `reversal` is B, `mean_reversal` the mean of the signed reversals, `repeatability` R, `systematic` E,
    `mean_range` M, `accuracy` A; `..._up` and `..._down` are those of one direction.
    """

    reversal: float | None
    mean_reversal: float | None
    repeatability: float | None
    repeatability_up: float | None
    repeatability_down: float | None
    systematic: float | None
    systematic_up: float | None
    systematic_down: float | None
    mean_range: float | None
    accuracy: float | None
    accuracy_up: float | None
    accuracy_down: float | None


def accuracy(targets: Sequence[Target]) -> Accuracy:
    """The figures of one axis. Targets with one direction only count for that direction alone."""
    up = [target for target in targets if target.up]
    down = [target for target in targets if target.down]
    both = [target for target in up if target.down]
    reversals = [target.mean_up - target.mean_down for target in both]
    spread_up = {target.reading: _spread(target.up) for target in up}
    spread_down = {target.reading: _spread(target.down) for target in down}
    repeatable = [
        max(2 * s + 2 * z + abs(target.mean_up - target.mean_down), 4 * s, 4 * z)
        for target in both
        if (s := spread_up[target.reading]) is not None and (z := spread_down[target.reading]) is not None
    ]
    ends_up = [end for t in up if (s := spread_up[t.reading]) is not None for end in _ends(t.mean_up, 2 * s)]
    ends_down = [
        end for t in down if (s := spread_down[t.reading]) is not None for end in _ends(t.mean_down, 2 * s)
    ]
    return Accuracy(
        max(map(abs, reversals), default=None),
        fmean(reversals) if reversals else None,
        max(repeatable, default=None),
        max((4 * s for s in spread_up.values() if s is not None), default=None),
        max((4 * s for s in spread_down.values() if s is not None), default=None),
        _range([*(t.mean_up for t in up), *(t.mean_down for t in down)]) if both else None,
        _range([t.mean_up for t in up]),
        _range([t.mean_down for t in down]),
        _range([(t.mean_up + t.mean_down) / 2 for t in both]),
        _range([*ends_up, *ends_down]) if both and ends_up and ends_down else None,
        _range(ends_up),
        _range(ends_down),
    )


def _spread(deviations: Sequence[float]) -> float | None:
    return stdev(deviations) if len(deviations) > 1 else None


def _ends(mean: float, by: float) -> tuple[float, float]:
    return mean - by, mean + by


def _range(values: Sequence[float]) -> float | None:
    return max(values) - min(values) if values else None
