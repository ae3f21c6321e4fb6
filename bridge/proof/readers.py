"""Who reads the needle, and how well. Readings are in the pointer's unit."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from bridge.calibration.bench import face_marks
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel

ReaderKind = Literal["eye", "virtual", "index"]


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


INDEX_WORDS = (
    "the index sensor of the board, as its mark passes: it sees one place of each turn, on the arbor that "
    "has the mark, and nothing of the needle beyond"
)
NO_PLAY_WORDS = "; a virtual board has no play, so what the calibration takes up of it is seen as hysteresis"


def step_of(pointer: Pointer) -> float:
    """The change of the reading for a motor step, on average over the scale."""
    face = pointer.face
    return abs((face.high - face.low) / pointer.drive.steps(face.angles[-1] - face.angles[0]))


def by_index(pointer: Pointer, is_virtual: bool) -> Reader:
    """The index sensor, which tells a passing mark to a step."""
    step = step_of(pointer)
    words = f"{INDEX_WORDS} (to a step, {step:.3g} {pointer.unit}){NO_PLAY_WORDS if is_virtual else ''}"
    return Reader("index", words, step)


def index_reading(pointer: Pointer, wanted: float, passed_steps: float, falling: bool) -> float:
    """What the pointer shows where `wanted` is to be shown, by where on its path its mark passed.

    At the mark it shows `wanted` for certain, while its path is where it should show something else.
    """
    believed, period = pointer.reading(passed_steps, falling), pointer.face.period
    off = wanted - believed
    return wanted + (off if period is None else off - round(off / period) * period)


VIRTUAL = Reader("virtual", VIRTUAL_WORDS, 0.0)
