"""Magnetic variation by the World Magnetic Model.

Source: NOAA NCEI and British Geological Survey, The US/UK World Magnetic Model, models of 2010, 2015 (second
version), 2020 and 2025, each for five years; calculated by the pygeomag library.
"""

from __future__ import annotations

from datetime import date

from bridge.errors import OutOfRangeError

_FIRST_YEAR, _END_YEAR = 2010.0, 2030.0
"""The models that the library has begin and end here."""
_LATEST_YEAR = 2029.99


def magnetic_variation_deg(latitude_deg: float, longitude_deg: float, day: date) -> tuple[float, float]:
    """How far magnetic north lies east of true north at sea level, in degrees, and the year it was taken for.

    That is the day's (with decimals), or the nearest that a model has. It is of no use near a magnetic pole.
    Raises `OutOfRangeError` for what is no place on earth.
    """
    # Imported here: only a flight without a variation needs it.
    from pygeomag import GeoMag

    if not (-90.0 <= latitude_deg <= 90.0 and -180.0 <= longitude_deg <= 180.0):
        raise OutOfRangeError(f"{latitude_deg:g}, {longitude_deg:g} degrees are no place on earth")
    days = (day - date(day.year, 1, 1)).days / (date(day.year + 1, 1, 1) - date(day.year, 1, 1)).days
    year = min(max(day.year + days, _FIRST_YEAR), _LATEST_YEAR)
    model = GeoMag(base_year=int(year))
    return float(model.calculate(latitude_deg, longitude_deg, 0.0, year).d), year
