"""The wiring sheet as one HTML file: drawings inside, nothing fetched."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from bridge.faces.svg import document, primitive
from bridge.outputs import MARK
from bridge.wiring.cautions import CAUTIONS
from bridge.wiring.diagram import Picture, pictures
from bridge.wiring.sheet import BoardSheet
from bridge.wiring.tables import Table, tables

_STYLE = """
body { font: 15px/1.4 system-ui, sans-serif; color: #111; }
body { max-width: 200mm; margin: 8mm auto; padding: 0 4mm; }
h1, h2, h3 { line-height: 1.2; } h2 { border-top: 2px solid #111; padding-top: 4mm; margin-top: 10mm; }
.cautions { border: 2px solid #d4202a; padding: 2mm 6mm; } .warning { color: #a01018; font-weight: 600; }
table { border-collapse: collapse; width: 100%; font-size: 12px; }
th, td { border: 1px solid #999; padding: 1mm 2mm; text-align: left; } th { background: #eee; }
svg { max-width: 100%; height: auto; }
@media print { h2 { break-before: page; } svg, tr { break-inside: avoid; } }
"""


def picture_svg(picture: Picture, title: str) -> str:
    """One drawing as an SVG file."""
    return document(picture.box, [primitive(item) for item in picture.items], title)


def sheets_html(sheets: Iterable[BoardSheet], title: str) -> str:
    """All boards on one page, the cautions first."""
    cautions = "".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)
    body = [f"<h1>Wiring: {escape(title)}</h1>"]
    body.append(f'<section class="cautions"><h3>Before you wire anything</h3><ul>{cautions}</ul></section>')
    for sheet in sheets:
        body.append(f"<h2>Board {escape(sheet.board)} ({escape(sheet.part)})</h2>")
        body += [f'<p class="warning">{escape(warning)}.</p>' for warning in sheet.warnings]
        body += [picture_svg(picture, f"Board {sheet.board}") for picture in pictures(sheet)]
        body += [_table(table) for table in tables(sheet)]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="generator" content="{MARK}">'
        f"<title>Wiring: {escape(title)}</title><style>{_STYLE}</style></head>\n"
        f"<body>{''.join(body)}</body></html>\n"
    )


def _table(table: Table) -> str:
    head = "".join(f"<th>{escape(cell)}</th>" for cell in table.head)
    rows = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>\n" for row in table.rows)
    return f"<h3>{escape(table.title)}</h3><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
