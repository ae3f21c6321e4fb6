"""The findings as one self-contained HTML page that prints well."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from bridge.check.findings import Finding
from bridge.check.report import by_severity, summary
from bridge.outputs import MARK

_STYLE = """
body { font: 15px/1.45 system-ui, sans-serif; color: #1c2430; background: #fff; margin: 2rem auto;
  max-width: 64rem; padding: 0 1rem; }
h1 { font-size: 1.5rem; } h2 { font-size: 1.1rem; margin: 2rem 0 .4rem; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .35rem .6rem; border-bottom: 1px solid #d8dde4; }
th { font-weight: 600; color: #556; } td.number { white-space: nowrap; }
.formula { color: #556; font-size: .85em; overflow-wrap: anywhere; }
.mark { font-weight: 600; } .ok .mark { color: #1d7a3a; } .note .mark { color: #1f6f8b; }
.warning .mark { color: #96650a; } .failure .mark { color: #b3261e; } tr.failure { background: #fdeeec; }
@media print { body { margin: 0; font-size: 9pt; } tr { break-inside: avoid; } }
"""


def to_html(name: str, findings: Sequence[Finding]) -> str:
    """The whole page."""
    heads = "".join(f"<th>{head}</th>" for head in ("of", "check", "found", "limit", "what it means"))
    sections = "".join(
        f'<h2 class="{severity}"><span class="mark">{severity}</span></h2>\n'
        f"<table>\n<thead><tr>{heads}</tr></thead>\n"
        f"<tbody>\n{''.join(map(_row, group))}</tbody>\n</table>\n"
        for severity, group in by_severity(findings)
    )
    title = escape(f"Drive check: {name}")
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{title}</title>\n'
        f'<meta name="generator" content="{MARK}">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n<style>{_STYLE}</style>\n'
        f"</head>\n<body>\n<h1>{title}</h1>\n<p>{escape(summary(findings))}. Nothing here is for a real"
        " aircraft. Values ‘from memory’ and ‘common practice’ are only that: measure your own parts.</p>\n"
        f"{sections}</body>\n</html>\n"
    )


def _row(finding: Finding) -> str:
    cure = f" <strong>{escape(finding.cure)}</strong>" if finding.cure else ""
    formula = f'<div class="formula">{escape(finding.formula)}</div>' if finding.formula else ""
    return (
        f'<tr class="{finding.severity}"><td class="mark">{escape(finding.subject)}</td>'
        f'<td>{escape(finding.check)}</td><td class="number">{escape(finding.found)}</td>'
        f'<td class="number">{escape(finding.wanted)}</td>'
        f"<td>{escape(finding.text)}{cure}{formula}</td></tr>\n"
    )
