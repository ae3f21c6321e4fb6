"""Outlines and holes as DXF for a laser or a mill: nothing printed, circles and arcs kept as such."""

from __future__ import annotations

from io import SEEK_END, StringIO

from ezdxf import units
from ezdxf.filemanagement import new
from ezdxf.layouts.layout import Modelspace

from bridge.faces.primitives import Circle, Part, Polygon, Shape, polar
from bridge.outputs import MARK

OUTLINE = "OUTLINE"
HOLES = "HOLES"


def part_dxf(part: Part) -> str:
    """The part's cut lines in mm, the axis at the origin; outline and holes on their own layers."""
    drawing = new("R2010", units=units.MM)
    drawing.layers.add(OUTLINE, color=1)
    drawing.layers.add(HOLES, color=5)
    space = drawing.modelspace()
    _add(space, part.outline, OUTLINE)
    for hole in part.holes:
        _add(space, hole, HOLES)
    stream = StringIO(f"999\n{MARK}\n")  # group code 999 is a comment
    stream.seek(0, SEEK_END)
    drawing.write(stream)
    return stream.getvalue()


def _add(space: Modelspace, shape: Shape, layer: str) -> None:
    attributes = {"layer": layer}
    if isinstance(shape, Circle):
        space.add_circle(shape.centre, shape.radius, dxfattribs=attributes)
    elif isinstance(shape, Polygon):
        space.add_lwpolyline(shape.points, close=True, dxfattribs=attributes)
    else:
        # DXF arcs run counter-clockwise from 3 o'clock.
        start, end = 90.0 - shape.to_deg, 90.0 - shape.from_deg
        for radius in (shape.inner, shape.outer):
            space.add_arc((0.0, 0.0), radius, start, end, dxfattribs=attributes)
        for angle in (shape.from_deg, shape.to_deg):
            space.add_line(polar(shape.inner, angle), polar(shape.outer, angle), dxfattribs=attributes)
