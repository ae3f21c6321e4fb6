"""Arcs and the red line of an airspeed indicator, at the aircraft's speeds."""

from __future__ import annotations

from bridge.panel.description import Aircraft
from bridge.panel.face import Band, Limit


class MissingSpeedError(Exception):
    """The aircraft has no such speed; `speed` is its key in the description."""

    def __init__(self, speed: str) -> None:
        self.speed = speed
        super().__init__(f"no {speed}")


def speed_marks(aircraft: Aircraft, radius_mm: float, width_mm: float) -> tuple[list[Band], list[Limit]]:
    """Arcs and red line as 14 CFR 23.1545(b) before amendment 64 has them.

    Red radial line at VNE; yellow arc from VNO to VNE; green arc from VS1 to VNO; white arc from VS0
    to VFE (left out when the aircraft has neither). Raises MissingSpeedError.
    """
    clean_kt = _speed_kt(aircraft, "stall_clean_kt")
    normal_kt = _speed_kt(aircraft, "normal_operating_kt")
    never_kt = _speed_kt(aircraft, "never_exceed_kt")
    bands = [
        Band(colour="green", low=clean_kt, high=normal_kt, radius_mm=radius_mm, width_mm=width_mm),
        Band(colour="yellow", low=normal_kt, high=never_kt, radius_mm=radius_mm, width_mm=width_mm),
    ]
    if aircraft.stall_landing_kt or aircraft.flaps_extended_kt:
        low_kt = _speed_kt(aircraft, "stall_landing_kt")
        high_kt = _speed_kt(aircraft, "flaps_extended_kt")
        inner_mm = radius_mm - width_mm
        bands.append(Band(colour="white", low=low_kt, high=high_kt, radius_mm=inner_mm, width_mm=width_mm))
    limit = Limit(at=never_kt, radius_mm=radius_mm + 0.5, length_mm=2 * width_mm + 2.5, width_mm=1.4)
    return bands, [limit]


def _speed_kt(aircraft: Aircraft, name: str) -> float:
    value: float | None = getattr(aircraft, name)
    if value is None:
        raise MissingSpeedError(name)
    return value
