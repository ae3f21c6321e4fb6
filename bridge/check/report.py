"""The findings as a table in the terminal, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from itertools import groupby

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from bridge.check.findings import SEVERITIES, Finding
from bridge.outputs import MARK

_STYLE = {"ok": "green", "note": "cyan", "warning": "yellow", "failure": "bold red"}


def by_subject(findings: Iterable[Finding]) -> list[tuple[str, list[Finding]]]:
    """Findings under their subjects, in the order in which the subjects first come."""
    found = list(findings)
    order = {finding.subject: None for finding in found}
    place = {subject: i for i, subject in enumerate(order)}
    ordered = sorted(found, key=lambda finding: place[finding.subject])
    return [(subject, list(group)) for subject, group in groupby(ordered, key=lambda f: f.subject)]


def summary(findings: Sequence[Finding]) -> str:
    """How many of each severity."""
    counts = {severity: sum(f.severity == severity for f in findings) for severity in reversed(SEVERITIES)}
    return ", ".join(f"{count} {severity}" for severity, count in counts.items())


def terminal(name: str, findings: Sequence[Finding]) -> RenderableType:
    """One table for each subject; where a finding is not ok, what it means and how to correct it as well."""
    parts: list[RenderableType] = [Text(f"Drive check: {name}", style="bold")]
    parts += [_table(subject, group) for subject, group in by_subject(findings)]
    parts.append(Text(summary(findings), style="bold"))
    parts.append(
        Text("Nothing here is for a real aircraft. Values 'from memory' and 'common practice' are only that.")
    )
    return Group(*parts)


def _table(subject: str, findings: Iterable[Finding]) -> Table:
    table = Table(title=subject, title_justify="left", title_style="bold", expand=True, show_lines=True)
    table.add_column("check", no_wrap=True)
    table.add_column("", no_wrap=True)
    table.add_column("found, limit, how it was worked out", ratio=1)
    for finding in findings:
        style = _STYLE[finding.severity]
        table.add_row(Text(finding.check), Text(finding.severity, style=style), _words(finding, style))
    return table


def _words(finding: Finding, style: str) -> Text:
    value = ", ".join(part for part in (finding.found, finding.wanted) if part)
    lines = [Text(value, style="bold"), Text(finding.formula, style="dim")]
    if finding.severity != "ok":
        lines += [Text(finding.says, style=style), Text(finding.cure)]
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
