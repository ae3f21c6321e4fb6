"""The flight-dynamics model as our aircraft over our field, one step at a time.

A light single that ships with the flight-dynamics package jsbsim represents the fictional Hobnail.
Headings are magnetic, in degrees. `along` and `across` are distances from the threshold of the runway in use,
in nautical miles: positive beyond the threshold in the landing direction, and to the right of the runway.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass

import jsbsim

STEPS_PER_S = 120
STEP_S = 1 / STEPS_PER_S

# Brackmoor lies in the middle of an ocean, where no real field can be taken for it.
FIELD_ELEVATION_FT = 2140.0
FIELD_LATITUDE_DEG, FIELD_LONGITUDE_DEG = 46.0, -30.0
VARIATION_EAST_DEG = 4.0
RUNWAY_DEG = 240.0
DEG_NM = 60.0

PSF_PER_INHG = 3386.389 / 47.88026  # NIST SP 811: conventional inch of mercury, pound per square foot


@dataclass(frozen=True, slots=True)
class State:
    """What the autopilot sees at one step; altitudes above sea level, height above the field."""

    leg_s: float
    turned_deg: float
    height_ft: float
    altitude_ft: float
    airspeed_kt: float
    true_airspeed_kt: float
    climb_ft_min: float
    heading_deg: float
    bank_deg: float
    pitch_deg: float
    roll_rate: float
    pitch_rate: float
    yaw_rate: float
    turn_rate: float
    lateral_g: float
    along_nm: float
    across_nm: float
    wheels: bool


def place(along_nm: float, across_nm: float) -> dict[str, float]:
    """Initial conditions for a place beside the runway."""
    runway = math.radians(RUNWAY_DEG + VARIATION_EAST_DEG)
    north = along_nm * math.cos(runway) - across_nm * math.sin(runway)
    east = along_nm * math.sin(runway) + across_nm * math.cos(runway)
    east /= math.cos(math.radians(FIELD_LATITUDE_DEG))
    return {
        "ic/lat-geod-deg": FIELD_LATITUDE_DEG + north / DEG_NM,
        "ic/long-gc-deg": FIELD_LONGITUDE_DEG + east / DEG_NM,
    }


class Aircraft:
    """The flight-dynamics model: its properties by name, its state in our units, time in steps.

    `start` holds the model's own initial conditions; the air has standard temperature and the pressure given
    at sea level, so that this pressure is the right altimeter setting.
    """

    def __init__(self, sea_level_inhg: float, start: Mapping[str, float]) -> None:
        jsbsim.FGJSBBase().debug_lvl = 0  # type: ignore[no-untyped-call]  # before the model: no banner
        self.fdm = fdm = jsbsim.FGFDMExec(None)
        fdm.set_debug_level(0)
        fdm.load_model("c172p")  # a light single that ships with the flight-dynamics package
        fdm["ic/lat-geod-deg"], fdm["ic/long-gc-deg"] = FIELD_LATITUDE_DEG, FIELD_LONGITUDE_DEG
        fdm["ic/terrain-elevation-ft"] = FIELD_ELEVATION_FT
        fdm["ic/psi-true-deg"] = RUNWAY_DEG + VARIATION_EAST_DEG
        for name, value in start.items():
            fdm[name] = value
        fdm["atmosphere/P-sl-psf"] = sea_level_inhg * PSF_PER_INHG
        fdm.run_ic()
        fdm["propulsion/set-running"] = -1
        self.time_s, self.turned_deg, self.leg_start_s = 0.0, 0.0, 0.0

    def __getitem__(self, name: str) -> float:
        return float(self.fdm[name])

    def __setitem__(self, name: str, value: float) -> None:
        self.fdm[name] = value

    def next_leg(self) -> None:
        self.leg_start_s, self.turned_deg = self.time_s, 0.0

    def step(self) -> None:
        # Leaner as the air gets thinner, as a pilot would: at full rich the engine dies near 9,000 ft.
        self["fcs/mixture-cmd-norm"] = min(1.0, 1.05 * self["atmosphere/P-psf"] / 2116.22)
        self.fdm.run()
        self.time_s += STEP_S
        self.turned_deg += math.degrees(self["velocities/psidot-rad_sec"]) * STEP_S

    def state(self) -> State:
        north = (self["position/lat-geod-deg"] - FIELD_LATITUDE_DEG) * DEG_NM
        east = (self["position/long-gc-deg"] - FIELD_LONGITUDE_DEG) * DEG_NM
        east *= math.cos(math.radians(FIELD_LATITUDE_DEG))
        runway = math.radians(RUNWAY_DEG + VARIATION_EAST_DEG)
        return State(
            leg_s=self.time_s - self.leg_start_s,
            turned_deg=self.turned_deg,
            height_ft=self["position/h-agl-ft"],
            altitude_ft=self["position/h-sl-ft"],
            airspeed_kt=self["velocities/vc-kts"],
            true_airspeed_kt=self["velocities/vtrue-kts"],
            climb_ft_min=self["velocities/h-dot-fps"] * 60,
            heading_deg=(self["attitude/psi-deg"] - VARIATION_EAST_DEG) % 360,
            bank_deg=self["attitude/phi-deg"],
            pitch_deg=self["attitude/theta-deg"],
            roll_rate=math.degrees(self["velocities/p-rad_sec"]),
            pitch_rate=math.degrees(self["velocities/q-rad_sec"]),
            yaw_rate=math.degrees(self["velocities/r-rad_sec"]),
            turn_rate=math.degrees(self["velocities/psidot-rad_sec"]),
            lateral_g=self["accelerations/Ny"],
            along_nm=north * math.cos(runway) + east * math.sin(runway),
            across_nm=east * math.cos(runway) - north * math.sin(runway),
            wheels=self["gear/unit[1]/WOW"] > 0 or self["gear/unit[2]/WOW"] > 0,
        )


class Gusts:
    """Filtered noise as gusts: `size_ft_s` standard deviation, a second or so long, from a seed."""

    def __init__(self, size_ft_s: float, seed: int = 2140) -> None:
        self.size_ft_s, self.random = size_ft_s, random.Random(seed)
        self.wind = dict.fromkeys(("north", "east", "down"), 0.0)

    def blow(self, aircraft: Aircraft) -> None:
        keep = math.exp(-STEP_S / 1.2)
        for name, wind in self.wind.items():
            kick = self.size_ft_s * math.sqrt(1 - keep * keep) * self.random.gauss(0, 1)
            self.wind[name] = keep * wind + kick
            aircraft[f"atmosphere/gust-{name}-fps"] = self.wind[name]
