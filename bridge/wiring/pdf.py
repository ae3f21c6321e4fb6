"""The wiring sheet on paper: cautions, then for each board its diagram and its tables."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from reportlab.platypus import KeepTogether, PageBreak, Paragraph

from bridge.faces.document import Document, Drawing
from bridge.faces.sheets import Paper
from bridge.wiring import tables as rows
from bridge.wiring.cautions import CAUTIONS
from bridge.wiring.diagram import WIDTH_MM, pictures
from bridge.wiring.sheet import BoardSheet


def sheets_pdf(sheets: Iterable[BoardSheet], paper: Paper, title: str) -> bytes:
    """All boards in one document; the same sheets always produce the same bytes."""
    document = Document(paper)
    story = document.story
    story.append(Paragraph(f"Wiring: {escape(title)}", document.heading))
    story.append(Paragraph("Before you wire anything", document.smaller))
    story += [Paragraph(escape(caution), document.text, bulletText="!") for caution in CAUTIONS]
    for sheet in sheets:
        heading = Paragraph(f"Board {escape(sheet.board)} ({escape(sheet.part)})", document.heading)
        story += [PageBreak(), heading]
        story += [Paragraph(f"{escape(line)}.", document.warning) for line in sheet.warnings]
        story += [Drawing(picture.items, WIDTH_MM, picture.height) for picture in pictures(sheet)]
        story.append(PageBreak())
        for table in rows.tables(sheet):
            title_line = Paragraph(f"{escape(table.title)}, board {escape(sheet.board)}", document.smaller)
            story.append(KeepTogether([title_line, document.table(table.head, table.rows)]))
    return document.built(f"Wiring: {title}")
