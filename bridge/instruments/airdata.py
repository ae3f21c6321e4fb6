"""Standard atmosphere, altimetry, airspeed and the mechanics of a turn: pure functions.

Arguments and results are in the catalogue's units; every function documents its range and raises
`OutOfRangeError` beyond it.

Sources. Atmosphere: ICAO Doc 7488/3 (ISO 2533, same values), a layer with 6.5 K/km lapse to 11 km
and an isothermal one to 20 km, in geopotential altitude. Airspeed: W. Gracey, Measurement of Aircraft
Speed and Altitude, NASA RP-1046 (1980); above Mach 1 the Rayleigh pitot formula, Ames Research Staff,
NACA Report 1135 (1953), equation 100. Turns: FAA-H-8083-25, aerodynamics of flight.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass

from bridge.errors import OutOfRangeError

_FOOT_M = 0.3048
_KNOT_M_S = 1852 / 3600
_INHG_HPA = 33.86389
_ZERO_DEGC_K = 273.15

_GRAVITY_M_S2 = 9.80665
_GAS_CONSTANT = 287.05287  # J/(kg K), dry air, ICAO Doc 7488
_SEA_LEVEL_K = 288.15
_SEA_LEVEL_HPA = 1013.25
_LAPSE_K_M = 0.0065
_TROPOPAUSE_M = 11_000.0
_TROPOPAUSE_K = _SEA_LEVEL_K - _LAPSE_K_M * _TROPOPAUSE_M
_EARTH_RADIUS_M = 6_356_766.0  # nominal, ICAO Doc 7488 equation 8

_EXPONENT = _GRAVITY_M_S2 / (_LAPSE_K_M * _GAS_CONSTANT)
_TROPOPAUSE_HPA = _SEA_LEVEL_HPA * math.pow(_TROPOPAUSE_K / _SEA_LEVEL_K, _EXPONENT)
_TROPOPAUSE_FT = _TROPOPAUSE_M / _FOOT_M
_SCALE_HEIGHT_M = _GAS_CONSTANT * _TROPOPAUSE_K / _GRAVITY_M_S2

LOWEST_FT = -5000.0
HIGHEST_FT = 20_000.0 / _FOOT_M
FASTEST_MACH = 5.0  # air stops being a perfect gas of constant specific heat

_HEAT_RATIO = 1.4
_SONIC_RATIO = math.expm1(3.5 * math.log1p(0.2))  # impact over static pressure at Mach 1


def _out_of_range(what: str, value: float, bounds: str) -> OutOfRangeError:
    return OutOfRangeError(f"{what} {value:g} is outside {bounds}")


# --- standard atmosphere -----------------------------------------------------------------------


def static_pressure_hpa(pressure_altitude_ft: float) -> float:
    """Pressure of the standard atmosphere at this geopotential altitude.

    Valid from -5,000 ft to 20 km (65,617 ft); raises OutOfRangeError beyond.
    Source: ICAO Doc 7488, layers 0 to 11 km (lapse) and 11 to 20 km (isothermal).
    """
    if not LOWEST_FT <= pressure_altitude_ft <= HIGHEST_FT:
        raise _out_of_range("pressure altitude [ft]", pressure_altitude_ft, "-5,000 ft to 20 km (65,617 ft)")
    if pressure_altitude_ft <= _TROPOPAUSE_FT:
        ratio = 1 - _LAPSE_K_M * _FOOT_M / _SEA_LEVEL_K * pressure_altitude_ft
        return _SEA_LEVEL_HPA * math.pow(ratio, _EXPONENT)
    return _TROPOPAUSE_HPA * math.exp((_TROPOPAUSE_M - pressure_altitude_ft * _FOOT_M) / _SCALE_HEIGHT_M)


_HIGHEST_HPA = static_pressure_hpa(LOWEST_FT)
_LOWEST_HPA = static_pressure_hpa(HIGHEST_FT)


def pressure_altitude_ft(static_pressure_hpa: float) -> float:
    """Geopotential altitude in the standard atmosphere with this pressure.

    Valid from -5,000 ft to 20 km (1,210 to 54.7 hPa); raises OutOfRangeError beyond.
    Source: ICAO Doc 7488, layers 0 to 11 km (lapse) and 11 to 20 km (isothermal).
    """
    if not _LOWEST_HPA <= static_pressure_hpa <= _HIGHEST_HPA:
        raise _out_of_range(
            "static pressure [hPa]", static_pressure_hpa, "54.7 to 1,210 hPa (20 km down to -5,000 ft)"
        )
    if static_pressure_hpa >= _TROPOPAUSE_HPA:
        ratio = math.pow(static_pressure_hpa / _SEA_LEVEL_HPA, 1 / _EXPONENT)
        return _SEA_LEVEL_K / (_LAPSE_K_M * _FOOT_M) * (1 - ratio)
    above_m = _SCALE_HEIGHT_M * math.log(_TROPOPAUSE_HPA / static_pressure_hpa)
    return (_TROPOPAUSE_M + above_m) / _FOOT_M


def standard_temperature_degc(pressure_altitude_ft: float) -> float:
    """Temperature of the standard atmosphere at this geopotential altitude.

    Valid from -5,000 ft to 20 km; raises OutOfRangeError beyond. Source: ICAO Doc 7488.
    """
    if not LOWEST_FT <= pressure_altitude_ft <= HIGHEST_FT:
        raise _out_of_range("pressure altitude [ft]", pressure_altitude_ft, "-5,000 ft to 20 km (65,617 ft)")
    height_m = min(pressure_altitude_ft * _FOOT_M, _TROPOPAUSE_M)
    return _SEA_LEVEL_K - _LAPSE_K_M * height_m - _ZERO_DEGC_K


# --- altimetry ---------------------------------------------------------------------------------


def geopotential_altitude_ft(geometric_altitude_ft: float) -> float:
    """Geopotential altitude of a height above mean sea level: 5 ft less at 10,000 ft, 120 at 50,000.

    Any height above -1,000 km. Source: ICAO Doc 7488 equation 8, nominal radius 6,356.766 km.
    """
    height_m = geometric_altitude_ft * _FOOT_M
    return _EARTH_RADIUS_M * height_m / (_EARTH_RADIUS_M + height_m) / _FOOT_M


def geometric_altitude_ft(geopotential_altitude_ft: float) -> float:
    """Height above mean sea level of a geopotential altitude; inverse of `geopotential_altitude_ft`."""
    height_m = geopotential_altitude_ft * _FOOT_M
    return _EARTH_RADIUS_M * height_m / (_EARTH_RADIUS_M - height_m) / _FOOT_M


def setting_altitude_ft(altimeter_setting_inhg: float) -> float:
    """Pressure altitude of the altimeter setting: what the barometric scale takes off the indication.

    Valid from 20 to 35 inHg; raises OutOfRangeError beyond.
    Source: 14 CFR 43 Appendix E, Table IV, lists minus this value.
    """
    if not 20.0 <= altimeter_setting_inhg <= 35.0:
        raise _out_of_range("altimeter setting [inHg]", altimeter_setting_inhg, "20 to 35 inHg")
    return pressure_altitude_ft(altimeter_setting_inhg * _INHG_HPA)


def indicated_altitude_ft(pressure_altitude_ft: float, altimeter_setting_inhg: float) -> float:
    """What an altimeter without error shows: pressure altitude moved by the setting.

    Valid for settings from 20 to 35 inHg; raises OutOfRangeError beyond.
    """
    return pressure_altitude_ft - setting_altitude_ft(altimeter_setting_inhg)


def assumed_pressure_altitude_ft(geometric_altitude_ft: float, sea_level_setting_inhg: float) -> float:
    """Pressure altitude where only the height and the sea-level setting of the air are known.

    Assumes the standard lapse rate between, so that an altimeter set to the sea-level setting shows
    the (geopotential) height: on a hot or cold day a real one errs by about 4 % of the height for
    each 10 K. Valid for settings from 20 to 35 inHg; raises OutOfRangeError beyond.
    """
    return geopotential_altitude_ft(geometric_altitude_ft) + setting_altitude_ft(sea_level_setting_inhg)


# --- airspeed ----------------------------------------------------------------------------------


def speed_of_sound_kt(temperature_degc: float) -> float:
    """Speed of sound in dry air of this static temperature.

    Valid above -150 degC (below which the ideal-gas model is not valid); raises OutOfRangeError below.
    Source: ICAO Doc 7488, ratio of specific heats 1.4.
    """
    if temperature_degc < -150.0:
        raise _out_of_range("temperature [degC]", temperature_degc, "-150 degC and above")
    kelvin = temperature_degc + _ZERO_DEGC_K
    return math.sqrt(_HEAT_RATIO * _GAS_CONSTANT * kelvin) / _KNOT_M_S


_SEA_LEVEL_SOUND_KT = speed_of_sound_kt(_SEA_LEVEL_K - _ZERO_DEGC_K)


def _pressure_ratio(mach: float) -> float:
    """Impact over static pressure at this Mach number, odd in its sign (negative for flow from behind)."""
    if not -1.0 <= mach <= FASTEST_MACH:
        raise _out_of_range("Mach number", mach, "-1 to 5")
    if mach < 0:
        return -_pressure_ratio(-mach)
    if mach <= 1:
        # (1 + 0.2 mach^2)^3.5 - 1, without the loss of digits near zero.
        return math.expm1(3.5 * math.log1p(0.2 * mach * mach))
    square = mach * mach
    return math.pow(1.2 * square, 3.5) * math.pow(6 / (7 * square - 1), 2.5) - 1


_FASTEST_RATIO = _pressure_ratio(FASTEST_MACH)


def _mach_of_ratio(ratio: float) -> float:
    """Mach number at which impact over static pressure has this value; inverse of `_pressure_ratio`."""
    if not -_SONIC_RATIO <= ratio <= _FASTEST_RATIO:
        raise _out_of_range("impact over static pressure", ratio, "-0.893 to 31.65 (Mach -1 to 5)")
    if ratio < 0:
        return -_mach_of_ratio(-ratio)
    if ratio <= _SONIC_RATIO:
        return math.sqrt(5 * math.expm1(2 / 7 * math.log1p(ratio)))
    # Rayleigh has no closed inverse: mach = scale (1 - 1/(7 mach^2))^1.25, by Newton's method.
    scale = math.sqrt((ratio + 1) * 7**2.5 / (1.2**3.5 * 6**2.5))
    mach = scale
    for _ in range(8):
        inner = 1 - 1 / (7 * mach * mach)
        error = mach - scale * inner**1.25
        mach -= error / (1 - scale * 2.5 / 7 * inner**0.25 / mach**3)
    return mach


def mach(impact_pressure_hpa: float, static_pressure_hpa: float) -> float:
    """Mach number from the two pressures of a pitot-static tube.

    Negative for a negative impact pressure. Valid from Mach -1 to 5 and for positive static pressure;
    raises OutOfRangeError beyond. Source: RP-1046; above Mach 1, NACA 1135 equation 100 (Rayleigh).
    """
    if static_pressure_hpa <= 0:
        raise _out_of_range("static pressure [hPa]", static_pressure_hpa, "values above 0 hPa")
    return _mach_of_ratio(impact_pressure_hpa / static_pressure_hpa)


def impact_pressure_at_mach_hpa(mach: float, static_pressure_hpa: float) -> float:
    """Total minus static pressure at this Mach number; inverse and range as of `mach`.

    Raises OutOfRangeError beyond Mach -1 to 5.
    """
    return _pressure_ratio(mach) * static_pressure_hpa


def calibrated_airspeed_kt(impact_pressure_hpa: float) -> float:
    """Calibrated airspeed: the speed with this impact pressure at standard sea level.

    Negative for a negative impact pressure. Valid from -905 to 32,073 hPa (-661 to 3,307 kt); raises
    OutOfRangeError beyond. Source: RP-1046; above 661 kt, NACA 1135 equation 100.
    """
    return _SEA_LEVEL_SOUND_KT * _mach_of_ratio(impact_pressure_hpa / _SEA_LEVEL_HPA)


def impact_pressure_hpa(calibrated_airspeed_kt: float) -> float:
    """Total minus static pressure at this calibrated airspeed; inverse of `calibrated_airspeed_kt`.

    Raises OutOfRangeError beyond -661 to 3,307 kt.
    """
    return _SEA_LEVEL_HPA * _pressure_ratio(calibrated_airspeed_kt / _SEA_LEVEL_SOUND_KT)


def true_airspeed_kt(
    calibrated_airspeed_kt: float, static_pressure_hpa: float, temperature_degc: float
) -> float:
    """True airspeed from calibrated airspeed, static pressure and static temperature.

    Ranges as of `mach` and `speed_of_sound_kt`; raises OutOfRangeError beyond. Source: RP-1046.
    """
    ratio = mach(impact_pressure_hpa(calibrated_airspeed_kt), static_pressure_hpa)
    return ratio * speed_of_sound_kt(temperature_degc)


@dataclass(frozen=True, slots=True)
class PositionError:
    """An aircraft's airspeed calibration: (indicated, calibrated) points in knots, joined by straight lines.

    Both columns must rise from point to point, and two points are the least: ValueError otherwise.
    Beyond the ends the end point's error is kept.
    """

    indicated_kt: tuple[float, ...]
    calibrated_kt: tuple[float, ...]

    @classmethod
    def through(cls, points: Iterable[tuple[float, float]]) -> PositionError:
        """The curve through (indicated, calibrated) points."""
        pairs = tuple(points)
        return cls(tuple(pair[0] for pair in pairs), tuple(pair[1] for pair in pairs))

    def __post_init__(self) -> None:
        if len(self.indicated_kt) < 2 or len(self.indicated_kt) != len(self.calibrated_kt):
            raise ValueError("a position error needs at least two (indicated, calibrated) points")
        for name, column in (("indicated", self.indicated_kt), ("calibrated", self.calibrated_kt)):
            for below, above in itertools.pairwise(column):
                if not below < above:
                    raise ValueError(f"{name} airspeed must rise from point to point: {below} then {above}")

    def calibrated(self, indicated_kt: float) -> float:
        """Calibrated airspeed at this indicated airspeed, kt."""
        return _interpolated(indicated_kt, self.indicated_kt, self.calibrated_kt)

    def indicated(self, calibrated_kt: float) -> float:
        """Indicated airspeed at this calibrated airspeed, kt."""
        return _interpolated(calibrated_kt, self.calibrated_kt, self.indicated_kt)


def _interpolated(x: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    if x <= xs[0]:
        return x + ys[0] - xs[0]
    if x >= xs[-1]:
        return x + ys[-1] - xs[-1]
    i = bisect.bisect_right(xs, x)
    return ys[i - 1] + (x - xs[i - 1]) * (ys[i] - ys[i - 1]) / (xs[i] - xs[i - 1])


# --- turns -------------------------------------------------------------------------------------


def coordinated_turn_rate_deg_s(bank_deg: float, true_airspeed_kt: float) -> float:
    """Rate of a level coordinated turn, right positive: g tan(bank) / true airspeed.

    Valid for bank within 89 degrees either way and airspeed above 0; raises OutOfRangeError beyond.
    Source: FAA-H-8083-25, rate of turn.
    """
    if not -89.0 <= bank_deg <= 89.0:
        raise _out_of_range("bank [deg]", bank_deg, "89 degrees left to 89 degrees right")
    if true_airspeed_kt <= 0:
        raise _out_of_range("true airspeed [kt]", true_airspeed_kt, "values above 0 kt")
    speed_m_s = true_airspeed_kt * _KNOT_M_S
    return math.degrees(_GRAVITY_M_S2 * math.tan(math.radians(bank_deg)) / speed_m_s)


def turn_rate_deg_s(
    pitch_rate_deg_s: float, yaw_rate_deg_s: float, pitch_deg: float, bank_deg: float
) -> float:
    """Rate of change of heading from body rates, right positive: (q sin bank + r cos bank) / cos pitch.

    Valid for pitch within 89 degrees either way; raises OutOfRangeError beyond (heading has no meaning at
    the vertical). Source: the Euler kinematic equations in ISO 1151 axes, in any flight dynamics book.
    """
    if not -89.0 <= pitch_deg <= 89.0:
        raise _out_of_range("pitch [deg]", pitch_deg, "89 degrees down to 89 degrees up")
    bank = math.radians(bank_deg)
    across = pitch_rate_deg_s * math.sin(bank) + yaw_rate_deg_s * math.cos(bank)
    return across / math.cos(math.radians(pitch_deg))


def ball_deg(lateral_acceleration_g: float, normal_acceleration_g: float = 1.0) -> float:
    """Where the ball of a slip indicator rests, degrees of arc from the middle, right positive.

    Accelerations are specific forces along the right wing and up through the roof, so the ball lies
    opposite to the lateral one. Without weight, or inverted, it lies at its end: 90 degrees.
    """
    if normal_acceleration_g <= 0:
        return math.copysign(90.0, -lateral_acceleration_g) if lateral_acceleration_g else 0.0
    return -math.degrees(math.atan2(lateral_acceleration_g, normal_acceleration_g))
