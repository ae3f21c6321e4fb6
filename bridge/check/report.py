"""The findings as a table in the terminal, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from bridge.check.findings import SEVERITIES, Finding, Severity
from bridge.outputs import MARK

_STYLE = {"ok": "green", "note": "cyan", "warning": "yellow", "failure": "bold red"}


def by_severity(findings: Iterable[Finding]) -> list[tuple[Severity, list[Finding]]]:
    """Findings under their severities, the gravest first; in their own order within each."""
    found = list(findings)
    grouped = [(severity, [f for f in found if f.severity == severity]) for severity in reversed(SEVERITIES)]
    return [(severity, group) for severity, group in grouped if group]


def summary(findings: Sequence[Finding]) -> str:
    """How many of each severity."""
    counts = {severity: sum(f.severity == severity for f in findings) for severity in reversed(SEVERITIES)}
    return ", ".join(
        f"{count} {severity}{'s' * (severity != 'ok' and count != 1)}" for severity, count in counts.items()
    )


def terminal(name: str, findings: Sequence[Finding], all_rows: bool) -> RenderableType:
    """One table for each severity, the gravest first; what is ok is only counted without `all_rows`.

    Where a finding is not ok, what it means and how to correct it as well.
    """
    parts: list[RenderableType] = [Text(f"Drive check: {name}", style="bold")]
    shown = [(severity, group) for severity, group in by_severity(findings) if all_rows or severity != "ok"]
    parts += [_table(severity, group) for severity, group in shown]
    hidden = "" if all_rows or all(f.severity != "ok" for f in findings) else " (--all shows what is ok)"
    parts.append(Text(summary(findings) + hidden, style="bold"))
    parts.append(
        Text("Nothing here is for a real aircraft. Values 'from memory' and 'common practice' are only that.")
    )
    return Group(*parts)


def _table(severity: Severity, findings: Iterable[Finding]) -> Table:
    style = _STYLE[severity]
    table = Table(title=severity, title_justify="left", title_style=style, expand=True, show_lines=True)
    table.add_column("of", overflow="fold", max_width=22)
    table.add_column("check", no_wrap=True)
    table.add_column("found, limit, how it was worked out", ratio=1)
    for finding in findings:
        table.add_row(Text(finding.subject), Text(finding.check), _words(finding, style))
    return table


def _words(finding: Finding, style: str) -> Text:
    value = ", ".join(part for part in (finding.found, finding.wanted) if part)
    lines = [Text(value, style="bold"), Text(finding.formula, style="dim")]
    if finding.severity != "ok":
        lines += [Text(finding.text, style=style), Text(finding.cure)]
    return Text("\n").join(line for line in lines if line)


def to_json(name: str, findings: Sequence[Finding]) -> str:
    """All findings with name and counts; numbers in the unit beside them, null where none is."""
    counts = {severity: sum(f.severity == severity for f in findings) for severity in SEVERITIES}
    body = {
        "comment": MARK,
        "name": name,
        "counts": counts,
        "findings": [asdict(finding) for finding in findings],
    }
    return json.dumps(body, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
