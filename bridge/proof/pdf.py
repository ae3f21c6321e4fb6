"""The sheet on paper."""

from __future__ import annotations

from html import escape

from reportlab.platypus import KeepTogether, Paragraph

from bridge.faces.document import Document, Drawing
from bridge.faces.sheets import Paper
from bridge.proof.published import NOT_AIRWORTHY
from bridge.proof.sheet import HEIGHT_MM, WIDTH_MM, Sheet, Table


def sheet_pdf(sheet: Sheet, paper: Paper) -> bytes:
    """The whole sheet; the same sheet always produces the same bytes."""
    document = Document(paper)
    story = document.story

    def lines(title: str, texts: tuple[str, ...]) -> None:
        story.append(Paragraph(escape(title), document.smaller))
        story.extend(Paragraph(escape(text), document.text, bulletText="-") for text in texts)

    def titled(table: Table) -> None:
        heading = Paragraph(escape(table.title), document.smaller)
        story.append(KeepTogether([heading, document.table(table.head, table.rows, frozenset({"fail"}))]))

    story.append(Paragraph(escape(sheet.title), document.heading))
    story.append(Paragraph(escape(NOT_AIRWORTHY), document.warning))
    verdict = f"{sheet.verdict[:1].upper()}{sheet.verdict[1:]}."
    story.append(Paragraph(escape(verdict), document.smaller))
    story.extend(Paragraph(escape(look), document.text) for look in sheet.looks)
    story.append(document.table(("what was tested", "and how"), sheet.facts))
    titled(sheet.tests)
    if sheet.curve:
        heading = Paragraph("Errors over the scale", document.smaller)
        story.append(KeepTogether([heading, Drawing(sheet.curve, WIDTH_MM, HEIGHT_MM)]))
    titled(sheet.errors)
    titled(sheet.accuracy)
    lines("Not tested", sheet.untested or ("nothing",))
    lines("Sources of what is permitted", sheet.sources)
    return document.built(sheet.title)
