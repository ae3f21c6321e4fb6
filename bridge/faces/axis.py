"""Round numbers for the axis of a chart."""

from __future__ import annotations

from math import ceil, floor, log10


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers from low to high, one, two or five of a power of ten apart; `about` so many."""
    span = (high - low) or 1.0
    power = 10.0 ** floor(log10(span / about))
    step = next(power * n for n in (1, 2, 5, 10) if power * n >= span / about)
    return [round(n * step, 10) + 0.0 for n in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1)]
