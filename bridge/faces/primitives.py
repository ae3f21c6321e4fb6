"""What a drawing is made of. Millimetres, x right, y up, the pointer's axis at the origin.

Angles are degrees clockwise from 12 o'clock. Pure values: SVG, PDF, DXF and a live page draw the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from math import cos, radians, sin
from typing import Literal

from bridge.panel.face import Colour, SettingWindow

Point = tuple[float, float]


def polar(radius: float, angle_deg: float) -> Point:
    """The point at this radius and angle clockwise from 12 o'clock."""
    angle = radians(angle_deg)
    return radius * sin(angle), radius * cos(angle)


def turned(point: Point, angle_deg: float) -> Point:
    """The point turned clockwise about the origin."""
    c, s = cos(radians(angle_deg)), sin(radians(angle_deg))
    return point[0] * c + point[1] * s, point[1] * c - point[0] * s


def moved(point: Point, by: Point) -> Point:
    """The point moved by so much."""
    return point[0] + by[0], point[1] + by[1]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight stroke with square ends. `name` identifies the mark."""

    start: Point
    end: Point
    width: float
    colour: Colour
    name: str = ""


@dataclass(frozen=True, slots=True)
class Arc:
    """A stroke about `centre`, clockwise from `from_deg` to `to_deg`; `radius` is its middle."""

    radius: float
    from_deg: float
    to_deg: float
    width: float
    colour: Colour
    name: str = ""
    centre: Point = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Text:
    """One line of lettering; its middle is `at`, `height` that of a capital, turned clockwise."""

    at: Point
    text: str
    height: float
    turn_deg: float
    colour: Colour
    name: str = ""


@dataclass(frozen=True, slots=True)
class Circle:
    """A disc: printed when it has a colour, else a line to cut along."""

    centre: Point
    radius: float
    colour: Colour | None = None


@dataclass(frozen=True, slots=True)
class Polygon:
    """A closed outline: printed when it has a colour, else a line to cut along."""

    points: tuple[Point, ...]
    colour: Colour | None = None


@dataclass(frozen=True, slots=True)
class Sector:
    """A piece of a ring about the axis: printed when it has a colour, else a line to cut along."""

    inner: float
    outer: float
    from_deg: float
    to_deg: float
    colour: Colour | None = None


Shape = Circle | Polygon | Sector
Primitive = Line | Arc | Text | Shape
Motion = Literal["still", "turns", "slides"]


class Layer(IntEnum):
    """Order of an assembly, from the back."""

    BACKING = 0
    SLIDING = 1
    BEHIND = 2
    FACE = 3
    POINTERS = 4
    OVERLAY = 5
    BEZEL = 6


@dataclass(frozen=True, slots=True)
class Part:
    """One thing to print and cut: its outline, its holes and what is printed on it.

    `pointer` is the pointer that moves it, in the way that `motion` names; a sliding part is
    `crank_mm` x cos(face angle) above its middle, in the frame of `carried_by`. `pivot` is where the origin
    of its own coordinates, about which it turns, is on the gauge. `flag` is the flag that brings it in sight;
    `setting` marks the altimeter setting, which a page writes and nobody cuts.
    """

    name: str
    layer: Layer
    outline: Shape
    holes: tuple[Shape, ...] = ()
    printed: tuple[Primitive, ...] = ()
    pointer: str | None = None
    motion: Motion = "still"
    crank_mm: float = 0.0
    carried_by: str | None = None
    note: str = ""
    pivot: Point = (0.0, 0.0)
    flag: str | None = None
    setting: SettingWindow | None = None

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, bottom, right and top of the outline."""
        if isinstance(self.outline, Polygon):
            xs, ys = zip(*self.outline.points, strict=True)
            return min(xs), min(ys), max(xs), max(ys)
        x, y = self.outline.centre if isinstance(self.outline, Circle) else (0.0, 0.0)
        r = self.outline.radius if isinstance(self.outline, Circle) else self.outline.outer
        return x - r, y - r, x + r, y + r
