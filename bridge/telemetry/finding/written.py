"""The layout file of what was found."""

from __future__ import annotations

from typing import Any

import tomlkit
from tomlkit.items import Table

from bridge.telemetry.conversion import TIME
from bridge.telemetry.finding.shapes import Place
from bridge.telemetry.finding.verdict import Result, Verdict

_LONGEST_COMMENT = 90


def layout_text(result: Result) -> str:
    """The TOML of the layout; what is not sure is marked so. Needs a verdict that is to be written."""
    document = tomlkit.document()
    document.add(tomlkit.comment("A datagram layout, found by `pointer-bridge listen --find`."))
    for verdict in result.verdicts:
        if verdict not in result.written:
            document.add(tomlkit.comment(f"Not found: {verdict.quantity}."))
    document.add(tomlkit.nl())
    for key, value in _head(result).items():
        document.add(key, value)
    fields = tomlkit.aot()
    if result.clock is not None:
        field = _field(TIME, result.clock.place, result.clock.scale, result.clock.unit)
        field["quantity"].comment("the sender's own clock")
        fields.append(field)
    for verdict in result.written:
        assert verdict.best is not None
        conversion = verdict.best.conversion
        field = _field(verdict.quantity, verdict.best.place, conversion.scale, conversion.unit)
        if not verdict.sure:
            field["quantity"].comment(_doubt(verdict))
        fields.append(field)
    document.add("fields", fields)
    return tomlkit.dumps(document)


def _field(quantity: str, place: Place, scale: float, unit: str) -> Table:
    field = tomlkit.table()
    field.add("quantity", quantity)
    for key, value in place.keys:
        field.add(key, list(value) if isinstance(value, tuple) else value)
    if scale != 1.0:
        field.add("scale", scale)
    field.add("unit", unit)
    return field


def _head(result: Result) -> dict[str, Any]:
    head = dict(result.shape.head)
    for key in ("begins", "header"):
        if str(head.get(key, "")).startswith("0x"):
            head[key] = "0x" + str(head[key]).encode().hex()
    return head


def _doubt(verdict: Verdict) -> str:
    rivals = ", ".join(f"{rival.place}" for rival in verdict.rivals[:3])
    doubt = f"{verdict.word}, {int(100 * verdict.confidence)}%" + (f"; or {rivals}" if rivals else "")
    return "".join(letter if letter.isprintable() else "?" for letter in doubt)[:_LONGEST_COMMENT]
