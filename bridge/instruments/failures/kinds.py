"""What can be switched, with its parameters: failures, and the normal errors of sound instruments.

A number that no source states is marked (choice): it was invented for this project, for training only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from bridge.description import near
from bridge.errors import OutOfRangeError

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One number of a failure: its range, unit and meaning. Without `default` it must be stated, unless it is
    `optional`."""

    low: float
    high: float
    unit: str
    meaning: str
    default: float | None = None
    optional: bool = False


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of failure, or of normal error. `of_a_needle`: each concerns one pointer, which it names."""

    name: str
    meaning: str
    parameters: Mapping[str, Parameter] = field(default_factory=dict)
    of_a_needle: bool = False


_OVER_S = Parameter(0, 7200, "s", "time in which the opening closes, as ice does; 0 at once", 0.0)
_LEAK_S = Parameter(0.1, 3600, "s", "time constant with which a closed line follows the cabin (choice)", 10.0)
_BELOW_HPA = Parameter(
    -20, 20, "hPa", "how far the cabin is below the air outside (1 to 1.5 is typical: choice)", 1.25
)
_LATITUDE_DEG = Parameter(-80, 80, "deg", "of the place, north positive")

_KINDS = (
    Kind("pitot_blocked", "the mouth of the pitot tube is closed", {"over_s": _OVER_S}),
    Kind("pitot_drain_blocked", "the drain hole of the pitot tube is closed"),
    Kind(
        "pitot_leak",
        "the pitot line leaks into the cabin",
        {"leak_s": _LEAK_S, "cabin_below_hpa": _BELOW_HPA},
    ),
    Kind("static_blocked", "the static port is closed", {"over_s": _OVER_S}),
    Kind(
        "static_leak",
        "the static line leaks into the cabin",
        {"leak_s": _LEAK_S, "cabin_below_hpa": _BELOW_HPA},
    ),
    Kind(
        "alternate_static",
        "the static line takes the cabin's pressure instead of the port's",
        {"cabin_below_hpa": _BELOW_HPA},
    ),
    Kind("suction_lost", "the gyros of attitude and heading get no air: they run down, tilt and drift"),
    Kind(
        "attitude_not_erected",
        "the attitude gyro starts tilted, and erects itself",
        {
            "tilt_deg": Parameter(0, 60, "deg", "of its axis at the start (choice)", 20.0),
            "toward_deg": Parameter(-180, 180, "deg", "where its top leans, clockwise from the nose", 45.0),
        },
    ),
    Kind(
        "electrical_lost",
        "no current: the turn gyro runs down; lamps, flags and electrical senders have none",
    ),
    Kind(
        "altimeter_misset",
        "the altimeter is set wrong",
        {"by_inhg": Parameter(-4, 4, "inHg", "what its scale shows more than it should")},
    ),
    Kind(
        "needle_sticks",
        "a needle sticks until somebody taps its glass, or it is pulled along",
        {
            "friction": Parameter(
                0, 1e6, "of the needle", "difference that pulls it along; else none", optional=True
            )
        },
        of_a_needle=True,
    ),
    Kind(
        "compass_errors",
        "normal: the compass (compass_heading) errs by deviation, in turns, on acceleration",
        {
            "latitude_deg": _LATITUDE_DEG,
            "dip_deg": Parameter(-85, 85, "deg", "of the field, down positive; else by rule", optional=True),
        },
    ),
    Kind(
        "heading_drift",
        "normal: the heading gyro drifts as the earth turns, and as the place moves east (no wind is known)",
        {
            "latitude_deg": _LATITUDE_DEG,
            "nut_latitude_deg": Parameter(-80, 80, "deg", "its latitude nut is set for", 0.0),
        },
    ),
    Kind("attitude_errors", "normal: the attitude gyro errs after turns and on acceleration"),
    Kind(
        "cold_air",
        "normal: the air is colder or warmer than standard, and the altimeter errs",
        {
            "deviation_k": Parameter(-80, 50, "K", "of the whole column from standard, colder negative"),
            "station_ft": Parameter(-1500, 20_000, "ft", "pressure altitude of the station below", 0.0),
        },
    ),
    Kind(
        "position_error",
        "normal: the static port's error, by the airspeed calibration, also at the altimeter",
    ),
)

KINDS: Mapping[str, Kind] = {kind.name: kind for kind in _KINDS}


@dataclass(frozen=True, slots=True)
class Failure:
    """One failure with its parameters; make it by `make_failure`. `pointer` is gauge.pointer of a needle that
    sticks. `deviation` is a compass's card: (heading, deviation east positive), degrees."""

    kind: str
    parameters: Mapping[str, float]
    pointer: str = ""
    deviation: Points = ()

    @property
    def name(self) -> str:
        """By which it is switched and undone: its kind, and for a needle which."""
        return f"{self.kind} {self.pointer}" if self.pointer else self.kind


def make_failure(
    kind: str,
    parameters: Mapping[str, float] = MappingProxyType({}),
    pointer: str = "",
    deviation: Points = (),
) -> Failure:
    """A failure of this kind, with defaults for what is not stated.

    Raises `OutOfRangeError` for an unknown kind, a parameter that it has not, one that it needs, or one
    outside its range; the text tells which.
    """
    found = KINDS.get(kind)
    if found is None:
        raise OutOfRangeError(f"no failure '{kind}'. {near(kind, KINDS)}")
    for name in parameters:
        if name not in found.parameters:
            raise OutOfRangeError(f"{kind} has no '{name}'. {near(name, found.parameters)}")
    if found.of_a_needle != bool(pointer):
        raise OutOfRangeError(f"{kind} {'needs' if found.of_a_needle else 'has no'} pointer")
    if deviation and kind != "compass_errors":
        raise OutOfRangeError(f"{kind} has no deviation: only compass_errors has")
    complete: dict[str, float] = {}
    for name, parameter in found.parameters.items():
        value = parameters.get(name, parameter.default)
        if value is None and parameter.optional:
            continue
        if value is None:
            raise OutOfRangeError(f"{kind} needs {name}: {parameter.meaning}, {parameter.unit}")
        if name in parameters and not parameter.low <= value <= parameter.high:
            expected = f"{parameter.low:g} to {parameter.high:g} {parameter.unit}"
            raise OutOfRangeError(f"{name} {value:g} of {kind} is outside {expected}")
        complete[name] = value
    return Failure(kind, complete, pointer, deviation)
