"""How a datagram may be taken apart into numbers, before anybody knows what they are.

A `Shape` is the head of a layout (kind, byte order, separator, ...), the places where numbers are, and the
number at each place of a datagram. Datagrams that share their shapes are a family.
"""

from __future__ import annotations

import struct
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

from bridge.telemetry.layout_description import CODES, ORDERS

MOST_SEARCHED_BYTES = 4096
"""Bytes of a packed datagram that are searched, from its start: hundreds of fields take less."""
MOST_PLACES = 2000
"""Columns, keys or paths of a text that are searched."""
_LARGEST, _SMALLEST = 1e15, 1e-30
_MOST_NUMBERS = 16
_MOST_HEADER_BYTES = 16
_FEWEST_GROUPS = 3
_LARGEST_TAG = 65_535


@dataclass(frozen=True, slots=True)
class Place:
    """Where a number is: the keys that a field of the layout has for it, and how the number is written.

    `type` is one of the layouts' number types, "" in a text. `begin` and `end` are its bytes where it has a
    fixed place, 0 elsewhere.
    """

    keys: tuple[tuple[str, Any], ...]
    type: str = ""
    begin: int = 0
    end: int = 0

    def __str__(self) -> str:
        keys = dict(self.keys)
        if "offset" in keys:
            return f"{self.type} at {keys['offset']}"
        if "tag" in keys:
            return f"tag {keys['tag']} number {keys['number']}"
        if "path" in keys:
            return "path " + ".".join(map(str, keys["path"]))
        if "message" in keys:
            return f"{keys['message']}.{keys['field']}"
        if "key" in keys:
            return f"key {keys['key']}"
        return f"column {keys['column']}" + (f" ({keys['label']})" if "label" in keys else "")

    def overlaps(self, other: Place) -> bool:
        """Whether both read some byte, and so can't both be right."""
        return self.begin < other.end and other.begin < self.end


Numbers = Sequence[float | None]
"""The number at each place, None where the datagram has none there, or one that nobody would send."""


class Shape(ABC):
    """One way to take the datagrams of a family apart."""

    head: Mapping[str, Any]
    """The keys of the layout but for its fields."""
    places: Sequence[Place]

    @abstractmethod
    def numbers(self, datagram: bytes) -> Numbers:
        """The number at each of the places."""

    def through(self, datagrams: Sequence[bytes]) -> Callable[[int], list[float | None]]:
        """Returns what returns the numbers at one place, by its index, in all of these datagrams."""
        rows = [self.numbers(datagram) for datagram in datagrams]
        return lambda index: [row[index] for row in rows]

    def __str__(self) -> str:
        order = self.head.get("byte_order")
        return f"{self.head['kind']}, {order}-endian" if order else str(self.head["kind"])


def usable(number: float) -> bool:
    """Whether somebody may have sent this number: finite, and neither giant nor next to nothing."""
    return number == 0.0 or _SMALLEST < abs(number) < _LARGEST


class PackedShape(Shape):
    """Every type at every offset, in one byte order."""

    def __init__(self, byte_order: str, length: int, begins: str = "") -> None:
        self._order = ORDERS[byte_order]
        self.head = {"kind": "binary", "byte_order": byte_order, "length": length}
        if begins:
            self.head["begins"] = begins
        first = len(begins)
        self._runs: list[tuple[struct.Struct, int]] = []
        places: list[Place] = []
        for kind, code in CODES.items():
            size = struct.calcsize("=" + code)
            for phase in range(first, first + size):
                count = (min(length, MOST_SEARCHED_BYTES) - phase) // size
                if count <= 0:
                    continue
                self._runs.append((struct.Struct(f"{self._order}{count}{code}"), phase))
                places += [
                    Place((("offset", at), ("type", kind)), kind, at, at + size)
                    for at in range(phase, phase + count * size, size)
                ]
        self.places = places

    def numbers(self, datagram: bytes) -> Numbers:
        """As `Shape.numbers`; raises struct.error for a datagram shorter than what is searched."""
        found: list[float | None] = []
        for run, phase in self._runs:
            found += run.unpack_from(datagram, phase)
        return [number if number is not None and usable(number) else None for number in found]

    def through(self, datagrams: Sequence[bytes]) -> Callable[[int], list[float | None]]:
        """As `Shape.through`; unpacks nothing but the one place.

        What it returns raises struct.error where a datagram ends before that place does.
        """

        def numbers(index: int) -> list[float | None]:  # few of the many places are asked for
            place = self.places[index]
            number = struct.Struct(self._order + CODES[place.type])
            found = [number.unpack_from(datagram, place.begin)[0] for datagram in datagrams]
            return [float(n) if usable(n) else None for n in found]

        return numbers


class GroupsShape(Shape):
    """A tag, then numbers, repeated; the tags are those seen in the samples."""

    def __init__(self, head: Mapping[str, Any], tags: Sequence[int]) -> None:
        self.head = head
        self._start = head["header_length"]
        kind, count = head["number_type"], head["numbers"]
        self._group = struct.Struct(
            ORDERS[head["byte_order"]] + CODES[head["tag_type"]] + CODES[kind] * count
        )
        self._index = {tag: i * count for i, tag in enumerate(tags)}
        self.places = [
            Place((("tag", tag), ("number", number)), kind) for tag in tags for number in range(1, count + 1)
        ]

    def numbers(self, datagram: bytes) -> Numbers:
        """As `Shape.numbers`; none where the datagram is no whole number of groups."""
        found: list[float | None] = [None] * len(self.places)
        for tag, *numbers in groups_in(self._group, self._start, datagram):
            at = self._index.get(tag)
            if at is not None:
                found[at : at + len(numbers)] = [n if usable(n) else None for n in numbers]
        return found


def groups_in(group: struct.Struct, start: int, datagram: bytes) -> Iterator[tuple[Any, ...]]:
    """The groups of a datagram; none when it is no whole number of them."""
    size = len(datagram) - start
    if size <= 0 or size % group.size:
        return iter(())
    return group.iter_unpack(memoryview(datagram)[start:])


def groups_shapes(samples: Sequence[bytes], begins: str = "") -> list[GroupsShape]:
    """The repeated records that these datagrams may be: tags small, each once, the numbers of a usual size.

    At most one of each byte order and type of the numbers, that of the fewest numbers.
    """
    found: dict[tuple[str, str], GroupsShape] = {}
    for head in _group_heads(begins, set(map(len, samples))):
        key = (head["byte_order"], head["number_type"])
        if key not in found and (tags := _tags(head, samples)):
            found[key] = GroupsShape(head, tags)
    return list(found.values())


def _group_heads(begins: str, lengths: set[int]) -> Iterator[dict[str, Any]]:
    """The heads of which datagrams of these lengths are whole numbers of groups."""
    tag_types, number_types = ("int32", "uint16", "uint8", "uint32"), ("float32", "float64")
    headers = range(len(begins), _MOST_HEADER_BYTES + 1)
    for numbers, number_type, tag_type, header in product(
        range(1, _MOST_NUMBERS + 1), number_types, tag_types, headers
    ):
        size = struct.calcsize("=" + CODES[tag_type] + CODES[number_type] * numbers)
        if any(length < header + size or (length - header) % size for length in lengths):
            continue
        for order in ORDERS:
            yield {
                "kind": "groups", **({"begins": begins} if begins else {}), "header_length": header,
                "byte_order": order, "tag_type": tag_type, "number_type": number_type, "numbers": numbers,
            }  # fmt: skip


def _tags(head: Mapping[str, Any], samples: Sequence[bytes]) -> list[int]:
    """The tags, where all samples are such groups; none otherwise."""
    group = struct.Struct(
        ORDERS[head["byte_order"]] + CODES[head["tag_type"]] + CODES[head["number_type"]] * head["numbers"]
    )
    tags: dict[int, int] = {}
    for sample in samples:
        here: set[int] = set()
        for tag, *numbers in groups_in(group, head["header_length"], sample):
            if not 0 <= tag <= _LARGEST_TAG or tag in here:
                return []
            if not all(number == 0.0 or 1e-12 < abs(number) < 1e9 for number in numbers):
                return []
            here.add(tag)
        for tag in here:
            tags[tag] = tags.get(tag, 0) + 1
    # Numbers taken for tags change; real ones come again.
    if len(tags) < _FEWEST_GROUPS or (len(samples) > 1 and min(tags.values()) == 1):
        return []
    return sorted(tags)
