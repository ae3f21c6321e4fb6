"""Parts as SVG, in millimetres at true scale. Lettering is drawn as outlines, so no font is needed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import cos, radians
from xml.sax.saxutils import escape, quoteattr

from bridge.faces import font
from bridge.faces.clearance import pen_start, size_of
from bridge.faces.primitives import (
    Arc,
    Circle,
    Layer,
    Line,
    Part,
    Point,
    Polygon,
    Primitive,
    Sector,
    Shape,
    Text,
    moved,
    polar,
)
from bridge.outputs import MARK

COLOURS = {
    "white": "#ffffff",
    "black": "#111111",
    "grey": "#8a8f94",
    "red": "#d4202a",
    "orange": "#e8772e",
    "yellow": "#f2c81e",
    "green": "#1f9d4d",
    "blue": "#3f8fd0",
    "violet": "#7c4fb0",
    "brown": "#7a5230",
}
"""The colours of every drawing, as a screen and a printer take them."""

CUT = "#e000a0"
CUT_MM = 0.1
"""Cut lines: a colour visible on black and white, as fine as prints."""

MARGIN_MM = 2.0


def part_svg(part: Part) -> str:
    """One part as a whole file; the origin of its coordinates is the pointer's axis."""
    body = [primitive(item) for item in part.printed]
    body += [_shape(hole, f'fill="#ffffff" {_CUT_STROKE}') for hole in part.holes]
    body.append(_shape(part.outline, f'fill="none" {_CUT_STROKE}'))
    return document(part.box, body, part.name)


def assembly_svg(parts: Iterable[Part], angles_deg: Mapping[str, float], title: str) -> str:
    """Parts put together with each pointer at its face angle and openings open.

    What lies behind the face is seen within the face's outline only. Identifiers start with `title`,
    so that several drawings can share one page.
    """
    assembly = _Assembly(parts, angles_deg, title)
    groups = [assembly.group(part) for part in assembly.parts]
    behind = "".join(g for part, g in zip(assembly.parts, groups, strict=True) if part.layer < Layer.FACE)
    before = [g for part, g in zip(assembly.parts, groups, strict=True) if part.layer >= Layer.FACE]
    body = [
        f"<defs>{assembly.edge}{''.join(assembly.masks)}</defs>",
        f'<g clip-path="url(#{assembly.prefix}-edge)">{behind}</g>',
        *before,
    ]
    return document(assembly.box, body, title)


@dataclass(frozen=True, slots=True)
class DrawnLayer:
    """A part of an assembly that is one picture: `moving` when anything in it moves, comes or changes.

    `box_mm` is what the picture shows: its left, top, right and bottom edge from the axis, y down.
    """

    moving: bool
    svg: str
    box_mm: tuple[float, float, float, float]


def layers_svg(parts: Iterable[Part], title: str) -> tuple[DrawnLayer, ...]:
    """The assembly as pictures of one size to lay over each other, from the back; pointers at 12 o'clock.

    What never moves is apart from what does, so that a live page redraws only the latter. A moving part's
    group has `data-pointer`, and for a sliding one `data-crank-mm` and `data-carried-by`; a flag's
    `data-flag`, out of sight; the setting's `data-setting` with its unit, to be written at
    `data-x-mm`, `data-y-mm` (down), `data-height-mm` high.
    """
    assembly = _Assembly(parts, {}, title)
    layers = []
    for places, clipped in (
        (range(Layer.FACE), True),
        ((Layer.FACE,), False),
        ((Layer.POINTERS,), False),
        ((Layer.OVERLAY, Layer.BEZEL), False),
    ):
        chosen = [part for part in assembly.parts if part.layer in places]
        if not chosen:
            continue
        assembly.masks.clear()
        body = "".join(assembly.group(part) for part in chosen)
        edge = assembly.edge if clipped else ""
        clip = f' clip-path="url(#{assembly.prefix}-edge)"' if clipped else ""
        drawn = [f"<defs>{edge}{''.join(assembly.masks)}</defs>", f"<g{clip}>{body}</g>"]
        moving = any(part.pointer or part.flag or part.setting for part in chosen)
        layers.append(DrawnLayer(moving, document(assembly.box, drawn, title), shown_mm(assembly.box)))
    return tuple(layers)


class _Assembly:
    """Parts of one gauge from the back to the front, each as a group with its openings masked out."""

    def __init__(self, parts: Iterable[Part], angles_deg: Mapping[str, float], title: str) -> None:
        self.parts = sorted(parts, key=lambda part: part.layer)
        self.prefix = re.sub(r"\W+", "-", title)
        self.masks: list[str] = []
        self._angles_deg = angles_deg
        face = next(part for part in self.parts if part.layer == Layer.FACE)
        self.edge = f'<clipPath id="{self.prefix}-edge">{_shape(face.outline, "")}</clipPath>'
        boxes = [part.box for part in self.parts if part.layer >= Layer.FACE]
        lefts, bottoms, rights, tops = zip(*boxes, strict=True)
        self.box = (min(lefts), min(bottoms), max(rights), max(tops))

    def group(self, part: Part) -> str:
        """The part where its pointer puts it; its mask is added to `masks`."""
        name = f"{self.prefix}-{self.parts.index(part)}"
        left, bottom, right, top = part.box
        area = f'x="{_n(left)}" y="{_n(-top)}" width="{_n(right - left)}" height="{_n(top - bottom)}"'
        openings = "".join(_shape(hole, 'fill="#000000"') for hole in part.holes)
        cover = f'<rect {area} fill="#ffffff"/>{openings}'
        self.masks.append(f'<mask id="{name}" maskUnits="userSpaceOnUse" {area}>{cover}</mask>')
        printed = f'<g mask="url(#{name})">{"".join(primitive(item) for item in part.printed)}</g>'
        moved_by = f" data-pointer={quoteattr(part.pointer)}" if part.pointer else ""
        if part.motion == "slides":
            moved_by += f' data-crank-mm="{_n(part.crank_mm)}"'
            moved_by += f" data-carried-by={quoteattr(part.carried_by)}" if part.carried_by else ""
        if part.flag:
            moved_by += f' data-flag={quoteattr(part.flag)} visibility="hidden"'
        if part.setting:
            window = part.setting
            moved_by += f' data-setting="{window.unit}" data-x-mm="{_n(window.x_mm)}"'
            moved_by += f' data-y-mm="{_n(-window.y_mm)}" data-height-mm="{_n(window.height_mm)}"'
        place = _motion(part, self._angles_deg)
        group = f'<g data-part={quoteattr(part.name)}{moved_by} transform="{place}">{printed}</g>'
        if part.pivot == (0.0, 0.0):
            return group
        return f'<g transform="translate({_p(part.pivot)})">{group}</g>'


_CUT_STROKE = f'stroke="{CUT}" stroke-width="{CUT_MM}"'


def _motion(part: Part, angles_deg: Mapping[str, float]) -> str:
    if part.pointer is None:
        return "rotate(0)"
    angle = angles_deg.get(part.pointer, 0.0)
    if part.motion == "turns":
        return f"rotate({_n(angle)})"
    frame = f"rotate({_n(angles_deg.get(part.carried_by, 0.0))}) " if part.carried_by else ""
    return f"{frame}translate(0 {_n(-part.crank_mm * cos(radians(angle)))})"


def shown_mm(box: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """What a drawing of `box` (left, bottom, right, top; y up) shows: left, top, right, bottom; y down."""
    left, bottom, right, top = box
    return left - MARGIN_MM, -top - MARGIN_MM, right + MARGIN_MM, MARGIN_MM - bottom


def document(box: tuple[float, float, float, float], body: list[str], title: str) -> str:
    """An SVG file at true scale that shows `box` (left, bottom, right, top) and a little margin."""
    left, top, right, bottom = shown_mm(box)
    width, height = right - left, bottom - top
    view = f"{_n(left)} {_n(top)} {_n(width)} {_n(height)}"
    size = f'width="{_n(width)}mm" height="{_n(height)}mm" viewBox="{view}"'
    lines = "\n".join(body)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}>\n<!-- {MARK} -->\n<title>{escape(title)}</title>\n'
        f"{lines}\n</svg>\n"
    )


def primitive(item: Primitive) -> str:
    """One element."""
    if isinstance(item, Line):
        (x1, y1), (x2, y2) = item.start, item.end
        ends = f'x1="{_n(x1)}" y1="{_n(-y1)}" x2="{_n(x2)}" y2="{_n(-y2)}"'
        return f"<line {ends} {_stroke(item.colour, item.width)}{_name(item.name)}/>"
    if isinstance(item, Arc):
        if item.to_deg - item.from_deg >= 360.0:
            ring = f'<circle {_centre(item.centre)} r="{_n(item.radius)}" fill="none"'
            return f"{ring} {_stroke(item.colour, item.width)}{_name(item.name)}/>"
        start = moved(polar(item.radius, item.from_deg), item.centre)
        path = f"M{_p(start)} {_sweep(item.radius, item.from_deg, item.to_deg, item.centre)}"
        return f'<path d="{path}" fill="none" {_stroke(item.colour, item.width)}{_name(item.name)}/>'
    if isinstance(item, Text):
        return _text(item)
    return _shape(item, f'fill="{COLOURS[item.colour or "black"]}"')


def _shape(shape: Shape, paint: str) -> str:
    if isinstance(shape, Circle):
        return f'<circle {_centre(shape.centre)} r="{_n(shape.radius)}" {paint}/>'
    if isinstance(shape, Polygon):
        points = " ".join(_p(point) for point in shape.points)
        return f'<polygon points="{points}" {paint}/>'
    return f'<path d="{_sector(shape)}" {paint}/>'


def _sector(shape: Sector) -> str:
    a, b = shape.from_deg, shape.to_deg
    out = f"M{_p(polar(shape.outer, a))} {_sweep(shape.outer, a, b)}"
    if shape.inner <= 0:
        return f"{out} L0,0 Z"
    return f"{out} L{_p(polar(shape.inner, b))} {_sweep(shape.inner, b, a)} Z"


def _sweep(radius: float, from_deg: float, to_deg: float, centre: Point = (0.0, 0.0)) -> str:
    large = 1 if abs(to_deg - from_deg) > 180.0 else 0
    clockwise = 1 if to_deg > from_deg else 0
    return f"A{_n(radius)},{_n(radius)} 0 {large} {clockwise} {_p(moved(polar(radius, to_deg), centre))}"


def _text(item: Text) -> str:
    scale = size_of(item) / font.units_per_size()
    x, y = pen_start(item)
    place = f"translate({_p(item.at)}) rotate({_n(item.turn_deg)}) translate({_n(x)} {_n(-y)})"
    glyphs, pen = [], 0.0
    for letter in item.text:
        if path := font.outline(letter):
            shift = f' transform="translate({_n(pen)} 0)"' if pen else ""
            glyphs.append(f'<path d="{path}"{shift}/>')
        pen += font.advance(letter) * font.units_per_size()
    return (
        f'<g transform="{place} scale({scale:.7f} {-scale:.7f})" fill="{COLOURS[item.colour]}"'
        f" aria-label={quoteattr(item.text)}{_name(item.name)}>{''.join(glyphs)}</g>"
    )


def _centre(point: Point) -> str:
    return f'cx="{_n(point[0])}" cy="{_n(-point[1])}"'


def _stroke(colour: str, width: float) -> str:
    return f'stroke="{COLOURS[colour]}" stroke-width="{_n(width)}"'


def _name(name: str) -> str:
    return f" data-name={quoteattr(name)}" if name else ""


def _p(point: Point) -> str:
    return f"{_n(point[0])},{_n(-point[1])}"


def _n(value: float) -> str:
    return f"{value + 0.0:.4f}".rstrip("0").rstrip(".")
