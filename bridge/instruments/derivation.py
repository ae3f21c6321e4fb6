"""From the quantities that a source provides to those that the panel wants: the derivation graph.

1. `RULES` lists what follows from what, each with a cost: an exact relation 1, one that needs history
   3 or 4, one that rests on an assumption 10 or more. A given quantity is never derived.
2. `plan` picks the cheapest way to each wanted quantity, once, when the panel loads, and reports what can't
   be had and what is assumed.
3. `Derivation` runs the chosen rules on each arrival of values.

A new relation is one more row in the table.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial

from bridge.errors import OutOfRangeError
from bridge.instruments import airdata
from bridge.instruments.airdata import PositionError
from bridge.instruments.filters import Slope
from bridge.quantities.catalogue import CATALOGUE, Catalogue, find_quantity

# Smoothing of slopes: short beside the lag of the instruments that show them, long beside the
# interval of telemetry (values chosen here).
_SMOOTH_S = 0.5
_FASTEST_FT_S = 400.0
_FASTEST_DEG_S = 180.0

# Under this speed an aeroplane rolls on its wheels, and its bank is not related to its turn.
_LEAST_TURNING_KT = 30.0


@dataclass(frozen=True, slots=True)
class Rule:
    """One relation: `output` from `inputs`, in that order.

    `relation` takes the inputs' values. A rule over time has `slope` instead, which makes a fresh
    history of its one input. `assumption` completes the sentence 'assumes ...'.
    """

    output: str
    inputs: tuple[str, ...]
    cost: int
    relation: Callable[..., float] | None = None
    slope: Callable[[], Slope] | None = None
    assumption: str = ""


def _same(value: float) -> float:
    return value


def _pressure_altitude(indicated_altitude_ft: float, altimeter_setting_inhg: float) -> float:
    return indicated_altitude_ft + airdata.setting_altitude_ft(altimeter_setting_inhg)


def _standard_speed_of_sound(pressure_altitude_ft: float) -> float:
    return airdata.speed_of_sound_kt(airdata.standard_temperature_degc(pressure_altitude_ft))


def _magnetic(heading_true_deg: float, variation_deg: float) -> float:
    return (heading_true_deg - variation_deg) % 360.0


def _true(heading_magnetic_deg: float, variation_deg: float) -> float:
    return (heading_magnetic_deg + variation_deg) % 360.0


def _steady_turn_rate(yaw_rate: float, bank: float, pitch: float) -> float:
    """Turn rate of a steady turn, deg/s: there yaw rate is turn rate x cos(bank) x cos(pitch)."""
    if not -80.0 <= bank <= 80.0:
        raise OutOfRangeError(f"bank [deg] {bank:g} is outside 80 degrees left to 80 degrees right")
    pitch_rate = yaw_rate * math.tan(math.radians(bank))
    return airdata.turn_rate_deg_s(pitch_rate, yaw_rate, pitch, bank)


def _coordinated_turn_rate(bank: float, true_airspeed: float) -> float:
    if true_airspeed < _LEAST_TURNING_KT:
        return 0.0
    return airdata.coordinated_turn_rate_deg_s(bank, true_airspeed)


def _climb(name: str) -> Callable[[], Slope]:
    return partial(Slope, CATALOGUE[name], _SMOOTH_S, _FASTEST_FT_S, 60.0)


def _swing(name: str) -> Callable[[], Slope]:
    return partial(Slope, CATALOGUE[name], _SMOOTH_S, _FASTEST_DEG_S)


_STANDARD_LAPSE = "the standard lapse rate from the sea-level setting up to the aircraft"
_SET = "that the altimeter is set to the sea-level setting of the air"
_SET_RIGHT = f"{_SET}, and {_STANDARD_LAPSE}"

RULES: tuple[Rule, ...] = (
    # Altitude.
    Rule("static_pressure", ("pressure_altitude",), 1, airdata.static_pressure_hpa),
    Rule("pressure_altitude", ("static_pressure",), 1, airdata.pressure_altitude_ft),
    Rule("pressure_altitude", ("indicated_altitude", "altimeter_setting"), 1, _pressure_altitude),
    Rule(
        "pressure_altitude", ("geometric_altitude", "sea_level_setting"), 10,
        airdata.assumed_pressure_altitude_ft, assumption=_STANDARD_LAPSE,
    ),
    Rule(
        "pressure_altitude", ("geometric_altitude", "altimeter_setting"), 11,
        airdata.assumed_pressure_altitude_ft, assumption=_SET_RIGHT,
    ),
    Rule("altimeter_setting", ("sea_level_setting",), 11, _same, assumption=_SET),
    Rule(
        "indicated_altitude", ("pressure_altitude", "altimeter_setting"), 1, airdata.indicated_altitude_ft,
    ),
    Rule(
        "indicated_altitude", ("geometric_altitude",), 12, airdata.geopotential_altitude_ft,
        assumption=f"{_SET_RIGHT}; a change of setting does not move the needle",
    ),
    Rule("vertical_speed", ("pressure_altitude",), 3, slope=_climb("pressure_altitude")),
    Rule("vertical_speed", ("geometric_altitude",), 4, slope=_climb("geometric_altitude")),
    Rule(
        "vertical_speed", ("indicated_altitude",), 10, slope=_climb("indicated_altitude"),
        assumption="that the altimeter setting stays as it is",
    ),
    # Airspeed.
    Rule("calibrated_airspeed", ("impact_pressure",), 1, airdata.calibrated_airspeed_kt),
    Rule("impact_pressure", ("calibrated_airspeed",), 1, airdata.impact_pressure_hpa),
    Rule("mach", ("impact_pressure", "static_pressure"), 1, airdata.mach),
    Rule("impact_pressure", ("mach", "static_pressure"), 1, airdata.impact_pressure_at_mach_hpa),
    Rule("mach", ("true_airspeed", "speed_of_sound"), 1, operator.truediv),
    Rule("true_airspeed", ("mach", "speed_of_sound"), 1, operator.mul),
    Rule("speed_of_sound", ("outside_air_temperature",), 1, airdata.speed_of_sound_kt),
    Rule(
        "speed_of_sound", ("pressure_altitude",), 10, _standard_speed_of_sound,
        assumption="the standard temperature at that altitude",
    ),
    # Heading and turn.
    Rule("heading_magnetic", ("heading_true", "magnetic_variation"), 1, _magnetic),
    Rule("heading_true", ("heading_magnetic", "magnetic_variation"), 1, _true),
    Rule("compass_heading", ("heading_magnetic",), 1, _same),
    Rule("turn_rate", ("pitch_rate", "yaw_rate", "pitch", "bank"), 1, airdata.turn_rate_deg_s),
    Rule("turn_rate", ("heading_true",), 3, slope=_swing("heading_true")),
    Rule("turn_rate", ("heading_magnetic",), 3, slope=_swing("heading_magnetic")),
    Rule(
        "turn_rate", ("yaw_rate", "bank", "pitch"), 10, _steady_turn_rate,
        assumption="a steady turn",
    ),
    Rule(
        "turn_rate", ("bank", "true_airspeed"), 11, _coordinated_turn_rate,
        assumption=f"a level coordinated turn, and none below {_LEAST_TURNING_KT:g} kt",
    ),
    Rule(
        "roll_rate", ("bank",), 10, slope=_swing("bank"),
        assumption="a nose near the horizon, so that rolling is the change of bank",
    ),
    Rule("slip", ("lateral_acceleration", "normal_acceleration"), 1, airdata.ball_deg),
    Rule("slip", ("lateral_acceleration",), 10, airdata.ball_deg, assumption="a normal acceleration of 1 g"),
)  # fmt: skip


def _position_error_rules(curve: PositionError | None) -> tuple[Rule, ...]:
    """Between calibrated and indicated airspeed: this aircraft's own curve, or none."""
    if curve is None:
        assumption = "no position error, as the aircraft has no airspeed calibration"
        return (
            Rule("indicated_airspeed", ("calibrated_airspeed",), 10, _same, assumption=assumption),
            Rule("calibrated_airspeed", ("indicated_airspeed",), 10, _same, assumption=assumption),
        )
    return (
        Rule("indicated_airspeed", ("calibrated_airspeed",), 1, curve.indicated),
        Rule("calibrated_airspeed", ("indicated_airspeed",), 1, curve.calibrated),
    )


@dataclass(frozen=True, slots=True)
class Plan:
    """How each wanted quantity is had.

    `rules` in the order of running; `missing` names, for each wanted quantity that can't be had, what
    it needs; `assumptions` are sentences to show to the builder.
    """

    given: frozenset[str]
    rules: tuple[Rule, ...]
    missing: Mapping[str, str]
    assumptions: tuple[str, ...]

    def start(self, before: Derivation | None = None) -> Derivation:
        """A run of this plan, without values; slopes that `before` had of the same way keep their history."""
        return Derivation(self, before)

    def depends_on(self) -> dict[str, frozenset[str]]:
        """For every quantity that can be had, the given quantities that it rests on."""
        depends = {name: frozenset((name,)) for name in self.given}
        for rule in self.rules:
            depends[rule.output] = frozenset[str]().union(*(depends[name] for name in rule.inputs))
        return depends


def make_plan(
    given: Iterable[str],
    wanted: Iterable[str],
    catalogue: Catalogue = CATALOGUE,
    position_error: PositionError | None = None,
) -> Plan:
    """The cheapest way from what is given to what is wanted.

    `given` holds all that will ever arrive: fields of telemetry, fixed values, knobs. Quantities that
    can't be had land in the plan's `missing`, so that other gauges keep flying; raises
    `UnknownQuantityError` for a name outside the catalogue.
    """
    have = frozenset(find_quantity(name, catalogue).name for name in given)
    want = tuple(dict.fromkeys(find_quantity(name, catalogue).name for name in wanted))
    rules = RULES + _position_error_rules(position_error)
    costs, chosen = _cheapest(have, rules)

    needed: set[str] = set()
    pending = [name for name in want if name in chosen]
    while pending:
        name = pending.pop()
        if name not in needed:
            needed.add(name)
            pending += [source for source in chosen[name].inputs if source in chosen]
    # A rule costs at least 1, so every input is cheaper than the output: cost order is running order.
    running = sorted(needed, key=lambda name: (costs[name], name))
    return Plan(
        given=have,
        rules=tuple(chosen[name] for name in running),
        missing={name: _what_is_missing(name, have, rules) for name in want if name not in costs},
        assumptions=tuple(
            f"{name} from {_listed(chosen[name].inputs)}: assumes {chosen[name].assumption}"
            for name in running
            if chosen[name].assumption
        ),
    )


def _cheapest(given: frozenset[str], rules: tuple[Rule, ...]) -> tuple[dict[str, int], dict[str, Rule]]:
    """Cost of every quantity that can be had, and the rule that yields it; on a tie the first rule."""
    costs = dict.fromkeys(given, 0)
    chosen: dict[str, Rule] = {}
    changed = True
    while changed:
        changed = False
        for rule in rules:
            if rule.output in given or not all(name in costs for name in rule.inputs):
                continue
            cost = rule.cost + sum(costs[name] for name in rule.inputs)
            if rule.output not in costs or cost < costs[rule.output]:
                costs[rule.output] = cost
                chosen[rule.output] = rule
                changed = True
    return costs, chosen


def _listed(names: Iterable[str]) -> str:
    *rest, last = names
    return f"{', '.join(rest)} and {last}" if rest else last


def _what_is_missing(name: str, given: frozenset[str], rules: tuple[Rule, ...]) -> str:
    """What would have to be given for this quantity, in a sentence for the builder."""
    own = [rule for rule in rules if rule.output == name]
    if not own:
        return f"{name} can't be derived: a source must provide it"
    had = _cheapest(given, rules)[0]
    ways = [
        " with ".join(source if source not in had else f"{source} (have)" for source in rule.inputs)
        for rule in own
    ]
    text = f"{name} needs {'; or '.join(ways)}"
    candidates = sorted({source for rule in rules for source in rule.inputs} - had.keys() - {name})
    enough = [one for one in candidates if name in _cheapest(given | {one}, rules)[0]]
    return f"{text}; any one of these alone would do: {', '.join(enough)}" if enough else text


class Derivation:
    """A plan at work: keeps the last values, and the history that slopes need.

    Deterministic: the same arrivals at the same times yield the same values.
    """

    __slots__ = ("_bits", "_slopes", "_steps", "_values")

    def __init__(self, plan: Plan, before: Derivation | None = None) -> None:
        self._values: dict[str, float] = {}
        # Each given quantity has a bit; a step runs when one of those it rests on has arrived. So a
        # datagram without the altitude does not feed the slope of the altitude a stale sample.
        self._bits = {name: 1 << i for i, name in enumerate(sorted(plan.given))}
        depends = plan.depends_on()
        ways = [(rule, depends[rule.output]) for rule in plan.rules if rule.slope]
        known = before._slopes if before else {}
        self._slopes: dict[tuple[Rule, frozenset[str]], Slope] = {
            way: known.get(way) or way[0].slope() for way in ways if way[0].slope
        }
        self._steps = tuple(
            (
                sum(self._bits[name] for name in depends[rule.output]),
                rule.output,
                rule.inputs,
                rule.relation,
                self._slopes.get((rule, depends[rule.output])),
            )
            for rule in plan.rules
        )

    def update(self, time_s: float, given: Mapping[str, float]) -> dict[str, float]:
        """All values valid now, given and derived, after these have arrived.

        `given` may hold any part of what the plan was made for; the rest keeps its last value. A derived
        value is absent as long as its inputs are, or lie outside its relation's range. Times in
        seconds, see `bridge.instruments.filters` for late and repeated ones.
        """
        values = self._values
        values.update(given)
        bits = self._bits
        arrived = 0
        for name in given:
            arrived |= bits.get(name, 0)
        get = values.__getitem__
        for mask, output, inputs, relation, slope in self._steps:
            if not mask & arrived:
                continue
            try:
                value = slope(time_s, get(inputs[0])) if slope else relation(*map(get, inputs))  # type: ignore[misc]
            except (KeyError, OutOfRangeError):
                value = None
            if value is None:
                values.pop(output, None)
            else:
                values[output] = value
        return dict(values)
