"""Documents on paper: styles, tables and drawings for reportlab's flow of pages, alike in all of them."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from io import BytesIO
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Table, TableStyle

from bridge.faces import font
from bridge.faces.pdf import FONT, MM, draw, register_font
from bridge.faces.primitives import Primitive
from bridge.faces.sheets import PAPERS, Paper
from bridge.outputs import MARK

_PLAIN = "Plain"
_WARNING = "#a01018"
_BORDER_MM = 10.0
_PADDING = 6.0  # points that a frame of reportlab adds on each side


class Document:
    """One document in the making; the same contents always produce the same bytes."""

    def __init__(self, paper: Paper) -> None:
        register_font()
        pdfmetrics.registerFont(TTFont(_PLAIN, str(font.FILE.with_name("Vera.ttf"))))
        self._size = tuple(side * MM for side in PAPERS[paper])
        self.width = self._size[0] - 2 * _BORDER_MM * MM
        """Of what a page holds, in points."""
        self.text = ParagraphStyle("text", fontName=_PLAIN, fontSize=9, leading=12, spaceAfter=3)
        self.warning = ParagraphStyle(
            "warning", parent=self.text, fontName=FONT, textColor=HexColor(_WARNING)
        )
        self.heading = ParagraphStyle("heading", fontName=FONT, fontSize=13, leading=17, spaceAfter=5)
        self.smaller = ParagraphStyle(
            "smaller", fontName=FONT, fontSize=10, leading=13, spaceBefore=8, spaceAfter=3
        )
        self._cell = ParagraphStyle("cell", fontName=_PLAIN, fontSize=7, leading=8.5)
        self._head = ParagraphStyle("head", parent=self._cell, fontName=FONT)
        self._strong = ParagraphStyle("strong", parent=self._head, textColor=HexColor(_WARNING))
        self.story: list[Any] = []

    def table(
        self, head: Sequence[str], rows: Sequence[Sequence[str]], strong: frozenset[str] = frozenset()
    ) -> Table:
        """A table as wide as the page; columns share it by their widest text. `strong` texts stand out."""
        widest = [
            max(pdfmetrics.stringWidth(text, face, 7) for text, face in _column(head, rows, i)) + 14
            for i in range(len(head))
        ]
        columns = [self.width * share / sum(widest) for share in widest]
        data = [[Paragraph(escape(text), self._head) for text in head]]
        data += [
            [Paragraph(escape(text), self._strong if text in strong else self._cell) for text in row]
            for row in rows
        ]
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

    def built(self, title: str) -> bytes:
        """The whole document."""
        buffer = BytesIO()
        border = _BORDER_MM * MM - _PADDING
        SimpleDocTemplate(
            buffer,
            pagesize=self._size,
            leftMargin=border,
            rightMargin=border,
            topMargin=border,
            bottomMargin=border,
            title=title,
            creator=MARK,
            invariant=1,
        ).build(self.story)
        return buffer.getvalue()


def _column(head: Sequence[str], rows: Sequence[Sequence[str]], index: int) -> list[tuple[str, str]]:
    """The texts of a column, each with the name of its font."""
    return [(head[index], FONT), *((row[index], _PLAIN) for row in rows)]


class Drawing(Flowable):  # type: ignore[misc]
    """Primitives at true scale; the origin is the top left corner, y up."""

    def __init__(self, items: Sequence[Primitive], width_mm: float, height_mm: float) -> None:
        super().__init__()
        self._items = items
        self.width, self.height = width_mm * MM, height_mm * MM

    def draw(self) -> None:
        """As `Flowable.draw`, which reportlab calls with the canvas at the lower left corner."""
        self.canv.saveState()
        self.canv.translate(0, self.height)
        self.canv.scale(MM, MM)
        for item in self._items:
            draw(self.canv, item)
        self.canv.restoreState()
