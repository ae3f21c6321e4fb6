"""The sheet as one HTML file that prints well: nothing is fetched."""

from __future__ import annotations

from html import escape

from bridge.faces.svg import document, primitive
from bridge.outputs import MARK
from bridge.proof.published import NOT_AIRWORTHY
from bridge.proof.sheet import HEIGHT_MM, WIDTH_MM, Sheet, Table

_STYLE = """
body { font: 15px/1.4 system-ui, sans-serif; color: #111; }
body { max-width: 200mm; margin: 8mm auto; padding: 0 4mm; }
h1, h2 { line-height: 1.2; } h1 { font-size: 1.5rem; } h2 { font-size: 1.1rem; margin: 6mm 0 2mm; }
.notice { border: 2px solid #d4202a; padding: 2mm 4mm; font-weight: 600; }
.verdict { font-size: 1.15rem; font-weight: 600; }
table { border-collapse: collapse; width: 100%; font-size: 12px; }
th, td { border: 1px solid #999; padding: 1mm 2mm; text-align: left; vertical-align: top; }
th { background: #eee; }
.facts th { width: 42mm; font-weight: 600; } .fail { color: #a01018; font-weight: 700; }
.pass { color: #1d6a35; font-weight: 600; } .open { color: #7a5200; font-weight: 600; }
.scroll { overflow-x: auto; } svg { max-width: 100%; height: auto; } .small { font-size: 12px; }
@page { margin: 12mm; }
@media print {
  body { margin: 0; max-width: none; font-size: 9pt; }
  svg, tr { break-inside: avoid; } h2 { break-after: avoid; }
  .scroll { overflow: visible; }
}
"""
_CLASSES = {"pass": "pass", "fail": "fail"}


def sheet_html(sheet: Sheet) -> str:
    """The whole page."""
    about = "".join(
        f"<tr><th>{escape(name)}</th><td>{escape(text)}</td></tr>\n" for name, text in sheet.facts
    )
    looks = "".join(f"<p>{escape(line)}</p>\n" for line in sheet.looks)
    curve = ""
    if sheet.curve:
        box = (0.0, -HEIGHT_MM, WIDTH_MM, 0.0)
        curve = document(box, [primitive(item) for item in sheet.curve], "Errors over the scale")
    sources = "".join(f"<li>{escape(line)}</li>" for line in sheet.sources)
    untested = "".join(f"<li>{escape(line)}</li>" for line in sheet.untested) or "<li>nothing</li>"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="generator" content="{MARK}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(sheet.title)}</title><style>{_STYLE}</style></head>\n<body>"
        f'<h1>{escape(sheet.title)}</h1>\n<p class="notice">{escape(NOT_AIRWORTHY)}</p>\n'
        f'<p class="verdict">{escape(sheet.verdict[:1].upper() + sheet.verdict[1:])}.</p>\n{looks}'
        f'<table class="facts"><tbody>{about}</tbody></table>\n'
        f"{_table(sheet.tests)}<h2>Errors over the scale</h2>\n{curve}\n"
        f"{_table(sheet.errors)}{_table(sheet.accuracy)}"
        f'<h2>Not tested</h2><ul class="small">{untested}</ul>\n'
        f'<h2>Sources of what is permitted</h2><ul class="small">{sources}</ul></body></html>\n'
    )


def _table(table: Table) -> str:
    head = "".join(f"<th>{escape(cell)}</th>" for cell in table.head)
    rows = "".join(f"<tr>{''.join(map(_cell, row))}</tr>\n" for row in table.rows)
    return (
        f'<h2>{escape(table.title)}</h2><div class="scroll"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>\n"
    )


def _cell(text: str) -> str:
    if text in ("pass", "fail", "undecided", "proves nothing", "not done"):
        return f'<td class="{_CLASSES.get(text, "open")}">{escape(text)}</td>'
    return f"<td>{escape(text)}</td>"
