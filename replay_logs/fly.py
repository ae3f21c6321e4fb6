"""Flies the recorded flights of this folder: `python replay_logs/fly.py` writes them anew.

An autopilot flies the aircraft leg by leg, a recorder writes what happened at 20 Hz. Nothing here is random
but the gusts, and those come from a seed: the same package makes the same rows on every run.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from aircraft import STEPS_PER_S, Aircraft, Gusts, State, place
from autopilot import Altitude, Autopilot, Flare, Glide, Ground, Heading, Leg, Line, Power, Turn

STEPS_PER_ROW = 6  # 20 rows a second
HPA_PER_PSF = 0.4788026  # NIST SP 811
EARTH_FT = 20_855_531.5  # ICAO Doc 7488: nominal radius of the earth for geopotential, 6,356,766 m
LITRES_PER_GALLON = 3.785411784


@dataclass(frozen=True, slots=True)
class Flight:
    """A flight as data. `setting` is what the pilot has set on the altimeter, by time (inHg)."""

    file: str
    legs: Sequence[Leg]
    pressure_inhg: float  # the air's own pressure at sea level
    setting: Callable[[float], float]
    start: Mapping[str, float]
    gust_ft_s: float = 0.0
    settle_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Column:
    header: str
    decimals: int
    value: Callable[[Aircraft, State], float]


def geopotential_ft(geometric_ft: float) -> float:
    """The model has its pressure altitude as a geometric height; the trade's is geopotential."""
    return geometric_ft * EARTH_FT / (EARTH_FT + geometric_ft)


def fuel_l(aircraft: Aircraft) -> float:
    tanks = ("propulsion/tank", "propulsion/tank[1]")
    return sum(
        aircraft[f"{tank}/contents-lbs"] / aircraft[f"{tank}/density-lbs_per_gal"] * LITRES_PER_GALLON
        for tank in tanks
    )


COLUMNS = (
    Column("static_pressure[hPa]", 3, lambda a, s: a["atmosphere/P-psf"] * HPA_PER_PSF),
    Column(
        "impact_pressure[hPa]",
        3,
        lambda a, s: (a["propulsion/pt-lbs_sqft"] - a["atmosphere/P-psf"]) * HPA_PER_PSF,
    ),
    Column("pressure_altitude[ft]", 1, lambda a, s: geopotential_ft(a["atmosphere/pressure-altitude"])),
    Column("geometric_altitude[ft]", 1, lambda a, s: s.altitude_ft),
    Column("calibrated_airspeed[kt]", 2, lambda a, s: s.airspeed_kt),
    Column("true_airspeed[kt]", 1, lambda a, s: s.true_airspeed_kt),
    Column("vertical_speed[ft/min]", 0, lambda a, s: s.climb_ft_min),
    Column("heading_magnetic[deg]", 2, lambda a, s: s.heading_deg),
    Column("pitch[deg]", 2, lambda a, s: s.pitch_deg),
    Column("bank[deg]", 2, lambda a, s: s.bank_deg),
    Column("roll_rate[deg/s]", 2, lambda a, s: s.roll_rate),
    Column("yaw_rate[deg/s]", 2, lambda a, s: s.yaw_rate),
    Column("turn_rate[deg/s]", 2, lambda a, s: s.turn_rate),
    Column("lateral_acceleration[g]", 3, lambda a, s: s.lateral_g),
    Column("outside_air_temperature[degC]", 1, lambda a, s: a["atmosphere/T-R"] / 1.8 - 273.15),
    Column("engine_speed[rpm]", 0, lambda a, s: a["propulsion/engine/engine-rpm"]),
    Column("fuel_quantity[L]", 1, lambda a, s: fuel_l(a)),
)
HEADER = ("time[s]", "altimeter_setting[inHg]", *(column.header for column in COLUMNS))


def short(value: float, decimals: int) -> str:
    """The number with no more digits than it needs."""
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def row(flight: Flight, aircraft: Aircraft, state: State, time_s: float) -> list[str]:
    values = (short(column.value(aircraft, state), column.decimals) for column in COLUMNS)
    return [short(time_s, 2), short(flight.setting(time_s), 3), *values]


def fly(flight: Flight) -> Iterator[list[str]]:
    """The rows of a flight, from its first leg to the end of its last."""
    aircraft = Aircraft(flight.pressure_inhg, flight.start)
    autopilot, gusts = Autopilot(aircraft), Gusts(flight.gust_ft_s)
    step = -round(flight.settle_s * STEPS_PER_S)
    for leg in flight.legs:
        aircraft.next_leg()
        autopilot.next_leg(leg)
        while not leg.until(state := aircraft.state()):
            if step >= 0 and step % STEPS_PER_ROW == 0:
                yield row(flight, aircraft, state, step / STEPS_PER_S)
            autopilot.fly(leg, state)
            gusts.blow(aircraft)
            aircraft.step()
            step += 1


def write(flight: Flight, folder: Path) -> Path:
    """Writes the flight as CSV (RFC 4180: comma, carriage return and line feed) into the folder."""
    path = folder / flight.file
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(HEADER)
        writer.writerows(fly(flight))
    return path


# Left-hand circuit: the runway's heading, crosswind, downwind, base.
UPWIND, CROSSWIND, DOWNWIND, BASE = 240.0, 150.0, 60.0, 330.0
CIRCUIT_FT = 3140.0
LANDING = (
    Leg("downwind", Line(DOWNWIND, -1.0), Altitude(CIRCUIT_FT, 90), lambda s: s.along_nm < -0.9),
    Leg("base", Heading(BASE), Altitude(2800, 75, 450), lambda s: s.across_nm > -0.3, flaps=0.33),
    Leg("final", Line(UPWIND), Glide(3.5, 65), lambda s: s.height_ft < 28, flaps=0.67),
    Leg("flare", Line(UPWIND), Flare(), lambda s: s.wheels, flaps=0.67),
    Leg("roll out", Line(UPWIND), Ground(0.0, brakes=0.4), lambda s: s.airspeed_kt < 2, flaps=0.67),
    Leg("stopped", Line(UPWIND), Ground(0.0, brakes=1.0), lambda s: s.leg_s > 10),
)
CIRCUIT = Flight(
    "circuit.csv",
    (
        Leg("lined up", Line(UPWIND), Ground(0.05, brakes=1.0), lambda s: s.leg_s > 12),
        Leg("take-off", Line(UPWIND), Ground(1.0, rotate_kt=55), lambda s: s.height_ft > 15),
        Leg("climb out", Line(UPWIND), Power(1.0, 78), lambda s: s.altitude_ft > 3200),
        Leg("climb, outbound", Heading(UPWIND), Power(1.0, 85), lambda s: s.altitude_ft > 7500),
        Leg("climbing turn", Turn(-3), Power(1.0, 85), lambda s: s.turned_deg < -170),
        Leg("climb, inbound", Heading(DOWNWIND), Power(1.0, 85), lambda s: s.altitude_ft > 10_570),
        Leg("level", Heading(DOWNWIND), Altitude(10_600, 100), lambda s: s.leg_s > 40),
        Leg("right turn", Turn(3), Altitude(10_600, 100), lambda s: s.turned_deg > 380),
        Leg("between", Heading(DOWNWIND), Altitude(10_600, 100), lambda s: s.leg_s > 20),
        Leg("left turn", Turn(-3), Altitude(10_600, 100), lambda s: s.turned_deg < -380),
        Leg("turn out", Turn(3), Power(0.45, 108), lambda s: s.turned_deg > 180),
        Leg("descent, outbound", Heading(UPWIND), Power(0.45, 108), lambda s: s.altitude_ft < 6600),
        Leg("descending turn", Turn(-3), Power(0.45, 108), lambda s: s.turned_deg < -170),
        Leg("descent, inbound", Line(DOWNWIND, -1.0), Power(0.45, 108), lambda s: s.altitude_ft < 3300),
        *LANDING,
    ),
    pressure_inhg=30.12,
    setting=lambda time_s: 30.12,
    start={"ic/h-agl-ft": 4.36},
    settle_s=5.0,
)


def setting_turned_down(time_s: float) -> float:
    """Set for where the flight came from, then turned to the field's in 16 s."""
    return max(29.64, min(30.12, 30.12 - 0.03 * (time_s - 60)))


GO_AROUND = Flight(
    "go-around.csv",
    (
        Leg("cruise", Line(UPWIND), Altitude(4500, 100), lambda s: s.along_nm > -7.2),
        Leg("descent", Line(UPWIND), Altitude(3300, 95, 600), lambda s: s.along_nm > -4.6),
        Leg("slow down", Line(UPWIND), Altitude(3300, 72), lambda s: s.along_nm > -3.1, flaps=0.33),
        Leg("approach", Line(UPWIND), Glide(3.5, 65), lambda s: s.height_ft < 250, flaps=0.67),
        Leg("go around", Line(UPWIND), Power(1.0, 68), lambda s: s.height_ft > 500, flaps=0.33),
        Leg("climb out", Line(UPWIND), Power(1.0, 78), lambda s: s.height_ft > 750),
        Leg("crosswind", Heading(CROSSWIND), Altitude(CIRCUIT_FT, 80, 900), lambda s: s.across_nm < -0.7),
        *LANDING,
    ),
    pressure_inhg=29.64,
    setting=setting_turned_down,
    gust_ft_s=3.0,
    start={"ic/h-sl-ft": 4500, "ic/vc-kts": 100, **place(-10.5, 0.0)},
    settle_s=30.0,
)

if __name__ == "__main__":
    for flight in (CIRCUIT, GO_AROUND):
        path = write(flight, Path(__file__).parent)
        print(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB")
