"""What can't be printed or read is found here: numerals that overlap, marks that run together.

A text's box is its ink by the font's own measures, turned as drawn.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from math import hypot

from bridge.faces import font
from bridge.faces.primitives import Circle, Line, Point, Polygon, Sector, Shape, Text, polar, turned

CLEAR_MM = 0.3
"""Least distance between a text and its neighbours (common practice, no source)."""

Box = tuple[Point, ...]


def size_of(text: Text) -> float:
    """Type size (mm) for capitals of the text's height."""
    return text.height / font.capital()


def pen_start(text: Text) -> tuple[float, float]:
    """Where the pen starts, from the text's middle, in the text's own frame: its ink is centred."""
    left, _, right, _ = font.extent(text.text)
    return -(left + right) / 2 * size_of(text), -text.height / 2


def text_box(text: Text, margin: float = 0.0) -> Box:
    """The four corners of the text's ink, widened by `margin` on every side."""
    size = size_of(text)
    x, y = pen_start(text)
    left, bottom, right, top = (value * size for value in font.extent(text.text))
    corners = (
        (x + left - margin, y + bottom - margin),
        (x + right + margin, y + bottom - margin),
        (x + right + margin, y + top + margin),
        (x + left - margin, y + top + margin),
    )
    placed = []
    for corner in corners:
        dx, dy = turned(corner, text.turn_deg)
        placed.append((text.at[0] + dx, text.at[1] + dy))
    return tuple(placed)


def line_box(line: Line) -> Box:
    """The four corners of a stroke."""
    dx, dy = line.end[0] - line.start[0], line.end[1] - line.start[1]
    length = hypot(dx, dy)
    nx, ny = -dy / length * line.width / 2, dx / length * line.width / 2
    (x1, y1), (x2, y2) = line.start, line.end
    return ((x1 + nx, y1 + ny), (x2 + nx, y2 + ny), (x2 - nx, y2 - ny), (x1 - nx, y1 - ny))


def overlap(a: Box, b: Box) -> bool:
    """Whether two convex outlines overlap: no line parallel to one of their sides parts them."""
    for box in (a, b):
        for i, (x1, y1) in enumerate(box):
            x2, y2 = box[(i + 1) % len(box)]
            nx, ny = y2 - y1, x1 - x2
            reach_a = [nx * x + ny * y for x, y in a]
            reach_b = [nx * x + ny * y for x, y in b]
            if max(reach_a) <= min(reach_b) or max(reach_b) <= min(reach_a):
                return False
    return True


def crowded(
    texts: Sequence[Text], lines: Sequence[Line], holes: Sequence[Shape], radius: float
) -> Iterator[tuple[Text, str]]:
    """Every text that touches another, a mark, an opening or the edge, and what it touches."""
    boxes = [(text, text_box(text, CLEAR_MM / 2)) for text in texts]
    for (a, box_a), (b, box_b) in combinations(boxes, 2):
        if overlap(box_a, box_b):
            yield b, f"'{b.text}' ({b.name}) over '{a.text}' ({a.name})"
    marks = [(line, line_box(line)) for line in lines]
    openings = [box for hole in holes for box in _convex(hole)]
    for text, box in boxes:
        for line, mark in marks:
            if overlap(box, mark):
                yield text, f"'{text.text}' ({text.name}) over the mark {line.name}"
                break
        if any(overlap(box, opening) for opening in openings):
            yield text, f"'{text.text}' ({text.name}) over an opening"
        if any(hypot(x, y) > radius for x, y in box):
            yield text, f"'{text.text}' ({text.name}) over the edge"


def cut_marks(lines: Sequence[Line], holes: Sequence[Shape]) -> Iterator[Line]:
    """Every mark that an opening cuts into."""
    openings = [box for hole in holes for box in _convex(hole)]
    for line in lines:
        mark = line_box(line)
        if any(overlap(mark, opening) for opening in openings):
            yield line


def _convex(hole: Shape) -> Iterator[Box]:
    """The opening as convex pieces, a little larger where it is round."""
    if isinstance(hole, Polygon):
        yield hole.points
    elif isinstance(hole, Circle):
        corners = (polar(hole.radius * 1.01, i * 15.0) for i in range(24))
        yield tuple((x + hole.centre[0], y + hole.centre[1]) for x, y in corners)
    elif isinstance(hole, Sector):
        pieces = max(1, round((hole.to_deg - hole.from_deg) / 5.0))
        step = (hole.to_deg - hole.from_deg) / pieces
        for i in range(pieces):
            a, b = hole.from_deg + i * step, hole.from_deg + (i + 1) * step
            yield (polar(hole.inner, a), polar(hole.outer, a), polar(hole.outer, b), polar(hole.inner, b))
