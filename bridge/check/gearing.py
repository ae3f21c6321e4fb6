"""Gearing between the pointers of one gauge, and ratios that are only nearly right."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from bridge.check.findings import Finding, Severity, at_most, measured, number, with_unit
from bridge.check.trains import find_trains, train_value
from bridge.panel.hardware import Motor

_NEARLY = Fraction(1, 100)


@dataclass(frozen=True, slots=True)
class Gearing:
    """Wheels between two shafts: turns of `driver` for one turn of `driven`, given and needed.

    `per_turn` is what one turn of the driven pointer is worth, in `unit`.
    """

    subject: str
    driver: str
    driven: str
    gears: tuple[Fraction, ...]
    """Turns of the driving wheel for one of the driven wheel, stage by stage."""
    needed: Fraction
    per_turn: float
    unit: str
    tolerance: float
    """How far off the driven pointer may be, in `unit`."""
    backlash_deg: float = 0.0


def drift_per_turn(given: Fraction, needed: Fraction) -> Fraction:
    """By which part of its turn the driven pointer is wrong after one turn's worth of reading.

    The driver has then made `needed` turns, the driven one needed / given: minus behind, plus ahead.
    """
    return needed / given - 1


def check_gearing(gearing: Gearing, teeth: Sequence[int]) -> Iterator[Finding]:
    """Ratio, sense of rotation and backlash of one gearing; `teeth` lists the wheels at hand."""
    yield _ratio(gearing, teeth)
    yield from _direction(gearing)
    yield from _slack(gearing)


def exact(ratio: Fraction) -> str:
    """A ratio as a whole number or a fraction, with its decimal value where that helps."""
    if ratio.denominator == 1:
        return f"{ratio.numerator:,}"
    return f"{ratio.numerator}/{ratio.denominator} ({number(float(ratio), 6)})"


def _ratio(gearing: Gearing, teeth: Sequence[int]) -> Finding:
    given = train_value(gearing.gears)
    drift = drift_per_turn(given, gearing.needed)
    wrong = abs(float(drift)) * gearing.per_turn
    turn = with_unit(gearing.per_turn, gearing.unit)
    product = " x ".join(str(gear) for gear in gearing.gears)
    formula = f"{product} = {exact(given)}; needed {exact(gearing.needed)};"
    formula += (
        f" drift = {exact(gearing.needed)} / {exact(given)} - 1 = {number(100 * float(drift))} % of a turn"
    )
    cure = ""
    if not drift:
        text = f"{gearing.driver} makes exactly {exact(gearing.needed)} turns for one of {gearing.driven}."
    else:
        way = "behind" if drift < 0 else "ahead"
        text = (
            f"{gearing.driver} must turn {exact(gearing.needed)} times for one turn of {gearing.driven}, but"
            f" these wheels make it {exact(given)}. After {turn} {gearing.driven} is"
            f" {with_unit(wrong, gearing.unit)} {way}, and as much again after each further {turn}."
        )
        cure = proposals(gearing.needed, teeth)
    severity: Severity = "failure" if drift else "ok"
    return measured(
        gearing.subject, "gearing", severity, wrong, 0.0, gearing.unit, formula=formula, text=text, cure=cure
    )


def proposals(needed: Fraction, teeth: Sequence[int]) -> str:
    """A sentence with the trains that make this ratio from wheels at hand, or what to do without one."""
    if not teeth:
        return f"Find wheels that make {exact(needed)}: list those at hand (teeth = [...], or --teeth)."
    trains = find_trains(needed, teeth)
    if trains:
        return f"Exactly {exact(needed)} with wheels at hand: {'; '.join(map(str, trains))}."
    factors = sorted(_primes(needed.numerator) | _primes(needed.denominator))
    return (
        f"No train of up to three pairs from these wheels makes {exact(needed)}: it takes wheels whose teeth"
        f" divide by {', '.join(map(str, factors))}. Or give the pointer a motor of its own."
    )


def _primes(whole: int) -> set[int]:
    found, factor = set(), 2
    while factor * factor <= whole:
        while whole % factor == 0:
            found.add(factor)
            whole //= factor
        factor += 1
    return found | {whole} if whole > 1 else found


def _direction(gearing: Gearing) -> Iterator[Finding]:
    """Each outside mesh turns the sense round; the pointers of a gauge turn the same way."""
    if len(gearing.gears) % 2 == 0:
        return
    count = len(gearing.gears)
    yield Finding(
        gearing.subject,
        "sense",
        "warning",
        value=float(count),
        unit="meshes",
        formula=f"(-1)^{count} = -1",
        text=f"An odd number of meshes ({count}) turns {gearing.driven} the other way from {gearing.driver}.",
        cure="Put an idler between (it changes no ratio), use an inside gear, or two pairs instead of one.",
    )


def _slack(gearing: Gearing) -> Iterator[Finding]:
    if not gearing.backlash_deg:
        return
    error = gearing.backlash_deg / 360 * gearing.per_turn
    severity = at_most(error, gearing.tolerance, float("inf"))
    formula = f"{number(gearing.backlash_deg)} deg / 360 x {with_unit(gearing.per_turn, gearing.unit)}"
    formula += f" = {with_unit(error, gearing.unit)}"
    yield measured(
        gearing.subject,
        "backlash",
        severity,
        error,
        gearing.tolerance,
        gearing.unit,
        formula=formula,
        text=f"When the reading turns round, {with_unit(error, gearing.unit)} is lost between the wheels.",
        cure=""
        if severity == "ok"
        else "Fit a hair spring to this arbor: calibration corrects only the driven pointer.",
    )


def check_counted_teeth(name: str, motor: Motor, known: Mapping[str, Motor]) -> Iterator[Finding]:
    """A motor described with a round ratio whose like in the catalogue has counted teeth.

    The error that this makes: 2,048 steps sent for 2,037.89 that make a turn drift by half a per cent.
    """
    if motor.is_servo:
        return
    for other_name, other in known.items():
        if other.kind != motor.kind or other.rotor_steps_per_turn != motor.rotor_steps_per_turn:
            continue
        given, counted = motor.full_steps_per_turn, other.full_steps_per_turn
        drift = given / counted - 1
        if not drift or abs(drift) > _NEARLY or len(motor.gear_train) >= len(other.gear_train):
            continue
        degrees = 360 * float(drift)
        formula = f"{exact(given)} / {exact(counted)} - 1 = {number(100 * float(drift))} %"
        formula += f" = {number(degrees)} deg a turn"
        yield measured(
            f"motor {name}",
            "counted teeth",
            "warning",
            abs(degrees),
            0.0,
            "deg",
            formula=formula,
            text=f"{number(float(given), 6)} full steps a turn looks like a nominal ratio: {other_name} has"
            f" {number(float(counted), 6)}. If yours is the same kind, the pointer creeps"
            f" {number(abs(degrees))} deg in every turn.",
            cure="Open it and count the teeth, or mark the shaft, send ten turns and measure what is"
            " left over.",
        )
        return
