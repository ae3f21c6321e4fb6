"""The message `training`, for instructors: what can fail, what has, and what is true beside what is shown."""

from __future__ import annotations

from typing import Any

from bridge.flight.snapshot import PanelSnapshot, PointerSnapshot
from bridge.instruments.failures.kinds import KINDS, Kind
from bridge.page.live import rounded

_KINDS = [
    {
        "kind": kind.name,
        "meaning": kind.meaning,
        "of_a_needle": kind.of_a_needle,
        "parameters": [
            {
                "name": name,
                "meaning": each.meaning,
                "unit": each.unit,
                "low": each.low,
                "high": each.high,
                "default": each.default,
                "needed": each.default is None and not each.optional,
            }
            for name, each in kind.parameters.items()
        ],
    }
    for kind in KINDS.values()
]


def training_message(snapshot: PanelSnapshot) -> dict[str, Any]:
    """The whole message; see the package's docstring."""
    return {
        "type": "training",
        "scenario": snapshot.scenario,
        "kinds": _KINDS,
        "needles": [pointer.key for pointer in snapshot.pointers],
        "in_force": [{"name": name, "meaning": _kind(name).meaning} for name in snapshot.failures],
        "truth": [_truth(pointer) for pointer in snapshot.pointers if _differs(pointer)],
    }


def _kind(name: str) -> Kind:
    return KINDS[name.partition(" ")[0]]


def _differs(pointer: PointerSnapshot) -> bool:
    return pointer.true_indication is not None and pointer.true_indication != pointer.indication


def _truth(pointer: PointerSnapshot) -> dict[str, Any]:
    return {
        "pointer": pointer.key,
        "unit": pointer.unit,
        "shown": rounded(pointer.indication, 1),
        "true": rounded(pointer.true_indication, 1),
    }
