"""The layout file of what was found."""

from __future__ import annotations

from typing import Any

import tomlkit

from bridge.telemetry.finding.verdict import LIKELY, Result, Verdict

_LONGEST_COMMENT = 90


def written_verdicts(result: Result) -> list[Verdict]:
    """Those that go into the file: sure or likely."""
    return [v for v in result.verdicts if v.best is not None and v.varied and v.confidence >= LIKELY]


def layout_text(result: Result) -> str:
    """The TOML of the layout; what is not sure is marked so. Needs a verdict that is to be written."""
    document = tomlkit.document()
    document.add(tomlkit.comment("A datagram layout, found by `pointer-bridge listen --find`."))
    for verdict in result.verdicts:
        if verdict not in written_verdicts(result):
            document.add(tomlkit.comment(f"Not found: {verdict.quantity}."))
    document.add(tomlkit.nl())
    for key, value in _head(result).items():
        document.add(key, value)
    fields = tomlkit.aot()
    for verdict in written_verdicts(result):
        assert verdict.best is not None
        field = tomlkit.table()
        field.add("quantity", verdict.quantity)
        if not verdict.sure:
            field["quantity"].comment(_doubt(verdict))
        for key, value in verdict.best.place.keys:
            field.add(key, list(value) if isinstance(value, tuple) else value)
        if verdict.best.conversion.scale != 1.0:
            field.add("scale", verdict.best.conversion.scale)
        field.add("unit", verdict.best.conversion.unit)
        fields.append(field)
    document.add("fields", fields)
    return tomlkit.dumps(document)


def _head(result: Result) -> dict[str, Any]:
    head = dict(result.shape.head)
    for key in ("begins", "header"):
        if str(head.get(key, "")).startswith("0x"):
            head[key] = "0x" + str(head[key]).encode().hex()
    return head


def _doubt(verdict: Verdict) -> str:
    rivals = ", ".join(f"{rival.place}" for rival in verdict.rivals[:3])
    doubt = f"{verdict.word}, {verdict.confidence:.0%}" + (f"; or {rivals}" if rivals else "")
    return "".join(letter if letter.isprintable() else "?" for letter in doubt)[:_LONGEST_COMMENT]
