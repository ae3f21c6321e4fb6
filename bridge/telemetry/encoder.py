"""Commands: numbers to the bytes of one datagram, a text or packed. The counterpart of the decoders. Pure."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass

from bridge.telemetry.conversion import Measure
from bridge.telemetry.layout_description import CODES, ORDERS, marker_bytes


@dataclass(frozen=True, slots=True)
class Number:
    """One number: of which quantity, how it is measured, its place in the text, its type when packed."""

    measure: Measure
    name: str
    decimals: int
    type: str

    def raw(self, value: float) -> float:
        """The number as it is sent, of a value in the canonical unit."""
        return (value - self.measure.shift) / self.measure.scale


@dataclass(frozen=True, slots=True)
class Encoder:
    """Makes the datagrams of one command; `text` is None for packed ones."""

    text: str | None
    begins: str
    byte_order: str
    numbers: tuple[Number, ...]

    @property
    def quantities(self) -> frozenset[str]:
        """What it needs the values of."""
        return frozenset(number.measure.quantity for number in self.numbers)

    def encode(self, values: Mapping[str, float]) -> bytes:
        """The datagram with these values (canonical units), whole numbers held within their type."""
        if self.text is not None:
            shown = {n.name: f"{n.raw(values[n.measure.quantity]):.{n.decimals}f}" for n in self.numbers}
            return self.text.format_map(shown).encode()
        packed = marker_bytes(self.begins)
        for number in self.numbers:
            packed += self._packed(number.type, number.raw(values[number.measure.quantity]))
        return packed

    def _packed(self, kind: str, value: float) -> bytes:
        form = ORDERS[self.byte_order] + CODES[kind]
        if kind.startswith("float"):
            most = 3.4028234663852886e38 if kind == "float32" else math.inf
            return struct.pack(form, max(-most, min(value, most)))
        bits = 8 * struct.calcsize(form)
        low, high = (0, 2**bits - 1) if kind.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        return struct.pack(form, max(low, min(round(value), high)))
