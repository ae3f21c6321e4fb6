"""What a gauge under test is fed with, as readings of telemetry. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.gauges.pointer import Pointer
from bridge.instruments import airdata
from bridge.panel.load import Panel
from bridge.proof import published
from bridge.quantities.units import convert


@dataclass(frozen=True, slots=True)
class Place:
    """Where the gauge is taken: what it is fed (as a reading), the setting, and how fast at most (0: any)."""

    fed: float
    """In the pointer's unit."""
    setting_inhg: float
    rate: float = 0.0
    """In the pointer's unit per second."""


def shows_altitude(panel: Panel, pointer: Pointer) -> bool:
    """Whether it shows the altitude of an altimeter in feet, as the published tables have it."""
    instrument = panel.description.gauges[pointer.gauge].instrument
    return (instrument, pointer.indication, pointer.unit) == ("altimeter", "indicated_altitude", "ft")


class Feed:
    """What a gauge is fed with, as readings of telemetry, so that it should show what a place states."""

    def __init__(self, panel: Panel, pointer: Pointer) -> None:
        instrument = panel.instrument(pointer.gauge)
        self._pointer = pointer
        self._quantity = panel.shown(pointer)
        self._own_unit = panel.catalogue[pointer.indication].unit
        self._is_altimeter = shows_altitude(panel, pointer)
        self._sets = self._is_altimeter and panel.description.altimeter_setting.source == "telemetry"
        others = dict.fromkeys((*instrument.needs, *instrument.uses), 0.0)
        others.pop(pointer.indication, None)
        self._others = {} if self._is_altimeter else others

    @property
    def given(self) -> frozenset[str]:
        """The quantities that it has."""
        return frozenset(self.readings(Place(0.0, published.STANDARD_INHG)))

    def readings(self, place: Place) -> dict[str, float]:
        """The readings of this place, in canonical units."""
        if not self._is_altimeter:
            return {
                **self._others,
                self._pointer.indication: convert(
                    self._quantity.wrap(place.fed), self._pointer.unit, self._own_unit
                ),
            }
        readings = {"static_pressure": pressure_hpa(place.fed)}
        if self._sets:
            readings["altimeter_setting"] = place.setting_inhg
        return readings


def pressure_hpa(altitude_ft: float) -> float:
    """The pressure (hPa) at this altitude: as Table I prints it, else by the standard atmosphere."""
    printed = published.PRESSURES_INHG.get(altitude_ft)
    return airdata.static_pressure_hpa(altitude_ft) if printed is None else printed * published.INHG_HPA
