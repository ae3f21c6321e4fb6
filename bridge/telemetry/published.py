"""Readings as one panel publishes them for others: one JSON object a message. Pure.

    {"time_s": 12.34, "readings": {"pressure_altitude": 2140.0, "calibrated_airspeed": 92.5}}

`time_s` is the publisher's own clock, readings are in canonical units by quantity. `"jumped": true`:
they do not follow from what came before. What is not known here, or makes no sense, is dropped and counted;
all else of the message is taken.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from bridge.errors import TelemetryError
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.conversion import FieldError, Measure, make_measure

FORMAT = "published readings"
"""What errors call it in place of a layout."""
_JSON = json.JSONDecoder(parse_int=float)


@dataclass(frozen=True, slots=True)
class Published:
    """One message: the publisher's time (s), its readings, and what of it was dropped."""

    time_s: float
    readings: dict[str, float]
    jumped: bool
    dropped: tuple[TelemetryError, ...]


def encode(time_s: float, readings: Mapping[str, float], *, jumped: bool = False) -> bytes:
    """The message with these readings."""
    message: dict[str, object] = {"time_s": round(time_s, 4), "readings": dict(readings)}
    if jumped:
        message["jumped"] = True
    return json.dumps(message, separators=(",", ":"), allow_nan=False).encode()


class Reader:
    """Reads the messages of publishers, by the quantities of a catalogue."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._measures: dict[str, Measure] = {
            name: make_measure(name, quantity.unit, catalogue) for name, quantity in catalogue.items()
        }

    def decode(self, payload: bytes) -> Published:
        """The message in this payload; raises TelemetryError for what is none."""
        try:
            message = _JSON.decode(payload.decode())
        except (ValueError, RecursionError):
            raise TelemetryError(FORMAT, "", "not JSON", "expected one JSON object") from None
        time_s, readings = (
            (message.get(key) for key in ("time_s", "readings"))
            if isinstance(message, dict)
            else (None, None)
        )
        if not isinstance(time_s, float) or not abs(time_s) < 1e12 or not isinstance(readings, dict):
            detail = "expected time_s, a number, and readings, an object"
            raise TelemetryError(FORMAT, "", "no readings", detail)
        taken: dict[str, float] = {}
        dropped = []
        for name, value in readings.items():
            measure = self._measures.get(name)
            if measure is None or not isinstance(value, float):
                cause = "unknown quantity" if measure is None else "not a number"
                dropped.append(TelemetryError(FORMAT, name[:40], cause, "dropped"))
                continue
            try:
                taken[name] = measure.reading(value)
            except FieldError as error:
                dropped.append(TelemetryError(FORMAT, name, error.cause, error.detail))
        return Published(time_s, taken, message.get("jumped") is True, tuple(dropped))
