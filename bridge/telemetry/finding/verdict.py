"""How sure it is: candidates that were alike all the time are one, the others are rivals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.finding.clock import Clock, sender_clock
from bridge.telemetry.finding.history import Family
from bridge.telemetry.finding.readings import Reading
from bridge.telemetry.finding.search import Candidate, Fits, Moment, Search, apart
from bridge.telemetry.finding.shapes import Shape

SURE = 0.97
"""Of all weight, that of chance included."""
LIKELY = 0.5
_ALIKE = 0.5
"""Tolerances by which candidates differ that count as one."""
_SAME_BYTES = 2.0
"""The same for those that share bytes: the half of a whole number is a coarser copy of it."""
_VARIED = 4.0
"""Tolerances by which readings must differ before anything is sure."""
_GROUPS_PRIOR = 5.0


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is known of one quantity: the best candidate, those alike so far, rivals (the best of each kind).

    `confidence` is from 0 to 1. `varied` is whether its readings differed enough to tell anything.
    """

    quantity: str
    best: Candidate | None
    alike: tuple[Candidate, ...]
    rivals: tuple[Candidate, ...]
    confidence: float
    varied: bool

    @property
    def sure(self) -> bool:
        """Whether one was found, its readings differed enough, and the confidence is at least `SURE`."""
        return self.best is not None and self.varied and self.confidence >= SURE

    @property
    def word(self) -> str:
        """How sure it is."""
        if self.best is None:
            return "not found"
        if self.sure:
            return "sure"
        return "likely" if self.varied and self.confidence >= LIKELY else "unclear"


@dataclass(frozen=True, slots=True)
class Result:
    """The verdicts of one family in its best shape; `score` is how much they explain (a logarithm).

    `clock` is the sender's own, where it sends one that the layout has to name.
    """

    family: Family
    shape: Shape
    verdicts: tuple[Verdict, ...]
    score: float
    clock: Clock | None

    @property
    def written(self) -> list[Verdict]:
        """Those that go into the layout: sure or likely."""
        return [v for v in self.verdicts if v.best is not None and v.varied and v.confidence >= LIKELY]


def judge(family: Family, moments: Sequence[Moment], catalogue: Catalogue) -> Result | None:
    """What fits in the datagrams of a family; None where it had none when something was read."""
    heard = [moment for moment in moments if moment.time_s in family.kept]
    shapes = family.shapes()
    if not heard or not shapes:
        return None
    found: list[tuple[float, Shape, list[Fits]]] = []
    for shape in shapes:
        findings = Search(family, shape, heard, catalogue).find()
        score = sum(math.log(finding.evidence) for finding in findings)
        score += math.log(_GROUPS_PRIOR) if shape.head["kind"] == "groups" else 0.0
        found.append((score, shape, findings))
    score, shape, findings = max(found, key=lambda one: one[0])
    order = shape.head.get("byte_order")
    other = max((s for s, rival, _ in found if rival.head.get("byte_order") != order), default=-math.inf)
    certainty = 1.0 / (1.0 + math.exp(min(50.0, other - score)))
    readings: dict[str, list[Reading]] = {}
    for moment in heard:
        for reading in moment.readings:
            readings.setdefault(reading.quantity, []).append(reading)
    verdicts = _verdicts(findings, readings, certainty, catalogue)
    taken = [verdict.best.place for verdict in verdicts if verdict.best and verdict.confidence >= LIKELY]
    own = shape.head["kind"] == "mavlink"  # whose decoder knows its clock
    return Result(family, shape, tuple(verdicts), score, None if own else sender_clock(family, shape, taken))


def _verdicts(
    findings: Sequence[Fits],
    readings: Mapping[str, Sequence[Reading]],
    certainty: float,
    catalogue: Catalogue,
) -> list[Verdict]:
    """One for each quantity; no two take different numbers that share bytes."""
    taken: list[Candidate] = []
    verdicts: dict[str, Verdict] = {}
    for finding in sorted(findings, key=lambda one: -one.evidence):
        free = [
            candidate
            for candidate in finding.candidates
            if not any(candidate.index != t.index and candidate.place.overlaps(t.place) for t in taken)
        ]
        verdict = _verdict(finding, free, readings[finding.quantity], certainty, catalogue)
        verdicts[finding.quantity] = verdict
        if verdict.best is not None and verdict.confidence >= LIKELY:
            taken.append(verdict.best)
    return [verdicts[finding.quantity] for finding in findings]


def _verdict(
    finding: Fits,
    free: Sequence[Candidate],
    readings: Sequence[Reading],
    certainty: float,
    catalogue: Catalogue,
) -> Verdict:
    quantity = catalogue[finding.quantity]
    values = [reading.value for reading in readings]
    tolerance = max(reading.tolerance for reading in readings)
    span = max(values) - min(values)
    if quantity.circular:
        span = min(span, quantity.high - quantity.low - span)
    varied = span >= _VARIED * tolerance
    if not free:
        return Verdict(finding.quantity, None, (), (), 0.0, varied)
    best, *others = free
    alike: list[Candidate] = []
    rivals: list[Candidate] = []
    weight = best.weight
    against = 0.0
    for other in others:
        shared = best.place.overlaps(other.place) and best.index != other.index
        allowed = tolerance * (_SAME_BYTES if shared else _ALIKE)
        if apart(quantity, best, other) <= allowed:
            alike.append(other)
            weight += other.weight
            continue
        against += other.weight
        if other.series and all(apart(quantity, rival, other) > tolerance * _ALIKE for rival in rivals):
            rivals.append(other)
    confidence = certainty * weight / (weight + against + finding.chance)
    return Verdict(finding.quantity, best, tuple(alike), tuple(rivals), confidence, varied)


def best_result(results: Sequence[Result]) -> Result | None:
    """The family whose numbers explain most of what was read."""
    return max(results, key=lambda result: result.score, default=None)
