"""What is on the sheet of a test, as rows of text and a drawing: the same for HTML and PDF. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from bridge.faces.axis import ticks
from bridge.faces.primitives import Line, Point, Polygon, Primitive, Text
from bridge.gauges.pointer import Pointer
from bridge.panel.face import Colour
from bridge.panel.load import Panel
from bridge.proof.evaluation import Check, Evaluation, Row
from bridge.proof.metrology import CYCLES, SOURCE
from bridge.proof.plan import Plan
from bridge.proof.readers import Reader
from bridge.proof.record import Record

WIDTH_MM, HEIGHT_MM = 186.0, 72.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 17.0, 4.0, 9.0, 12.0
_HATCH_MM = 1.4
_LEAST_REACH = 0.002  # of the scale: the errors' axis has at least so much either way

At = Callable[[float, float], Point]
"""Where a reading and its error are in the picture."""


@dataclass(frozen=True, slots=True)
class Table:
    """A titled table; every row has as many cells as the head."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """All that is printed, from the top."""

    title: str
    verdict: str
    facts: tuple[tuple[str, str], ...]
    looks: tuple[str, ...]
    tests: Table
    curve: tuple[Primitive, ...]
    errors: Table
    accuracy: Table
    sources: tuple[str, ...]
    untested: tuple[str, ...]


def facts(
    panel: Panel, pointer: Pointer, plan: Plan, record: Record, reader: Reader, board_id: str,
    calibration: str,
) -> tuple[tuple[str, str], ...]:  # fmt: skip
    """What was tested, with what, by whom and when; `calibration` is its file and its day."""
    described = panel.description
    gauge = described.gauges[pointer.gauge]
    drive = described.drives[gauge.pointers[pointer.name].drive]
    motor = panel.motor(pointer)
    board = described.boards[pointer.board]
    train = " x ".join(str(ratio) for ratio in drive.gear_train) or "no wheels of its own"
    turn = pointer.drive.steps_per_turn
    link = "virtual" if board.is_virtual else f"{board.link} {board.port}"
    left = len(plan.steps) - len(record.taken)
    state = "finished" if left <= 0 else f"{left} of {len(plan.steps)} readings are still to be taken"
    return (
        ("gauge", f"{pointer.gauge}, pointer {pointer.name} ({gauge.instrument}, {pointer.indication})"),
        ("panel", f"{described.name} ({panel.path.name})"),
        (
            "drive",
            f"{motor.name}, {train}, microsteps 1/{drive.microsteps}: {float(turn):,.2f} steps a turn, "
            f"at most {drive.speed_steps_s:g} steps/s and {drive.acceleration_steps_s2:g} steps/s²",
        ),
        ("board", f"{pointer.board}, channel {pointer.channel}, {board.part}, {link}, id {board_id}"),
        ("calibration", calibration),
        ("read by", reader.words),
        ("uncertainty of a reading", f"{reader.uncertainty:g} {pointer.unit}"),
        ("test", f"begun {record.begun}, last reading {record.latest or 'none yet'}: {state}"),
        ("passes", f"{plan.cycles} up and down; each reading after {plan.hold_s:g} s at rest"),
    )  # fmt: skip


def sheet(plan: Plan, evaluation: Evaluation, about: Sequence[tuple[str, str]]) -> Sheet:
    """The whole sheet."""
    sources = dict.fromkeys(result.source for result in evaluation.results)
    named = {s: [r.test for r in evaluation.results if r.source == s] for s in sources}
    return Sheet(
        f"Acceptance sheet: {plan.key}",
        headline(evaluation),
        tuple(about),
        evaluation.looks,
        _tests(plan, evaluation),
        tuple(_curve(plan, evaluation.rows)),
        _errors(plan, evaluation.rows),
        _accuracy(plan, evaluation),
        (
            *(f"{'; '.join(tests)}: {source}." for source, tests in named.items()),
            f"reversal, repeatability, deviation, accuracy: {SOURCE}.",
        ),
        (*plan.untested, *evaluation.unread),
    )


def headline(evaluation: Evaluation) -> str:
    """The verdict in words, with the tests that failed."""
    failed = [result.test for result in evaluation.results if result.verdict == "fail"]
    if not evaluation.results:
        return "not judged: there is no published limit, and no tolerance of the builder's"
    return f"failed: {'; '.join(failed)}" if failed else _HEADLINES[evaluation.verdict]


_HEADLINES = {
    "pass": "passed every test that was done",
    "undecided": "undecided: an error is nearer to its limit than the reading can tell",
    "proves nothing": "proves nothing: the reading is too coarse for at least one tolerance",
    "not done": "not all tests are done",
    "fail": "failed",
}


def number(value: float, unit: str = "") -> str:
    """With three digits that count, the sign always there; less than half a thousandth is 0."""
    size = abs(value)
    digits = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 0.1 else 3
    text = f"{value:+,.{digits}f}"
    if not float(text.replace(",", "")):
        text = "0"
    return f"{text} {unit}".strip()


def _tests(plan: Plan, evaluation: Evaluation) -> Table:
    rows: list[tuple[str, ...]] = []
    for result in evaluation.results:
        worst = result.worst
        rows.append(
            (
                result.test,
                result.verdict,
                "" if worst is None else f"{number(worst.error, plan.unit)} at {worst.at}",
                _permitted(result.checks, plan.unit),
                str(len(result.checks)),
                result.remark,
            )
        )
    if not rows:
        rows.append(("none", "not judged", "", "", "0", "no limit to compare with"))
    head = ("test", "verdict", "worst", "permitted", "places", "remark")
    return Table("Tests", head, tuple(rows))


def _permitted(checks: Sequence[Check], unit: str) -> str:
    if not checks:
        return ""
    low, high = min(c.limit for c in checks), max(c.limit for c in checks)
    return f"±{low:g} {unit}" if low == high else f"±{low:g} to {high:g} {unit}"


def _errors(plan: Plan, rows: Sequence[Row]) -> Table:
    unit = plan.unit
    cells = []
    for row in rows:
        target = row.target
        cells.append(
            (
                f"{target.reading:,g}",
                number(target.mean_up) if target.up else "",
                _span(target.up),
                number(target.mean_down) if target.down else "",
                _span(target.down),
                "" if target.reversal is None else number(target.reversal),
                "" if row.limit is None else f"±{row.limit:g}",
                "" if plan.own is None else f"±{plan.own:g}",
            )
        )
    head = (
        f"mark, {unit}",
        "mean rising",
        "from ... to",
        "mean falling",
        "from ... to",
        "reversal",
        "table",
        "own",
    )
    return Table(f"Errors, in {unit} (what was read less what was wanted)", head, tuple(cells))


def _span(errors: Sequence[float]) -> str:
    return f"{number(min(errors))} ... {number(max(errors))}" if len(errors) > 1 else ""


def _accuracy(plan: Plan, evaluation: Evaluation) -> Table:
    a = evaluation.accuracy
    lines = (
        ("reversal B, the largest", a.reversal),
        ("mean reversal", a.mean_reversal),
        ("repeatability R", a.repeatability, a.repeatability_up, a.repeatability_down),
        ("systematic deviation E", a.systematic, a.systematic_up, a.systematic_down),
        ("range of the mean deviation M", a.mean_range),
        ("accuracy A", a.accuracy, a.accuracy_up, a.accuracy_down),
    )
    passes = "1 pass" if plan.cycles == 1 else f"{plan.cycles} passes"
    few = f" From {passes}; the standard asks for {CYCLES}." if plan.cycles < CYCLES else ""
    rows = []
    for words, *values in lines:
        texts = ["not known" if value is None else number(value).lstrip("+") for value in values]
        rows.append((str(words), *texts, *[""] * (3 - len(texts))))
    head = ("figure", "both ways", "rising alone", "falling alone")
    return Table(f"By the definitions of ISO 230-2, in {plan.unit}.{few}", head, tuple(rows))


# -- the curve of errors ---------------------------------------------------------------------------


def _curve(plan: Plan, rows: Sequence[Row]) -> list[Primitive]:
    """Errors over the scale: rising (triangles that point up), falling (down), and what is permitted."""
    if not rows:
        return []
    errors = [error for row in rows for error in (*row.target.up, *row.target.down)]
    limits = [row.limit for row in rows if row.limit is not None]
    # A wide tolerance must not press the errors into a line: the band may leave the picture.
    largest = max([abs(error) for error in errors] + ([plan.own] if plan.own else []))
    low, high = rows[0].target.reading, rows[-1].target.reading
    largest = max(largest, _LEAST_REACH * ((high - low) or 1.0))  # rounding alone must not look like errors
    reach = max(1.15 * largest, min(max(limits, default=0.0), 3.0 * largest) * 1.1)
    width, height = WIDTH_MM - _LEFT - _RIGHT, HEIGHT_MM - _TOP - _BOTTOM

    def at(reading: float, error: float) -> Point:
        share = (reading - low) / ((high - low) or 1.0)
        return _LEFT + share * width, -_TOP - (1.0 - error / reach) * height / 2.0

    drawn: list[Primitive] = []
    _axes(drawn, at, (low, high), reach, plan.unit)
    band = [(row.target.reading, row.limit) for row in rows if row.limit is not None]
    drawn += _band(band, at, reach, width / ((high - low) or 1.0))
    if plan.own is not None and plan.own <= reach:
        for sign in (1.0, -1.0):
            drawn += _dashed(at(low, sign * plan.own), at(high, sign * plan.own))
    for falling in (False, True):
        means = [
            (row.target.reading, row.target.mean_down if falling else row.target.mean_up)
            for row in rows
            if (row.target.down if falling else row.target.up)
        ]
        colour: Colour = "violet" if falling else "blue"
        pairs = pairwise(means)
        drawn += [Line(at(*a), at(*b), 0.3, colour) for a, b in pairs]
        for row in rows:
            for error in row.target.down if falling else row.target.up:
                x, y = at(row.target.reading, error)
                tip = -0.9 if falling else 0.9
                triangle = ((x, y + tip), (x - 0.9, y - tip * 0.7), (x + 0.9, y - tip * 0.7))
                drawn.append(Polygon(triangle, colour))
    _legend(drawn, bool(band), plan.own)
    return drawn


def _axes(drawn: list[Primitive], at: At, ends: tuple[float, float], reach: float, unit: str) -> None:
    low, high = ends
    for error in ticks(-reach, reach, 6):
        start, end = at(low, error), at(high, error)
        drawn.append(Line(start, end, 0.25 if error == 0 else 0.08, "black" if error == 0 else "grey"))
        drawn.append(Text((start[0] - 8.0, start[1]), number(error) if error else "0", 1.7, 0.0, "black"))
    for reading in ticks(low, high, 10):
        x, bottom = at(reading, -reach)
        drawn.append(Line((x, bottom), (x, bottom - 1.5), 0.2, "black"))
        drawn.append(Text((x, bottom - 3.6), f"{reading:,g}", 1.7, 0.0, "black"))
    middle = (at(low, 0)[0] + at(high, 0)[0]) / 2.0
    drawn.append(Text((middle, -HEIGHT_MM + 2.5), f"reading, {unit}", 1.7, 0.0, "black"))
    drawn.append(Text((2.0, at(low, 0)[1]), f"error, {unit}", 1.7, -90.0, "black"))


def _band(band: Sequence[tuple[float, float]], at: At, reach: float, mm_per_unit: float) -> list[Primitive]:
    """What the table permits, hatched: straight between its marks, and only as far as the picture reaches."""
    drawn: list[Primitive] = []
    for (a, limit_a), (b, limit_b) in pairwise(band):
        count = max(1, round((b - a) * mm_per_unit / _HATCH_MM))
        for n in range(count):
            share = (n + 0.5) / count
            limit = min(limit_a + (limit_b - limit_a) * share, reach)
            reading = a + (b - a) * share
            drawn.append(Line(at(reading, -limit), at(reading, limit), 0.05, "green"))
        if max(limit_a, limit_b) <= reach:
            drawn += [Line(at(a, s * limit_a), at(b, s * limit_b), 0.35, "green") for s in (1.0, -1.0)]
    return drawn


def _dashed(start: Point, end: Point) -> list[Primitive]:
    count = max(1, round((end[0] - start[0]) / 3.0))
    at = [start[0] + (end[0] - start[0]) * n / count for n in range(count + 1)]
    return [Line((x, start[1]), (x + 1.8, start[1]), 0.3, "orange") for x in at[:-1]]


def _legend(drawn: list[Primitive], has_band: bool, own: float | None) -> None:
    x, y = _LEFT + 2.0, -3.5
    entries: list[tuple[Colour, str]] = [("blue", "rising"), ("violet", "falling")]
    entries += [("green", "permitted by the table")] if has_band else []
    entries += [("orange", "own tolerance")] if own is not None else []
    for colour, words in entries:
        drawn.append(Line((x, y), (x + 6.0, y), 0.6, colour))
        width = len(words) * 1.7
        drawn.append(Text((x + 8.0 + width / 2.0, y), words, 1.8, 0.0, "black"))
        x += 14.0 + width
