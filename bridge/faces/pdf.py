"""Parts on paper: PDF at true scale, with crop marks and a rule that proves the printer's scale."""

from __future__ import annotations

from collections.abc import Iterable
from io import BytesIO
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from bridge.faces import font
from bridge.faces.clearance import pen_start, size_of
from bridge.faces.primitives import (
    Arc,
    Circle,
    Line,
    Part,
    Point,
    Polygon,
    Primitive,
    Sector,
    Shape,
    Text,
    polar,
)
from bridge.faces.sheets import CAPTION_MM, PAPERS, Paper, Placed, laid_out
from bridge.faces.svg import COLOURS, CUT, CUT_MM
from bridge.outputs import MARK

MM = 72.0 / 25.4
"""Points in a millimetre: a PDF's unit is 1/72 inch (ISO 32000-1, 8.3.2.3)."""

RULE_MM = 100.0
RULE_UP_MM = 15.0
FONT = "Lettering"

_CROP_MM = 3.0


def register_font() -> None:
    """Makes the lettering known to reportlab under `FONT`."""
    pdfmetrics.registerFont(TTFont(FONT, str(font.FILE)))


def sheets_pdf(parts: Iterable[tuple[str, Part]], paper: Paper, title: str) -> bytes:
    """All parts on as many sheets as they need. The same parts always produce the same bytes.

    Each entry is a caption and its part. Raises `DescriptionError` for a part larger than the paper.
    """
    register_font()
    width, height = PAPERS[paper]
    buffer = BytesIO()
    canvas: Any = Canvas(buffer, pagesize=(width * MM, height * MM), invariant=1)
    canvas.setTitle(title)
    canvas.setCreator(MARK)
    sheets = laid_out(parts, paper)
    for number, sheet in enumerate(sheets, 1):
        canvas.scale(MM, MM)
        for placed in sheet:
            _placed(canvas, placed)
        _foot(canvas, f"{title}: sheet {number} of {len(sheets)}. Not for a real aircraft.", width)
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _foot(canvas: Any, caption: str, width: float) -> None:
    left, y = (width - RULE_MM) / 2, RULE_UP_MM
    canvas.setStrokeColor(HexColor(COLOURS["black"]))
    canvas.setLineWidth(0.2)
    canvas.line(left, y, left + RULE_MM, y)
    for i in range(int(RULE_MM) // 10 + 1):
        canvas.line(left + 10.0 * i, y, left + 10.0 * i, y + (4.0 if i % 5 == 0 else 2.5))
    canvas.setFillColor(HexColor(COLOURS["black"]))
    canvas.setFont(FONT, 2.6)
    rule = (
        "This rule is 100 mm long. Print at 100 % (no fitting to the page), then measure it before you cut."
    )
    canvas.drawCentredString(width / 2, y - 3.5, rule)
    canvas.drawCentredString(width / 2, y - 7.5, caption)


def _placed(canvas: Any, placed: Placed) -> None:
    canvas.saveState()
    canvas.translate(placed.x, placed.y)
    for item in placed.part.printed:
        draw(canvas, item)
    for hole in placed.part.holes:
        _shape(canvas, hole, fill="#ffffff", cut=True)
    _shape(canvas, placed.part.outline, fill=None, cut=True)
    _crop_marks(canvas, placed)
    canvas.restoreState()


def _crop_marks(canvas: Any, placed: Placed) -> None:
    """Short lines beyond the outline, on its axes where it is round, at its corners where it is not."""
    left, bottom, right, top = placed.part.box
    canvas.setStrokeColor(HexColor(COLOURS["black"]))
    canvas.setLineWidth(0.15)
    gap = 0.8
    for x in (0.0,) if left < 0 < right else ():
        canvas.line(x, top + gap, x, top + gap + _CROP_MM)
        canvas.line(x, bottom - gap, x, bottom - gap - _CROP_MM / 3)
    for y in (0.0,) if bottom < 0 < top else ():
        canvas.line(left - gap, y, left - gap - _CROP_MM, y)
        canvas.line(right + gap, y, right + gap + _CROP_MM, y)
    canvas.setFillColor(HexColor(COLOURS["black"]))
    canvas.setFont(FONT, CAPTION_MM)
    canvas.drawCentredString((left + right) / 2, bottom - gap - _CROP_MM - 0.2, placed.caption)


def draw(canvas: Any, item: Primitive) -> None:
    """Draws one primitive on a canvas whose unit is the millimetre."""
    if isinstance(item, Line):
        _stroke(canvas, item.colour, item.width)
        canvas.line(*item.start, *item.end)
    elif isinstance(item, Arc):
        _stroke(canvas, item.colour, item.width)
        path = canvas.beginPath()
        _arc(path, item.radius, item.from_deg, item.to_deg, start=True, centre=item.centre)
        canvas.drawPath(path)
    elif isinstance(item, Text):
        canvas.saveState()
        canvas.translate(*item.at)
        canvas.rotate(-item.turn_deg)
        canvas.setFillColor(HexColor(COLOURS[item.colour]))
        canvas.setFont(FONT, size_of(item))
        canvas.drawString(*pen_start(item), item.text)
        canvas.restoreState()
    else:
        _shape(canvas, item, fill=COLOURS[item.colour or "black"], cut=False)


def _shape(canvas: Any, shape: Shape, fill: str | None, cut: bool) -> None:
    if fill:
        canvas.setFillColor(HexColor(fill))
    if cut:
        canvas.setStrokeColor(HexColor(CUT))
        canvas.setLineWidth(CUT_MM)
    path = canvas.beginPath()
    if isinstance(shape, Circle):
        path.circle(*shape.centre, shape.radius)
    elif isinstance(shape, Polygon):
        path.moveTo(*shape.points[0])
        for point in shape.points[1:]:
            path.lineTo(*point)
        path.close()
    else:
        _sector(path, shape)
    canvas.drawPath(path, stroke=int(cut), fill=int(fill is not None))


def _sector(path: Any, shape: Sector) -> None:
    _arc(path, shape.outer, shape.from_deg, shape.to_deg, start=True)
    if shape.inner > 0:
        path.lineTo(*polar(shape.inner, shape.to_deg))
        _arc(path, shape.inner, shape.to_deg, shape.from_deg, start=False)
    else:
        path.lineTo(0.0, 0.0)
    path.close()


def _arc(
    path: Any,
    radius: float,
    from_deg: float,
    to_deg: float,
    start: bool,
    centre: Point = (0.0, 0.0),
) -> None:
    """reportlab counts angles counter-clockwise from 3 o'clock."""
    draw = path.arc if start else path.arcTo
    x, y = centre
    draw(x - radius, y - radius, x + radius, y + radius, startAng=90.0 - from_deg, extent=from_deg - to_deg)


def _stroke(canvas: Any, colour: str, width: float) -> None:
    canvas.setStrokeColor(HexColor(COLOURS[colour]))
    canvas.setLineWidth(width)
