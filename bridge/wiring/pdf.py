"""The wiring sheet on paper: cautions, then for each board its diagram and its tables."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from io import BytesIO
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    Flowable,
    KeepTogether,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Table,
    TableStyle,
)

from bridge.faces import font
from bridge.faces.pdf import FONT, MM, draw, register_font
from bridge.faces.sheets import PAPERS, Paper
from bridge.outputs import MARK
from bridge.wiring import tables as rows
from bridge.wiring.cautions import CAUTIONS
from bridge.wiring.diagram import WIDTH_MM, Picture, pictures
from bridge.wiring.sheet import BoardSheet

_PLAIN = "Plain"
_BORDER_MM = 10.0


def sheets_pdf(sheets: Iterable[BoardSheet], paper: Paper, title: str) -> bytes:
    """All boards in one document; the same sheets always produce the same bytes."""
    register_font()
    pdfmetrics.registerFont(TTFont(_PLAIN, str(font.FILE.with_name("Vera.ttf"))))
    width, height = (side * MM for side in PAPERS[paper])
    text = ParagraphStyle("text", fontName=_PLAIN, fontSize=9, leading=12, spaceAfter=3)
    cell = ParagraphStyle("cell", fontName=_PLAIN, fontSize=7, leading=8.5)
    warning = ParagraphStyle("warning", parent=text, fontName=FONT, textColor=HexColor("#a01018"))
    heading = ParagraphStyle("heading", fontName=FONT, fontSize=13, leading=17, spaceAfter=5)
    smaller = ParagraphStyle("smaller", fontName=FONT, fontSize=10, leading=13, spaceBefore=8, spaceAfter=3)
    story: list[Any] = [Paragraph(f"Wiring: {escape(title)}", heading)]
    story.append(Paragraph("Before you wire anything", smaller))
    story += [Paragraph(escape(caution), text, bulletText="!") for caution in CAUTIONS]
    for sheet in sheets:
        story += [PageBreak(), Paragraph(f"Board {escape(sheet.board)} ({escape(sheet.part)})", heading)]
        story += [Paragraph(f"{escape(line)}.", warning) for line in sheet.warnings]
        story += [_Drawing(picture) for picture in pictures(sheet)]
        story.append(PageBreak())
        for table in rows.tables(sheet):
            title_line = Paragraph(f"{escape(table.title)}, board {escape(sheet.board)}", smaller)
            story.append(KeepTogether([title_line, _table(table, cell, width - 2 * _BORDER_MM * MM)]))
    buffer = BytesIO()
    border = _BORDER_MM * MM
    SimpleDocTemplate(
        buffer,
        pagesize=(width, height),
        leftMargin=border - 6,  # a frame of reportlab pads its content by 6 points
        rightMargin=border - 6,
        topMargin=border - 6,
        bottomMargin=border - 6,
        title=f"Wiring: {title}",
        creator=MARK,
        invariant=1,
    ).build(story)
    return buffer.getvalue()


def _table(table: rows.Table, cell: ParagraphStyle, width: float) -> Table:
    widest = [
        max(pdfmetrics.stringWidth(text, face, 7) for text, face in _column(table, i)) + 14
        for i in range(len(table.head))
    ]
    columns = [width * share / sum(widest) for share in widest]
    head = ParagraphStyle("head", parent=cell, fontName=FONT)
    data = [[Paragraph(escape(text), head) for text in table.head]]
    data += [[Paragraph(escape(text), cell) for text in row] for row in table.rows]
    style = TableStyle(
        [
            ("GRID", (0, 0), (-1, -1), 0.4, HexColor("#999999")),
            ("BACKGROUND", (0, 0), (-1, 0), HexColor("#eeeeee")),
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ]
    )
    return Table(data, colWidths=columns, repeatRows=1, style=style)


def _column(table: rows.Table, index: int) -> list[tuple[str, str]]:
    """The texts of a column, each with the name of its font."""
    return [(table.head[index], FONT), *((row[index], _PLAIN) for row in table.rows)]


class _Drawing(Flowable):  # type: ignore[misc]
    """A picture at true scale."""

    def __init__(self, picture: Picture) -> None:
        super().__init__()
        self.picture = picture
        self.width, self.height = WIDTH_MM * MM, picture.height * MM

    def draw(self) -> None:
        self.canv.saveState()
        self.canv.translate(0, self.height)
        self.canv.scale(MM, MM)
        for item in self.picture.items:
            draw(self.canv, item)
        self.canv.restoreState()
