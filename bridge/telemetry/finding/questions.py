"""What to read next: the question that parts most of what still fits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from bridge.quantities.catalogue import Catalogue, Quantity
from bridge.telemetry.finding.verdict import Verdict

_MOVES: Mapping[str, str] = MappingProxyType(
    {
        "altitude": "climb or descend by 500 ft",
        "airspeed": "go 20 kt faster or slower",
        "heading": "turn by 60 degrees or more",
        "pitch": "raise the nose by 10 degrees (then lower it)",
        "bank": "bank 20 degrees to the right (then to the left)",
        "vertical_speed": "climb at 500 ft/min or more (then descend)",
    }
)
_TELLING = 2.0
"""Tolerances by which two numbers differ before a reading tells which is right."""


def next_question(verdicts: Sequence[Verdict], tolerances: Mapping[str, float], catalogue: Catalogue) -> str:
    """One or two sentences; empty when everything is sure."""
    open_ones = [verdict for verdict in verdicts if not verdict.sure]
    if not open_ones:
        return ""
    telling = max(open_ones, key=lambda one: _parted_now(one, tolerances.get(one.quantity, 0.0)))
    tolerance = tolerances.get(telling.quantity, 0.0)
    if _parted_now(telling, tolerance) and telling.best is not None:
        unit = _unit(catalogue[telling.quantity])
        rival = next(r for r in telling.rivals if _differs(telling, r.series, tolerance))
        means = [f"{one.series[-1]:,.1f}{unit} is {one.place}" for one in (telling.best, rival)]
        return f"Read {telling.quantity} again now: {', '.join(means)}."
    lost = [verdict.quantity for verdict in open_ones if verdict.best is None]
    moving = [verdict.quantity for verdict in open_ones if verdict.best is not None]
    if not moving:
        return (
            f"Nothing fits {', '.join(lost)}: it is not sent, or a reading is wrong. `readings` lists "
            "them, `drop N` forgets one."
        )
    return f"{_move(moving[0]).capitalize()}, hold it, and read {', '.join(moving[:3])} again."


def _parted_now(verdict: Verdict, tolerance: float) -> int:
    """How many rivals show something else than the best at the moment."""
    return sum(_differs(verdict, rival.series, tolerance) for rival in verdict.rivals)


def _differs(verdict: Verdict, series: Sequence[float | None], tolerance: float) -> bool:
    if verdict.best is None or not verdict.best.series or not series:
        return False
    one, other = verdict.best.series[-1], series[-1]
    return one is not None and other is not None and abs(one - other) > _TELLING * tolerance


def _move(quantity: str) -> str:
    for name, move in _MOVES.items():
        if quantity.endswith(name):
            return move
    return f"change {quantity} well"


def _unit(quantity: Quantity) -> str:
    return "" if quantity.unit == "1" else f" {quantity.unit}"
