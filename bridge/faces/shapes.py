"""Outlines of pointers and fixed symbols, as polygons of our own drawing.

Each is built from the right half of its profile, top to bottom, and mirrored.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import asin, degrees, sqrt

from bridge.faces.primitives import Point, Polygon, polar, turned
from bridge.panel.face import Colour, Outline, Symbol

_ARC_STEP_DEG = 5.0


def pointer_outline(outline: Outline, length: float) -> Polygon:
    """The pointer's outline, pointing to 12 o'clock, about its axis."""
    hub, half = outline.hub_mm / 2, outline.width_mm / 2
    if outline.shape == "aeroplane":
        return _mirrored(_behind(length, hub))
    arm = min(half, hub * 0.9)
    if outline.shape == "needle":
        blade = [(0.0, length), (arm, _on(hub, arm))]
    elif outline.shape == "sword":
        blade = [(0.0, length), (arm, length - 3 * half), (arm, _on(hub, arm))]
    elif outline.shape == "bar":
        blade = [(arm, length), (arm, _on(hub, arm))]
    elif outline.shape == "rim":
        arm = min(max(0.5, half / 5), hub * 0.9)
        blade = [(0.0, length), (half, length - 2 * half), (arm, length - 2 * half), (arm, _on(hub, arm))]
    else:
        arm = min(1.0, hub * 0.9)
        disc = _arc(half, 0.0, 180.0 - degrees(asin(min(1.0, arm / half))))
        blade = [*((x, y + length) for x, y in disc), (arm, _on(hub, arm))]
    root = degrees(asin(arm / hub))
    tail = min(half * 0.7, hub * 0.9)
    if outline.tail_mm <= hub:
        return _mirrored([*blade, *_arc(hub, root, 180.0)])
    below = [(tail, -_on(hub, tail)), (tail, -outline.tail_mm)]
    return _mirrored([*blade, *_arc(hub, root, 180.0 - degrees(asin(tail / hub))), *below])


def symbol_shape(symbol: Symbol, ink: Colour) -> Polygon:
    """The fixed symbol, at its place."""
    size = symbol.size_mm
    if symbol.shape == "triangle":
        profile: list[Point] = [(0.0, 0.0), (size * 0.45, -size)]
    elif symbol.shape == "bar":
        profile = [(size / 2, max(0.4, size * 0.05)), (size / 2, -max(0.4, size * 0.05))]
    elif symbol.shape == "aeroplane_above":
        profile = [(x * size, y * size) for x, y in _ABOVE]
    else:
        profile = _behind(size / 2, size * 0.07)
    placed = []
    for point in _mirrored(profile).points:
        x, y = turned(point, symbol.turn_deg)
        placed.append((x + symbol.x_mm, y + symbol.y_mm))
    return Polygon(tuple(placed), symbol.colour or ink)


# Right half of an aeroplane of length 1 seen from above, nose up.
_ABOVE = (
    (0.0, 0.5), (0.03, 0.45), (0.045, 0.36), (0.05, 0.22), (0.42, 0.13), (0.44, 0.05), (0.05, 0.03),
    (0.035, -0.31), (0.16, -0.39), (0.165, -0.45), (0.02, -0.45), (0.0, -0.5),
)  # fmt: skip


def _behind(half_span: float, body: float) -> list[Point]:
    """Right half of an aeroplane seen from behind: fin, body, and a wing that thins out to its tip."""
    fin = body * 0.22
    wing = body * 0.45
    return [
        (fin * 0.7, body * 2.2),
        (fin, _on(body, fin)),
        *_arc(body, degrees(asin(fin / body)), 90.0 - degrees(asin(wing / body))),
        (half_span, wing * 0.35),
        (half_span, -wing * 0.35),
        *_arc(body, 90.0 + degrees(asin(wing / body)), 180.0),
    ]


def _on(radius: float, x: float) -> float:
    """Height of a circle about the axis at this x."""
    return sqrt(radius**2 - x**2)


def _arc(radius: float, from_deg: float, to_deg: float) -> list[Point]:
    steps = max(1, round((to_deg - from_deg) / _ARC_STEP_DEG))
    return [polar(radius, from_deg + (to_deg - from_deg) * i / steps) for i in range(steps + 1)]


def _mirrored(right: Iterable[Point]) -> Polygon:
    points = list(right)
    left = [(-x, y) for x, y in reversed(points) if abs(x) > 1e-9]
    return Polygon((*points, *left))
