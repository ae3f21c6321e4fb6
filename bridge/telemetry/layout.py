"""Datagram layouts: a TOML file that says where in a datagram each quantity is, compiled once.

    load_layout(path)  ->  Layout  ->  .decoder()  ->  .decode(datagram)  ->  readings

`layout_description` is what a person writes, `conversion` the units, `decoder` the fast part.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.description import MistakeError, near, read_toml, validate
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.conversion import TIME, Measure, make_measure
from bridge.telemetry.decoder import (
    Decoder,
    DelimitedDecoder,
    GroupsDecoder,
    JsonDecoder,
    KeyValueDecoder,
    PackedDecoder,
)
from bridge.telemetry.layout_description import Delimited, Groups, Json, KeyValue, Packed

AnyLayout = Delimited | KeyValue | Json | Packed | Groups

KINDS: Mapping[str, tuple[type[AnyLayout], Callable[[str, tuple[Measure, ...], Any], Decoder]]] = {
    "delimited": (Delimited, DelimitedDecoder),
    "keyvalue": (KeyValue, KeyValueDecoder),
    "json": (Json, JsonDecoder),
    "binary": (Packed, PackedDecoder),
    "groups": (Groups, GroupsDecoder),
}
"""Every kind of layout: what a person writes of it, and what decodes its datagrams."""


@dataclass(frozen=True, slots=True)
class Layout:
    """A checked layout. Two are equal when they decode alike."""

    name: str
    described: AnyLayout
    measures: tuple[Measure, ...]

    @property
    def given(self) -> frozenset[str]:
        """The quantities that a datagram of this layout can give."""
        return frozenset(m.quantity for m in self.measures) - {TIME}

    def decoder(self) -> Decoder:
        """A fresh decoder. Use one per sender: it may keep the labels that this sender gave."""
        _, make = KINDS[self.described.kind]
        return make(self.name, self.measures, self.described)


def load_layout(path: Path, catalogue: Catalogue = CATALOGUE) -> Layout:
    """The layout in this file; raises `DescriptionErrors` with every mistake found."""
    where = str(path)
    try:
        data = read_toml(path)
    except DescriptionError as error:
        raise DescriptionErrors([error]) from None
    kind = KINDS.get(str(data.get("kind")))
    if kind is None:
        found = repr(data["kind"]) if "kind" in data else "nothing"
        cure = near(str(data.get("kind", "")), list(KINDS))
        raise DescriptionErrors([DescriptionError(where, "kind", found, f"one of {', '.join(KINDS)}", cure)])
    described = validate(kind[0], data, where)
    faults = list(described.faults())
    measures: dict[str, Measure] = {}
    for i, field in enumerate(described.fields):
        try:
            new = make_measure(field.quantity, field.unit, catalogue, field.scale)
        except MistakeError as wrong:
            unit_is_wrong = field.quantity == TIME or field.quantity in catalogue
            faults.append((f"fields.{i}.{'unit' if unit_is_wrong else 'quantity'}", wrong))
            continue
        if new.quantity in measures:
            twice = MistakeError(
                f"{new.quantity} a second time", "each quantity once", "Take one of the two out"
            )
            faults.append((f"fields.{i}.quantity", twice))
        measures.setdefault(new.quantity, new)
    if not faults and set(measures) == {TIME}:
        faults.append(("fields", MistakeError("nothing but time", "at least one quantity", "Add a field")))
    if faults:
        raise DescriptionErrors(
            [DescriptionError(where, key, w.found, w.expected, w.cure) for key, w in faults]
        )
    return Layout(described.name or path.stem, described, tuple(measures.values()))
