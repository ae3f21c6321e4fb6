"""Who reads the needle, and how well. Readings are in the pointer's unit."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from bridge.calibration.bench import face_marks
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel

ReaderKind = Literal["eye", "virtual"]


@dataclass(frozen=True, slots=True)
class Reader:
    """`words` describes it on the sheet; `uncertainty` is how far off a reading may be, either way."""

    kind: ReaderKind
    words: str
    uncertainty: float


VIRTUAL_WORDS = (
    "nobody: where the virtual board has its motor, through the curve in force. It proves the program and "
    "the description, and nothing of a real needle"
)


def by_eye(panel: Panel, pointer: Pointer, who: str, read_to: float | None) -> Reader:
    """A person, who reads to `read_to`, or to half of the smallest division of the face."""
    if read_to is not None:
        return Reader("eye", f"{who}, by eye, to {read_to:g} {pointer.unit} as stated", read_to)
    division = smallest_division(panel, pointer)
    words = f"{who}, by eye, to half of the smallest division ({division:g} {pointer.unit})"
    return Reader("eye", words, division / 2.0)


def smallest_division(panel: Panel, pointer: Pointer) -> float:
    """Between two marks of the face of this pointer, in its unit."""
    gauge = panel.description.gauges[pointer.gauge]
    first = next(iter(gauge.pointers))
    steps = [
        min(step for step in (scale.minor, scale.medium, scale.major) if step)
        for own, sheet in ((pointer.name, gauge.face.cards.get(pointer.name)), (first, gauge.face))
        for scale in (sheet.scales if sheet else ())
        if scale.unit is None
        and (scale.pointer or own) == pointer.name
        and (scale.minor or scale.medium or scale.major)
    ]
    if steps:
        return min(steps)
    marks = face_marks(panel, pointer)
    return min(b - a for a, b in pairwise(marks))


VIRTUAL = Reader("virtual", VIRTUAL_WORDS, 0.0)
