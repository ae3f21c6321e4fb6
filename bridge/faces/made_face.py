"""A face for a gauge that describes none: marks and numerals from the scales of its pointers.

Candidates are tried from the fullest to the plainest; the first that can be printed and read is taken.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import product
from math import floor, log10

from bridge.errors import DescriptionErrors
from bridge.faces import font
from bridge.faces.geometry import Gauge, gauge_parts
from bridge.faces.marks import Hand
from bridge.gauges.curve import Curve
from bridge.panel.face import Face, Letters, Outline, Scale

_ROOM_MM = 10.0
"""Between the tip of the longest pointer and the edge."""
_INNER_MM = 13.0
"""By which a second scale is inside the first, where both are in the same direction."""
_MOST_NUMERALS = 10
_NUMERALS_MM = (5.0, 4.0, 3.0)
_PARTS = (5, 2, 1)
"""Into how many parts minor marks divide the way between two numerals."""
_TITLE_MM = 2.4
_LARGE = 10_000.0
"""Numerals from here on are written in thousands."""
_SHAPES = ("needle", "sword", "rim")


def made_face(gauge: Gauge, indications: Mapping[str, str]) -> Face:
    """A face from the scales of these pointers, named with what each shows: at most two of them, one for each
    quantity. A plain one, with the pointers alone, where none can be read."""
    radius = max(hand.length_mm for hand in gauge.hands.values()) + _ROOM_MM
    plain = Face(
        diameter_mm=2 * radius,
        pointers={name: _outline(number, hand) for number, (name, hand) in enumerate(gauge.hands.items())},
    )
    first = {what: name for name, what in reversed(list(indications.items()))}
    scaled = [name for name in indications if name in first.values()][:2]
    for count in range(len(scaled), 0, -1):
        for title in (gauge.name.upper().replace("_", " "), ""):
            for face in _candidates(plain, gauge, scaled[:count], title):
                try:
                    gauge_parts(replace(gauge, face=face))
                except DescriptionErrors:
                    continue
                return face
    return plain


def _candidates(plain: Face, gauge: Gauge, scaled: list[str], title: str) -> Iterator[Face]:
    hands = [gauge.hands[name] for name in scaled]
    steps = [list(_steps(*_ends(hand), hand.unit)) for hand in hands]
    inner_mm = _INNER_MM if len(hands) > 1 and _meet(*hands) else 0.0
    for coarser, size_mm, parts in product(range(max(map(len, steps))), _NUMERALS_MM, _PARTS):
        scales, units = [], []
        for number, (name, hand, each) in enumerate(zip(scaled, hands, steps, strict=True)):
            low, high = _ends(hand)
            step = each[min(coarser, len(each) - 1)]
            divisor = 1000.0 if max(abs(low), abs(high)) >= _LARGE and step >= 100.0 else 1.0
            units.append(f"1000 {hand.unit}" if divisor > 1.0 else "" if hand.unit == "1" else hand.unit)
            scales.append(
                Scale(
                    pointer=name,
                    low=low,
                    high=high,
                    major=step,
                    minor=step / parts if parts > 1 else None,
                    numerals=step,
                    numeral_divisor=divisor,
                    numeral_mm=size_mm,
                    radius_mm=plain.radius_mm - 1.5 - number * inner_mm,
                )
            )
        words = [(title, -0.3 * plain.radius_mm), (", ".join(filter(None, units)), -0.42 * plain.radius_mm)]
        letters = tuple(
            Letters(text=text, y_mm=y_mm, height_mm=_fitted_mm(text, 0.9 * plain.radius_mm))
            for text, y_mm in words
            if title and text and font.has(text)
        )
        yield plain.model_copy(update={"scales": tuple(scales), "letters": letters})


def _fitted_mm(text: str, width_mm: float) -> float:
    """The height of a line that takes no more than this width."""
    left, _, right, _ = font.extent(text)
    return min(_TITLE_MM, width_mm * font.capital() / max(right - left, 1e-6))


def _ends(hand: Hand) -> tuple[float, float]:
    """The readings that the pointer's scale has; of an endless one those of a turn."""
    curve = hand.curve
    assert isinstance(curve, Curve)
    return (0.0, curve.period) if curve.period is not None else (curve.low, curve.high)


def _meet(one: Hand, other: Hand) -> bool:
    """Whether the scales of two pointers have a direction in common."""
    (a, b), (c, d) = (sorted(map(hand.curve, _ends(hand))) for hand in (one, other))
    return (c - a) % 360.0 <= b - a or (a - c) % 360.0 <= d - c


def _steps(low: float, high: float, unit: str) -> Iterator[float]:
    """Steps between numerals, from the finest sensible one on: 1, 2, 5, 30, 45, 90 degrees."""
    span = high - low
    digits = (3.0, 4.5, 9.0) if unit == "deg" and span >= 90.0 else (1.0, 2.0, 5.0)
    power = floor(log10(span)) - 2
    for exponent in range(power, power + 4):
        for digit in digits:
            step = float(f"{digit}e{exponent}")
            if 1.0 <= span / step <= _MOST_NUMERALS:
                yield step


def _outline(number: int, hand: Hand) -> Outline:
    shape = _SHAPES[min(number, len(_SHAPES) - 1)]
    return Outline.model_validate({"shape": shape, "tail_mm": min(10.0, 0.3 * hand.length_mm)})
