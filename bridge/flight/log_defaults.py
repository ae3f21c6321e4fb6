"""What a recorded flight lacks and its instruments need: the altimeter setting, the magnetic variation.

A flight recorder has neither. Where the panel does not state them either, the standard setting is taken, and
the variation of the World Magnetic Model at the flight's first place on its day; each is named once. What the
panel states always wins, since a person wrote it; where its variation is not the model's, that is named too.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from bridge.flight.changing_log import ChangingLog
from bridge.instruments.magnetism import magnetic_variation_deg
from bridge.panel.load import Panel
from bridge.quantities.units import convert
from bridge.telemetry.flightlog import Moment
from bridge.telemetry.log_contents import place_words
from bridge.telemetry.recorded import LogAround, RecordedFlight

STANDARD_SETTING_INHG = convert(1013.25, "hPa", "inHg")
"""The pressure at sea level of the standard atmosphere (ICAO Doc 7488)."""
APART_DEG = 1.0
"""A stated variation further from the model's is named: a compass is read to a degree or two."""


@dataclass(frozen=True, slots=True)
class CompletedLog(LogAround):
    """A log whose first moment has the `defaults` as well."""

    log: RecordedFlight
    defaults: Mapping[str, float]
    assumptions: tuple[str, ...]

    @property
    def given(self) -> frozenset[str]:
        """The quantities of `log`, and those of `defaults`."""
        return self.log.given | self.defaults.keys()

    def __iter__(self) -> Iterator[Moment]:
        moments = iter(self.log)
        for time_s, readings in moments:
            yield time_s, {**self.defaults, **readings}
            break
        yield from moments


def assumed_in(log: RecordedFlight) -> frozenset[str]:
    """The quantities of this log that were assumed."""
    log = log.log if isinstance(log, ChangingLog) else log
    return frozenset(log.defaults) if isinstance(log, CompletedLog) else frozenset()


def with_defaults(log: RecordedFlight, panel: Panel) -> RecordedFlight:
    """The log, completed with what neither it nor the panel has."""
    defaults: dict[str, float] = {}
    assumptions: list[str] = []
    has = log.given | panel.description.fixed.keys()
    by_pressure = not {"pressure_altitude", "static_pressure"}.isdisjoint(has)
    has_setting = not {"altimeter_setting", "sea_level_setting", "indicated_altitude"}.isdisjoint(has)
    if by_pressure and not has_setting and panel.description.altimeter_setting.source == "telemetry":
        defaults["altimeter_setting"] = STANDARD_SETTING_INHG
        assumptions.append(
            f"the log has no altimeter setting: assumes the standard one, {STANDARD_SETTING_INHG:.2f} inHg "
            "(1013.25 hPa); [altimeter_setting] or [fixed] of the panel states another"
        )
    if len({"heading_true", "heading_magnetic"} & has) == 1 and "magnetic_variation" not in has:
        defaults["magnetic_variation"], how = _variation(log)
        assumptions.append(
            f"the log has no magnetic variation: assumes {defaults['magnetic_variation']:.1f} degrees east, "
            f"{how}; [fixed] of the panel states another"
        )
    assumptions += _apart(log, panel)
    if not assumptions:
        return log
    return CompletedLog(log, defaults, (*log.assumptions, *assumptions))


def _apart(log: RecordedFlight, panel: Panel) -> Iterator[str]:
    """Where the panel's variation is far from that of the flight's place, a sentence about it."""
    fixed_deg = panel.description.fixed.get("magnetic_variation")
    if fixed_deg is None or log.place is None or log.date is None or "heading_true" not in log.given:
        return
    model_deg, how = _variation(log)
    if abs((fixed_deg - model_deg + 180.0) % 360.0 - 180.0) > APART_DEG:
        yield (
            f"magnetic variation: {fixed_deg:.1f} degrees east, as [fixed] of the panel states; it is "
            f"{model_deg:.1f} {how}: take it out of [fixed] to go by that"
        )


def _variation(log: RecordedFlight) -> tuple[float, str]:
    """Degrees east, and where they are from."""
    if log.place is None or log.date is None:
        return 0.0, "as it has no place and date to work it out from"
    latitude_deg, longitude_deg = log.place
    variation_deg, year = magnetic_variation_deg(latitude_deg, longitude_deg, log.date)
    place = place_words(latitude_deg, longitude_deg)
    return variation_deg, f"by the World Magnetic Model at {place} in {year:.1f}"
