"""The marks of one sheet: scales, coloured bands, limits, lettering and openings, by the face's rules."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import ceil, cos, floor, hypot, radians
from typing import TypeVar

from bridge.description import near
from bridge.errors import BridgeError, DescriptionError
from bridge.faces import font
from bridge.faces.clearance import crowded, cut_marks, text_box
from bridge.faces.primitives import (
    Arc,
    Circle,
    Line,
    Point,
    Polygon,
    Primitive,
    Sector,
    Shape,
    Text,
    moved,
    polar,
)
from bridge.faces.shapes import symbol_shape
from bridge.faces.speed_marks import MissingSpeedError, speed_marks
from bridge.gauges.curve import Curve
from bridge.panel.description import Aircraft
from bridge.panel.face import PRINTABLE_MM, Band, Colour, Letters, Limit, Scale, Sheet, Symbol, Window
from bridge.quantities.units import UNITS, convert, make_conversion

EDGE_MM = 1.5
"""Room between the edge of a sheet and its marks where no radius is given."""

_GAP_MM = 1.0
_ROUNDING_MM = 1e-6

Mark = TypeVar("Mark", Band, Limit)


@dataclass(frozen=True, slots=True)
class Hand:
    """What a drawing needs of a pointer: its face curve, the unit of its readings, its length, its pivot."""

    curve: Callable[[float], float]
    """From a reading in `unit` to degrees clockwise from 12 o'clock."""
    unit: str
    length_mm: float = 30.0
    pivot: Point = (0.0, 0.0)
    """In mm from the axis of the face, x right, y up."""


@dataclass(frozen=True, slots=True)
class MarkPlacement:
    """How an angle of the pointer becomes a place on the sheet: an angle, or a height on a sliding card."""

    sign: float
    """1 where a mark is at the pointer's angle, -1 where it is as far the other way."""
    crank_mm: float | None = None

    def __call__(self, angle_deg: float, offset_deg: float) -> float:
        if self.crank_mm is not None:
            return -self.crank_mm * cos(radians(angle_deg))
        return self.sign * angle_deg + offset_deg


face_angles = MarkPlacement(1.0)
"""On the face a mark is where the pointer is."""
card_angles = MarkPlacement(-1.0)
"""On a card it is as far the other way, so that the card's turning brings it to 12 o'clock."""


def slide_heights(crank_mm: float) -> MarkPlacement:
    """On a sliding card it is as high as the crank will lower the card."""
    return MarkPlacement(1.0, crank_mm)


@dataclass(frozen=True, slots=True)
class _Mark:
    """One mark of a scale: its angle or height by `placement`, outer end, colour, name in messages, and the
    axis of its pointer."""

    placement: MarkPlacement
    at: float
    outer_mm: float
    colour: Colour
    name: str
    pivot: Point

    def polar(self, radius_mm: float) -> Point:
        """The point at this radius on the mark's line."""
        return moved(polar(radius_mm, self.at), self.pivot)


class SheetDrawing:
    """Collects what one sheet carries; `items` are its primitives, `holes` what is cut out of it."""

    def __init__(
        self,
        sheet: Sheet,
        hands: Mapping[str, Hand],
        aircraft: Aircraft,
        where: str,
        key: str,
        faults: list[DescriptionError],
        pointer: str | None = None,
        axes: Iterable[Point] = ((0.0, 0.0),),
    ) -> None:
        self.sheet = sheet
        self.hands = hands
        self.aircraft = aircraft
        self.where = where
        self.key = key
        self.faults = faults
        self.pointer = pointer or next(iter(hands))
        self.items: list[Primitive] = []
        self.holes: list[Shape] = list(_openings(sheet, axes))

    def draw(self, place: MarkPlacement) -> None:
        """Bands first, marks over them, lettering and symbols last."""
        bands, limits = list(self.sheet.bands), list(self.sheet.limits)
        band_keys = [f"bands.{i}" for i in range(len(bands))]
        limit_keys = [f"limits.{i}" for i in range(len(limits))]
        marks = self.sheet.speeds
        if marks:
            outer = marks.radius_mm or self.sheet.radius_mm - EDGE_MM
            more_bands: list[Band] = []
            more_limits: list[Limit] = []
            if outer <= 2 * marks.width_mm:
                found = f"two arcs of {marks.width_mm:g} mm inside a radius of {outer:g} mm"
                self._fault("speeds", found, "room for both", "Widen radius_mm, or take less width_mm")
            else:
                try:
                    more_bands, more_limits = speed_marks(self.aircraft, outer, marks.width_mm)
                except MissingSpeedError as missing:
                    self._fault("speeds", str(missing), f"aircraft.{missing.speed}", "Add that speed")
            bands += [self._speed(band, marks.pointer, "low", "high") for band in more_bands]
            limits += [self._speed(limit, marks.pointer, "at") for limit in more_limits]
            band_keys += ["speeds"] * len(more_bands)
            limit_keys += ["speeds"] * len(more_limits)
        for key, band in zip(band_keys, bands, strict=True):
            self._band(key, band, place)
        for i, scale in enumerate(self.sheet.scales):
            self._scale(f"scales.{i}", scale, place)
        for key, limit in zip(limit_keys, limits, strict=True):
            self._limit(key, limit, place)
        for i, letters in enumerate(self.sheet.letters):
            self._letters(f"letters.{i}", letters)
        for i, symbol in enumerate(self.sheet.symbols):
            self._symbol(f"symbols.{i}", symbol)

    def _speed(self, mark: Mark, pointer: str | None, *speeds: str) -> Mark:
        """A mark at speeds in knots, as one of this pointer in the unit of its readings."""
        hand = self.hands.get(pointer or self.pointer)
        unit = hand.unit if hand and UNITS[hand.unit].dimension == UNITS["kt"].dimension else "kt"
        update = {name: convert(getattr(mark, name), "kt", unit) for name in speeds}
        return mark.model_copy(update={**update, "pointer": pointer})

    def check(self) -> None:
        """Notes for each scale and lettering the first that touches something, with how many more do, and the
        first mark that is cut."""
        texts = [item for item in self.items if isinstance(item, Text)]
        lines = [item for item in self.items if isinstance(item, Line)]
        touching: dict[str, list[str]] = {}
        for text, what in crowded(texts, lines, self.holes, self.sheet.radius_mm):
            touching.setdefault(text.name.split(" ")[0], []).append(what)
        for key, whats in touching.items():
            more = f", and {len(whats) - 1} more of it" if len(whats) > 1 else ""
            cure = "Take a larger numeral step, a smaller height, or another place"
            self._fault(key, f"{whats[0]}{more}", "lettering clear of everything else", cure)
        edge = self.sheet.radius_mm + _ROUNDING_MM
        if line := next((line for line in lines if max(hypot(*line.start), hypot(*line.end)) > edge), None):
            found, cure = f"the mark {line.name} beyond the edge", "Take a smaller radius, or move the pivot"
            self._fault(line.name.split(" ")[0], found, f"marks within {self.sheet.radius_mm:g} mm", cure)
        if line := next(cut_marks(lines, self.holes), None):
            found, cure = f"the mark {line.name} over an opening", "Shorten the marks, or move one of the two"
            self._fault(line.name.split(" ")[0], found, "marks clear of openings", cure)

    def _fault(self, key: str, found: str, expected: str, cure: str) -> None:
        self.faults.append(DescriptionError(self.where, f"{self.key}.{key}", found, expected, cure))

    def _hand(self, key: str, pointer: str | None) -> Hand | None:
        hand = self.hands.get(pointer or self.pointer)
        if hand is None:
            found = f"an unknown pointer '{pointer}'"
            self._fault(
                f"{key}.pointer", found, "a pointer of this gauge", near(str(pointer), list(self.hands))
            )
        return hand

    def _within(self, key: str, hand: Hand, low: float, high: float) -> bool:
        """Whether the curve covers these readings; a bounded curve is not defined beyond its ends."""
        curve = hand.curve
        if not isinstance(curve, Curve) or curve.period is not None:
            return True
        slack = 1e-6 * (curve.high - curve.low)
        if curve.low - slack <= low and high <= curve.high + slack:
            return True
        found = f"readings from {low:g} to {high:g} {hand.unit}"
        expected = f"readings on the pointer's curve, {curve.low:g} to {curve.high:g} {hand.unit}"
        self._fault(key, found, expected, "Shorten it, or calibrate the pointer further")
        return False

    def _radius(self, key: str, radius: float | None) -> float:
        if radius is not None and radius > self.sheet.radius_mm:
            found, most = f"a radius of {radius:g} mm", f"{self.sheet.radius_mm:g} mm at most"
            self._fault(f"{key}.radius_mm", found, most, "Bring it inside the edge")
        return radius if radius is not None else self.sheet.radius_mm - EDGE_MM

    def _band(self, key: str, band: Band, place: MarkPlacement) -> None:
        hand = self._hand(key, band.pointer)
        if hand is None or not self._within(key, hand, band.low, band.high):
            return
        middle = self._radius(key, band.radius_mm) - band.width_mm / 2
        ends = sorted(place(hand.curve(reading), 0.0) for reading in (band.low, band.high))
        self.items.append(Arc(middle, ends[0], ends[1], band.width_mm, band.colour, key, hand.pivot))

    def _limit(self, key: str, limit: Limit, place: MarkPlacement) -> None:
        hand = self._hand(key, limit.pointer)
        if hand is None or not self._within(key, hand, limit.at, limit.at):
            return
        outer = self._radius(key, limit.radius_mm)
        angle = place(hand.curve(limit.at), 0.0)
        start, end = (moved(polar(radius, angle), hand.pivot) for radius in (outer, outer - limit.length_mm))
        self.items.append(Line(start, end, limit.width_mm, limit.colour, f"{key} {limit.at:g}"))

    def _scale(self, key: str, scale: Scale, place: MarkPlacement) -> None:
        hand = self._hand(key, scale.pointer)
        if hand is None:
            return
        try:
            to_unit = make_conversion(scale.unit or hand.unit, hand.unit)
        except BridgeError as error:
            self._fault(f"{key}.unit", str(error), f"a unit like {hand.unit}", "Change the unit")
            return
        if not self._within(key, hand, to_unit(scale.low), to_unit(scale.high)):
            return
        outer = self._radius(key, scale.radius_mm)
        colour = scale.colour or self.sheet.ink
        taken: set[float] = set()
        marks: list[tuple[float, int]] = []
        ranks, numerals = _ranks(scale), dict(_numerals(scale))
        for reading in sorted({*ranks, *numerals}):
            at = place(hand.curve(to_unit(float(reading))), scale.offset_deg)
            if place.crank_mm is None:
                # A full circle's last mark falls on its first: one of the two is enough.
                if round(at, 6) % 360.0 in taken:
                    continue
                taken.add(round(at, 6) % 360.0)
            mark = _Mark(place, at, outer, colour, f"{key} {float(reading):g}", hand.pivot)
            rank = ranks.get(reading)
            if rank is not None:
                marks.append((at, rank))
                self.items.append(_drawn(scale, rank, mark))
            text = numerals.get(reading)
            if text and self._drawable(key, text):
                self.items += _numeral(scale, text, mark)
        self._apart(key, scale, marks, place, outer)

    def _letters(self, key: str, letters: Letters) -> None:
        if self._drawable(key, letters.text):
            colour = letters.colour or self.sheet.ink
            at = (letters.x_mm, letters.y_mm)
            self.items.append(Text(at, letters.text, letters.height_mm, letters.turn_deg, colour, key))

    def _symbol(self, key: str, symbol: Symbol) -> None:
        shape = symbol_shape(symbol, self.sheet.ink)
        reach = max(hypot(*point) for point in shape.points)
        if reach > self.sheet.radius_mm + _ROUNDING_MM:
            found = f"a symbol that reaches {reach:.1f} mm from the middle"
            cure = "Move it inside, or turn it"
            self._fault(key, found, f"at most {self.sheet.radius_mm:g} mm, the edge", cure)
        self.items.append(shape)

    def _drawable(self, key: str, text: str) -> bool:
        if font.has(text):
            return True
        self._fault(key, f"the text {text!r}", "letters that the font has", "Write it in Latin letters")
        return False

    def _apart(
        self, key: str, scale: Scale, marks: list[tuple[float, int]], place: MarkPlacement, outer: float
    ) -> None:
        """Refuses marks with less than a printable gap between them at their inner ends."""
        ordered = sorted(marks)
        for (a, rank_a), (b, rank_b) in pairwise(ordered):
            shorter = 0.0 if scale.dot_mm else min(scale.lengths_mm[rank_a], scale.lengths_mm[rank_b])
            apart = b - a if place.crank_mm is not None else (outer - shorter) * radians(b - a)
            gap = apart - (scale.dot_mm or (scale.widths_mm[rank_a] + scale.widths_mm[rank_b]) / 2)
            if gap < PRINTABLE_MM:
                found = f"marks with a gap of {max(gap, 0.0):.2f} mm"
                cure = "Take a larger step or finer marks, or spread the readings on the curve"
                self._fault(key, found, f"a gap of {PRINTABLE_MM:g} mm or more", cure)
                return


def _drawn(scale: Scale, rank: int, mark: _Mark) -> Line | Circle:
    """The mark as a stroke, or as a dot with its middle at the scale's radius."""
    length, width = scale.lengths_mm[rank], scale.widths_mm[rank]
    if scale.dot_mm:
        return Circle(mark.polar(mark.outer_mm), scale.dot_mm / 2, mark.colour)
    if mark.placement.crank_mm is not None:
        return Line((-length / 2, mark.at), (length / 2, mark.at), width, mark.colour, mark.name)
    return Line(mark.polar(mark.outer_mm), mark.polar(mark.outer_mm - length), width, mark.colour, mark.name)


def _numeral(scale: Scale, text: str, mark: _Mark) -> list[Text]:
    """The numeral inside its mark; on a sliding card one on each side."""
    left, bottom, right, top = _box(text, scale.numeral_mm)
    width, height = right - left, top - bottom
    if mark.placement.crank_mm is not None:
        x = scale.lengths_mm[0] / 2 + _GAP_MM + width / 2
        return [
            Text((side * x, mark.at), text, scale.numeral_mm, 0.0, mark.colour, mark.name) for side in (-1, 1)
        ]
    east, north = (abs(value) for value in polar(1.0, mark.at))
    reach = height / 2 if scale.radial else width / 2 * east + height / 2 * north
    radius = scale.numeral_radius_mm or mark.outer_mm - scale.lengths_mm[0] - _GAP_MM - reach
    turn = mark.at + scale.numeral_turn_deg if scale.radial else 0.0
    return [Text(mark.polar(radius), text, scale.numeral_mm, turn, mark.colour, mark.name)]


def _ranks(scale: Scale) -> dict[Fraction, int]:
    """Every reading with a mark, and whether it is a major (0), medium (1) or minor (2) one."""
    ranks: dict[Fraction, int] = {Fraction(str(reading)): 0 for reading in scale.at}
    for rank, step in enumerate((scale.major, scale.medium, scale.minor)):
        for reading in _multiples(step, scale):
            ranks[reading] = min(rank, ranks.get(reading, rank))
    return ranks


def _numerals(scale: Scale) -> Iterator[tuple[Fraction, str]]:
    for reading in _multiples(scale.numerals, scale):
        shown = reading / Fraction(str(scale.numeral_divisor))
        yield reading, f"{float(shown if scale.signed else abs(shown)):g}"
    yield from ((Fraction(reading), text) for reading, text in scale.names.items())


def _multiples(step: float | None, scale: Scale) -> Iterator[Fraction]:
    if step:
        exact = Fraction(str(step))
        first, last = ceil(Fraction(str(scale.low)) / exact), floor(Fraction(str(scale.high)) / exact)
        yield from (exact * n for n in range(first, last + 1))


def _box(text: str, height: float) -> tuple[float, float, float, float]:
    corners = text_box(Text((0.0, 0.0), text, height, 0.0, "white"))
    xs, ys = zip(*corners, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def opening(window: Window, wider_mm: float = 0.0, colour: Colour | None = None) -> Polygon:
    """A window's outline, or the rectangle that is wider on every side."""
    x, y, w, h = window.x_mm, window.y_mm, window.width_mm / 2 + wider_mm, window.height_mm / 2 + wider_mm
    return Polygon(((x - w, y + h), (x + w, y + h), (x + w, y - h), (x - w, y - h)), colour)


def _openings(sheet: Sheet, axes: Iterable[Point]) -> Iterator[Shape]:
    if sheet.centre_hole_mm:
        yield from (Circle(axis, sheet.centre_hole_mm / 2) for axis in axes)
    for hole in sheet.holes:
        yield Circle((hole.x_mm, hole.y_mm), hole.diameter_mm / 2)
    yield from (opening(window) for window in sheet.windows)
    for slot in sheet.slots:
        yield Sector(slot.inner_mm, slot.outer_mm, slot.from_deg, slot.to_deg)
    if sheet.screws:
        for i in range(sheet.screws.count):
            place = polar(sheet.screws.circle_mm / 2, sheet.screws.first_deg + i * 360.0 / sheet.screws.count)
            yield Circle(place, sheet.screws.hole_mm / 2)
