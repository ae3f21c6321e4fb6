"""Datagram layouts: a TOML file that states where in a datagram each quantity is, compiled once.

    load_layout(path)  ->  Layout  ->  .decoder()  ->  .decode(datagram)  ->  readings

`layout_description` is what a person writes, `conversion` the units, `decoder` the fast part.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.description import MistakeError, load_kind, raise_faults
from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.conversion import TIME, Measure, make_measure, wrong_part
from bridge.telemetry.decoder import (
    Decoder,
    DelimitedDecoder,
    GroupsDecoder,
    JsonDecoder,
    KeyValueDecoder,
    PackedDecoder,
)
from bridge.telemetry.layout_description import Delimited, Groups, Json, KeyValue, Packed
from bridge.telemetry.mavlink import MavlinkDecoder
from bridge.telemetry.mavlink_description import Mavlink

AnyLayout = Delimited | KeyValue | Json | Packed | Groups | Mavlink

KINDS: Mapping[str, tuple[type[AnyLayout], Callable[[str, tuple[Measure, ...], Any], Decoder]]] = {
    "delimited": (Delimited, DelimitedDecoder),
    "keyvalue": (KeyValue, KeyValueDecoder),
    "json": (Json, JsonDecoder),
    "binary": (Packed, PackedDecoder),
    "groups": (Groups, GroupsDecoder),
    "mavlink": (Mavlink, MavlinkDecoder),
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
    described = load_kind({name: model for name, (model, _) in KINDS.items()}, path)
    return make_layout(described, path, catalogue)


def make_layout(described: AnyLayout, path: Path, catalogue: Catalogue = CATALOGUE) -> Layout:
    """The layout that is described in this file; raises `DescriptionErrors` with every mistake found."""
    faults = list(described.faults())
    measures: dict[str, Measure] = {}
    for i, field in enumerate(described.fields):
        try:
            new = make_measure(field.quantity, field.unit, catalogue, field.scale)
        except MistakeError as wrong:
            faults.append((f"fields.{i}.{wrong_part(field.quantity, catalogue)}", wrong))
            continue
        if new.quantity in measures:
            twice = MistakeError(
                f"{new.quantity} a second time", "each quantity once", "Take one of the two out"
            )
            faults.append((f"fields.{i}.quantity", twice))
        measures.setdefault(new.quantity, new)
    if not faults and set(measures) == {TIME}:
        faults.append(("fields", MistakeError("nothing but time", "at least one quantity", "Add a field")))
    raise_faults(str(path), faults)
    return Layout(described.name or path.stem, described, tuple(measures.values()))
