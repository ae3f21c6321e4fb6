"""What the readings prove: a verdict for each test, figures of ISO 230-2, what errors look like. Pure.

The uncertainty of a reading is in the verdict: an error passes with it, or fails with it, or the test is
undecided between. Where it is more than a quarter of what is permitted, the test proves nothing. What is the
difference of two readings is uncertain by the root of two more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import sqrt
from statistics import fmean
from typing import Literal

from bridge.gauges.pointer import Pointer
from bridge.proof import published
from bridge.proof.metrology import Accuracy, Target, accuracy
from bridge.proof.plan import Plan, Purpose, Step

Verdict = Literal["pass", "fail", "undecided", "proves nothing", "not done"]

COARSEST = 0.25
"""Of what is permitted: a reading that is less certain than this proves nothing."""
_OWN = "the builder's own tolerance (no published one)"
_OWN_BESIDE = "the builder's own tolerance, beside the published one"


@dataclass(frozen=True, slots=True)
class Check:
    """One error, what is permitted there, and the verdict; in the pointer's unit."""

    at: str
    error: float
    limit: float
    uncertainty: float

    @property
    def verdict(self) -> Verdict:
        """Whether the error passes, or fails, with the uncertainty against it; "undecided" between.

        "proves nothing" where the uncertainty is more than `COARSEST` of the limit; never "not done".
        """
        if self.uncertainty > COARSEST * self.limit:
            return "proves nothing"
        if abs(self.error) + self.uncertainty <= self.limit:
            return "pass"
        return "fail" if abs(self.error) - self.uncertainty > self.limit else "undecided"


@dataclass(frozen=True, slots=True)
class Result:
    """One test: `worst` is the check that decides, the nearest to its limit among those of its verdict."""

    test: str
    source: str
    verdict: Verdict
    checks: tuple[Check, ...]
    worst: Check | None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One mark of the scale: its deviations, and what is permitted by the table and by the builder."""

    target: Target
    limit: float | None


@dataclass(frozen=True, slots=True)
class Evaluation:
    """All that a sheet tells of the readings; `unread` has in words where the needle could not be read."""

    results: tuple[Result, ...]
    rows: tuple[Row, ...]
    accuracy: Accuracy
    looks: tuple[str, ...]
    unread: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """The gravest of all tests."""
        verdicts = [result.verdict for result in self.results]
        return next((v for v in _GRAVEST if v in verdicts), "not done")


_GRAVEST: tuple[Verdict, ...] = ("fail", "proves nothing", "undecided", "not done", "pass")


def evaluate(plan: Plan, pointer: Pointer, taken: Sequence[float | None], uncertainty: float) -> Evaluation:
    """What these readings prove; `uncertainty` is that of each, in the pointer's unit."""
    period = _wraps_after(pointer)
    read = [
        (step, _nearest(value, step.wanted, period))
        for step, value in zip(plan.steps, taken, strict=False)
        if value is not None
    ]
    rows = _rows(plan, read)
    going_on = {step.purpose for step in plan.steps[len(taken) :]}
    results = tuple(
        _so_far(result) if purpose in going_on else result
        for purpose, result in _results(plan, read, rows, uncertainty)
    )
    return Evaluation(
        results,
        rows,
        accuracy([row.target for row in rows]),
        tuple(_looks(plan, pointer, rows, results)),
        tuple(
            f"could not be read: {_words(step, plan.unit)}"
            for step, value in zip(plan.steps, taken, strict=False)
            if value is None
        ),
    )


def _so_far(result: Result) -> Result:
    """The result of a test that is not at its end: it may fail, but it has not passed."""
    if result.verdict != "pass":
        return result
    return replace(result, verdict="not done", remark=f"passes so far, in {len(result.checks)} places")


def _at(reading: float, unit: str) -> str:
    """A mark in words."""
    return f"{reading:,.4g} {unit}" if abs(reading) < 1000 else f"{reading:,.0f} {unit}"


def _words(step: Step, unit: str) -> str:
    """A reading in words."""
    if step.purpose == "setting":
        return f"the setting {step.setting_inhg:.2f} inHg"
    place = f"{_at(step.wanted, unit)} {'falling' if step.falling else 'rising'}"
    if step.purpose == "scale":
        return f"{place}, pass {step.cycle}"
    return f"{place}, {step.purpose}{', tapped' if step.tapped else ''}"


def _wraps_after(pointer: Pointer) -> float | None:
    """What a reading off the face may differ by and mean the same place: other pointers tell the turn."""
    return pointer.face.period


def _nearest(value: float, wanted: float, period: float | None) -> float:
    return value if period is None else value + round((wanted - value) / period) * period


Read = tuple[Step, float]
Judged = tuple[Purpose, Result]
"""A result, and of which readings it is."""


def _rows(plan: Plan, read: Sequence[Read]) -> tuple[Row, ...]:
    marks = dict.fromkeys(sorted(step.wanted for step in plan.steps if step.purpose == "scale"))
    rows = []
    for mark in marks:
        here = [(s, v - mark) for s, v in read if s.purpose == "scale" and s.wanted == mark]
        up, down = (tuple(e for s, e in here if s.falling is falling) for falling in (False, True))
        if up or down:
            limit = plan.limits.at(mark) if plan.limits else None
            rows.append(Row(Target(mark, up, down), limit))
    return tuple(rows)


def _results(plan: Plan, read: Sequence[Read], rows: Sequence[Row], uncertainty: float) -> Iterable[Judged]:
    both = uncertainty * sqrt(2.0)
    own, unit = plan.own, plan.unit
    own_source = _OWN if plan.limits is None else _OWN_BESIDE

    def at(mark: float, way: str = "") -> str:
        return f"{_at(mark, unit)}{way}"

    planned = {step.wanted for step in plan.steps if step.purpose == "scale"}
    if plan.limits is not None and any(plan.limits.at(mark) is not None for mark in planned):
        checks = [
            Check(at(row.target.reading, way), error, row.limit, uncertainty)
            for row in rows
            if row.limit is not None
            for way, errors in ((" rising", row.target.up), (" falling", row.target.down))
            if not (
                plan.is_altimeter and way == " falling"
            )  # Table I is read going up; hysteresis has the rest
            for error in errors
        ]
        yield "scale", _result(plan.limits.name, f"{plan.limits.source} ({plan.limits.seen})", checks)
    if own is not None:
        checks = [
            Check(at(row.target.reading, " rising"), error, own, uncertainty)
            for row in rows
            for error in row.target.up
        ]
        yield "scale", _result("scale error, own", own_source, checks)
    reversals = {row.target.reading: b for row in rows if (b := row.target.reversal) is not None}
    halfway = [share * plan.top_ft for share in published.HYSTERESIS_SHARES]
    if plan.is_altimeter and not planned.isdisjoint(halfway):
        checks = [
            Check(at(mark), -reversals[mark], published.HYSTERESIS_FT, both)
            for mark in halfway
            if mark in reversals
        ]
        yield "scale", _result("App. E Table II, hysteresis", published.TABLE_II, checks)
    if own is not None:
        checks = [Check(at(mark), -value, own, both) for mark, value in reversals.items()]
        yield "scale", _result("hysteresis (reversal B), own", own_source, checks)
    before = next((value for step, value in read if step.purpose == "before"), None)
    after = next((value for step, value in read if step.purpose == "after"), None)
    returned = [] if before is None or after is None else [after - before]
    start = at(next(step.wanted for step in plan.steps if step.purpose == "before"))
    if plan.is_altimeter:
        checks = [Check(start, error, published.AFTER_EFFECT_FT, both) for error in returned]
        yield "after", _result("App. E Table II, after effect", published.TABLE_II, checks)
    if own is not None:
        checks = [Check(start, error, own, both) for error in returned]
        yield "after", _result("after effect, own", own_source, checks)
    if any(step.purpose == "friction" for step in plan.steps):
        yield from (("friction", result) for result in _friction(plan, read, both, own_source))
    if any(step.purpose == "setting" for step in plan.steps):
        yield "setting", _setting(read, both)


def _friction(plan: Plan, read: Sequence[Read], both: float, own_source: str) -> Iterable[Result]:
    still = {step.wanted: value for step, value in read if step.purpose == "friction" and not step.tapped}
    changes = {
        step.wanted: value - still[step.wanted]
        for step, value in read
        if step.purpose == "friction" and step.tapped and step.wanted in still
    }
    name = {mark: _at(mark, plan.unit) for mark in changes}
    if plan.friction is not None:
        limits = {mark: plan.friction.at(mark) for mark in changes}
        checks = [
            Check(name[mark], change, limit, both)
            for mark, change in changes.items()
            if (limit := limits[mark]) is not None
        ]
        yield _result(plan.friction.name, f"{plan.friction.source} ({plan.friction.seen})", checks)
    if plan.own is not None:
        checks = [Check(name[mark], change, plan.own, both) for mark, change in changes.items()]
        yield _result("friction (change on tapping), own", own_source, checks)


def _setting(read: Sequence[Read], both: float) -> Result:
    offs = {step.setting_inhg: value - step.wanted for step, value in read if step.purpose == "setting"}
    standard = offs.get(published.STANDARD_INHG)
    checks = [] if standard is None else [
        Check(f"{setting:.2f} inHg", off - standard, published.SETTING_ERROR_FT, both)
        for setting, off in offs.items()
        if setting != published.STANDARD_INHG
    ]  # fmt: skip
    return _result("App. E Table IV, barometric scale", published.SETTING_SOURCE, checks)


def _result(test: str, source: str, checks: Sequence[Check]) -> Result:
    if not checks:
        return Result(test, source, "not done", (), None, "no readings yet")
    verdicts = [check.verdict for check in checks]
    verdict: Verdict = next(v for v in ("fail", "proves nothing", "undecided", "pass") if v in verdicts)
    deciding = [check for check in checks if check.verdict == verdict]
    worst = max(deciding, key=lambda check: abs(check.error) / check.limit)
    remark = ""
    if verdict == "proves nothing":
        remark = (
            f"the reading is uncertain by {worst.uncertainty:.3g}, more than a quarter of {worst.limit:g}, "
            f"at {len(deciding)} of {len(checks)} places: read it finer"
        )
    elif verdict == "undecided":
        remark = f"within {worst.uncertainty:.3g}, the uncertainty of reading, of the limit"
    return Result(test, source, verdict, tuple(checks), worst, remark)


# -- what the errors look like ---------------------------------------------------------------------

_ALIKE = 0.5  # of the tolerance: what a shape may leave over and still explain the errors


def _looks(plan: Plan, pointer: Pointer, rows: Sequence[Row], results: Sequence[Result]) -> Iterable[str]:
    """Sentences on the shape of the errors, for who has to find the cause."""
    up = [(row.target.reading, row.target.mean_up) for row in rows if row.target.up]
    tolerance = plan.own or next((row.limit for row in rows if row.limit is not None), None)
    if len(up) < 3 or tolerance is None:
        return
    unit = plan.unit
    mean = fmean(error for _, error in up)
    centre = fmean(reading for reading, _ in up)
    spread = sum((reading - centre) ** 2 for reading, _ in up)
    slope = sum((reading - centre) * (error - mean) for reading, error in up) / spread
    grows = slope * (up[-1][0] - up[0][0])
    rest = max(abs(error - mean - slope * (reading - centre)) for reading, error in up)
    if abs(grows) > tolerance and rest < _ALIKE * abs(grows):
        turn = pointer.drive.steps_per_turn
        yield (
            f"The error grows evenly, by {100.0 * slope:+.2f} % of the reading: the steps of a turn are "
            f"not what the panel states. {float(turn) / (1.0 + slope):,.1f} steps a turn would fit the "
            f"readings; the panel has {float(turn):,.1f}. Count the teeth of the train."
        )
    elif abs(mean) > _ALIKE * tolerance and max(abs(error - mean) for _, error in up) < _ALIKE * abs(mean):
        yield (
            f"All readings going up are off alike, by {mean:+.3g} {unit}: the pointer is bent, or sits "
            "wrong on its arbor, or its home position is elsewhere."
        )
    reversals = [value for row in rows if (value := row.target.reversal) is not None]
    if reversals and abs(play := fmean(reversals)) > _ALIKE * tolerance:
        face = pointer.face
        deg = abs(play) * abs(face.angles[-1] - face.angles[0]) / (face.high - face.low)
        yield (
            f"Coming down the needle shows {abs(play):.3g} {unit} {'more' if play < 0 else 'less'} than "
            f"going up (about {deg:.1f} degrees): play between motor and pointer that the calibration does "
            "not take up."
        )
    by_name = {result.test: result.verdict for result in results}
    if (
        by_name.get("App. E Table IV, barometric scale") == "fail"
        and by_name.get(published.SCALE_ERROR.name) == "pass"
    ):
        yield "The scale is right and the setting is not: what is set slips, or its own scale is wrong."
