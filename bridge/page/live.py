"""What changes from moment to moment, as messages: needles, health."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any

from bridge.flight.snapshot import GearedSnapshot, PanelSnapshot, PointerSnapshot
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel


class Needles:
    """The message `needles` of one panel; see the package's docstring."""

    def __init__(self, panel: Panel) -> None:
        self._pointers: Mapping[str, Pointer] = {pointer.key: pointer for pointer in panel.pointers}
        self._wheels = {
            f"{gauge}.{name}": (geared.per_turn, geared.zero_deg)
            for gauge, described in panel.description.gauges.items()
            for name, geared in described.geared.items()
        }

    def message(self, snapshot: PanelSnapshot) -> dict[str, list[float | None]]:
        """For every pointer its angles, indication, what it shows, and the error."""
        rows = {pointer.key: self._row(pointer, self._wanted_deg(pointer)) for pointer in snapshot.pointers}
        for geared in snapshot.geared:
            per_turn, zero_deg = self._wheels[geared.key]
            wanted = geared.indication
            rows[geared.key] = self._row(
                geared, None if wanted is None else wanted / per_turn * 360.0 + zero_deg
            )
        return rows

    def _wanted_deg(self, pointer: PointerSnapshot) -> float | None:
        if pointer.indication is None:
            return None
        face = self._pointers[pointer.key].face
        if not self._pointers[pointer.key].endless:
            return face(min(max(pointer.indication, face.low), face.high))
        return face(pointer.indication)

    @staticmethod
    def _row(pointer: PointerSnapshot | GearedSnapshot, wanted_deg: float | None) -> list[float | None]:
        return [
            rounded(pointer.face_deg, 2),
            None if wanted_deg is None else round(wanted_deg % 360.0, 2),
            rounded(pointer.indication, 3),
            rounded(pointer.shows, 3),
            rounded(pointer.error, 3),
        ]


def rounded(value: float | None, digits: int) -> float | None:
    """The value for a message: JSON has no number for what is not finite."""
    return None if value is None or not isfinite(value) else round(value, digits)


def needles_message(
    needles: Needles, snapshot: PanelSnapshot, replay: Mapping[str, Any] | None
) -> dict[str, Any]:
    """The whole message `needles` at the snapshot's time."""
    return {
        "type": "needles",
        "time_s": round(snapshot.time_s, 3),
        "p": needles.message(snapshot),
        "lamps": {lamp.name: [round(lamp.brightness, 2), lamp.state] for lamp in snapshot.lamps},
        "flags": {flag.key: flag.why for flag in snapshot.flags},
        "replay": replay,
    }
