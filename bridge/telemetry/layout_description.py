"""What a person writes in a datagram layout: one model per kind of datagram.

Counting follows each format's convention: columns of text and numbers of a group are counted from 1; byte
offsets and places in a JSON array from 0.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from bridge.description import MistakeError, StrictModel

NumberType = Literal[
    "int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"
]  # fmt: skip
WholeType = Literal["int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64"]
CODES: dict[str, str] = {
    "int8": "b", "uint8": "B", "int16": "h", "uint16": "H", "int32": "i", "uint32": "I",
    "int64": "q", "uint64": "Q", "float32": "f", "float64": "d",
}  # fmt: skip
ORDERS = {"little": "<", "big": ">"}
MOST_FIELDS = 1000
"""Fields of one layout; each has a quantity of its own, and there are some dozens."""
# No UDP datagram over IPv4 carries more than this many bytes (RFC 768, RFC 791).
_LARGEST = 65_507

Fault = tuple[str, MistakeError]


def marker_bytes(text: str) -> bytes:
    """The bytes that a marker means: hexadecimal after 0x, else its UTF-8 text."""
    return bytes.fromhex(text[2:]) if text.startswith("0x") else text.encode()


def _marker(text: str) -> str:
    try:
        marker_bytes(text)
    except ValueError:
        raise MistakeError(
            repr(text), "pairs of hexadecimal digits after 0x, or plain text", "Correct it"
        ) from None
    return text


def _not_zero(value: float) -> float:
    if value == 0.0:
        raise MistakeError("0", "a factor other than 0", "Leave scale out, or use -1 to turn the sign")
    return value


Marker = Annotated[str, AfterValidator(_marker)]
Text = Annotated[str, StringConstraints(min_length=1)]
Offset = Annotated[int, Field(ge=0, lt=_LARGEST)]
Count = Annotated[int, Field(ge=1, le=_LARGEST)]
NotZero = Annotated[float, AfterValidator(_not_zero)]


class FieldDescription(StrictModel):
    """One number of a datagram: the quantity it holds (or `time`, the sender's own clock) and its unit.

    The number is multiplied by `scale` first: for whole numbers that carry hundredths, or with -1 for a
    sender whose sign runs the other way.
    """

    quantity: str
    """A quantity, or `time` for the sender's own clock, as in `"pressure_altitude"`."""
    unit: str
    """Of the number once it is multiplied by `scale`, as in `"ft"`."""
    scale: NotZero = 1.0
    """What the number is multiplied by; -1 turns its sign."""


class LayoutDescription(StrictModel):
    """What all kinds share. `name` is shown in logs and counts; the file's name when left out.

    `fields` are lists: of a tuple pydantic would count the good items only, and call it too short as well.
    """

    name: str = ""
    """Shown in logs and counts; the file's name where none is written, as in `"simulator"`."""

    def faults(self) -> Iterator[Fault]:
        """Mistakes that only show when fields are seen together: dotted key and what is wrong."""
        yield from ()


class Column(FieldDescription):
    """A column by the label that the sender names it, by its place from 1, or both.

    With both, the column holds until the labels have come, and tells repeated labels apart after.
    """

    label: Text | None = None
    """The label that the sender gives it, as in `"altitude"`."""
    column: Count | None = None
    """Its place, from 1, as in `3`."""

    @model_validator(mode="after")
    def _placed(self) -> Column:
        if self.label is None and self.column is None:
            raise MistakeError("neither label nor column", "one of them, or both", "Add label or column")
        return self


class Delimited(LayoutDescription):
    """Text whose columns are between separators, one line a datagram.

    A `separator` of one space means any run of blanks. `begins` is what each datagram of values
    starts with, before its first column. `header` is the marker with which a datagram of labels
    starts; when left out, a datagram that holds one of the labels is taken for one. `columns` is the exact
    number of columns, to refuse anything else.
    """

    kind: Literal["delimited"]
    """Text by columns."""
    begins: Marker = ""
    """What each datagram of values starts with; hexadecimal after 0x, as in `"DATA,"`."""
    separator: Text = ","
    """Between columns; one space means any run of blanks."""
    header: Marker = ""
    """What a datagram of labels starts with, as in `"LABELS,"`."""
    columns: Count | None = None
    """Their exact number, to refuse anything else, as in `12`."""
    fields: Annotated[list[Column], Field(min_length=1, max_length=MOST_FIELDS)]
    """Numbers to take, as in `[{ quantity = "pitch", unit = "deg", column = 3 }]`."""

    def faults(self) -> Iterator[Fault]:
        """As `LayoutDescription.faults`: columns beyond `columns`, a `header` without labels to find."""
        for i, field in enumerate(self.fields):
            if self.columns and field.column and field.column > self.columns:
                yield (
                    f"fields.{i}.column",
                    MistakeError(
                        f"column {field.column}",
                        f"at most {self.columns}, as columns states",
                        "Change one of them",
                    ),
                )
        if self.header and not any(field.label for field in self.fields):
            yield (
                "header",
                MistakeError(
                    "a header, but no field with a label", "fields found by label", "Add label or drop header"
                ),
            )


class Key(FieldDescription):
    """A value by its key."""

    key: Text
    """As the sender writes it, as in `"alt"`."""


class KeyValue(LayoutDescription):
    """Text of key and value pairs; keys that no field names are skipped.

    A `separator` of one space means any run of blanks and line ends.
    """

    kind: Literal["keyvalue"]
    """Text of keys and values."""
    begins: Marker = ""
    """What each datagram starts with; hexadecimal after 0x, as in `"FD:"`."""
    separator: Text = ","
    """Between pairs; one space means any run of blanks and line ends."""
    assign: Text = "="
    """Between key and value."""
    fields: Annotated[list[Key], Field(min_length=1, max_length=MOST_FIELDS)]
    """Numbers to take, as in `[{ quantity = "pitch", unit = "deg", key = "pitch" }]`."""

    def faults(self) -> Iterator[Fault]:
        """As `LayoutDescription.faults`: an `assign` that is the separator as well."""
        if self.separator == self.assign:
            yield (
                "assign",
                MistakeError(
                    f"{self.assign!r}, as the separator", "two different marks", "Change one of them"
                ),
            )


class JsonValue(FieldDescription):
    """A value by its path: names of members, and places in arrays from 0."""

    path: Annotated[
        tuple[str | Annotated[int, Field(strict=True, ge=0, lt=_LARGEST)], ...], Field(min_length=1)
    ]
    """Names of members, and places in arrays from 0, as in `["position", 2]`."""


class Json(LayoutDescription):
    """One JSON document a datagram; whatever no path leads to is skipped."""

    kind: Literal["json"]
    """One JSON document a datagram."""
    fields: Annotated[list[JsonValue], Field(min_length=1, max_length=MOST_FIELDS)]
    """Numbers to take, as in `[{ quantity = "pitch", unit = "deg", path = ["pitch"] }]`."""


class PackedNumber(FieldDescription):
    """A number by its offset in bytes from the datagram's start, and its type."""

    offset: Offset
    """In bytes from the datagram's start, as in `8`."""
    type: NumberType
    """Of the number, as in `"float32"`."""

    @property
    def end(self) -> int:
        """Offset of the first byte after it."""
        return self.offset + struct.calcsize("=" + CODES[self.type])


class Packed(LayoutDescription):
    """Packed binary. `begins` are the magic bytes at its start, `length` its exact size in bytes."""

    kind: Literal["binary"]
    """Packed binary."""
    begins: Marker = ""
    """Magic bytes at its start; hexadecimal after 0x, as in `"0x46445231"`."""
    byte_order: Literal["little", "big"]
    """Which byte of a number comes first."""
    length: Count | None = None
    """Its exact size in bytes, as in `64`."""
    fields: Annotated[list[PackedNumber], Field(min_length=1, max_length=MOST_FIELDS)]
    """Numbers to take, as in `[{ quantity = "pitch", unit = "deg", offset = 8, type = "float32" }]`."""

    def faults(self) -> Iterator[Fault]:
        """As `LayoutDescription.faults`: fields beyond `length`, within `begins`, or over each other."""
        magic = len(marker_bytes(self.begins))
        for i, field in enumerate(self.fields):
            key = f"fields.{i}.offset"
            here = f"bytes {field.offset} to {field.end - 1}"
            if self.length is not None and field.end > self.length:
                yield (
                    key,
                    MistakeError(
                        here,
                        f"a field within the {self.length} bytes that length states",
                        "Correct offset, type or length",
                    ),
                )
            if field.offset < magic:
                yield (
                    key,
                    MistakeError(here, f"a field after the {magic} bytes of begins", "Correct the offset"),
                )
            for j, other in enumerate(self.fields[:i]):
                same = (field.offset, field.type) == (other.offset, other.type)
                if not same and field.offset < other.end and other.offset < field.end:
                    taken = f"bytes of its own: fields.{j} has {other.offset} to {other.end - 1}"
                    yield key, MistakeError(here, taken, "Correct an offset or a type")


class GroupNumber(FieldDescription):
    """A number by the tag of its group and its place in it, from 1."""

    tag: int
    """Of its group, as in `20`."""
    number: Count
    """Its place in the group, from 1, as in `3`."""


class Groups(LayoutDescription):
    """A repeated binary record: a whole-number tag, then `numbers` numbers.

    `begins` are the magic bytes at the datagram's start, `header_length` the number of bytes before the first
    group (those of `begins` included). Groups whose tag no field names are skipped.
    """

    kind: Literal["groups"]
    """Tagged groups of numbers."""
    begins: Marker = ""
    """Magic bytes at the datagram's start; hexadecimal after 0x, as in `"GRP"`."""
    header_length: Offset | None = None
    """Bytes before the first group, those of `begins` included, as in `5`."""
    byte_order: Literal["little", "big"]
    """Which byte of a number comes first."""
    tag_type: WholeType
    """Of the tag of a group, as in `"int32"`."""
    number_type: NumberType
    """Of the numbers of a group, as in `"float32"`."""
    numbers: Annotated[int, Field(ge=1, le=1000)]
    """How many a group has, as in `8`."""
    fields: Annotated[list[GroupNumber], Field(min_length=1, max_length=MOST_FIELDS)]
    """Numbers to take, as in `[{ quantity = "pitch", unit = "deg", tag = 17, number = 1 }]`."""

    @property
    def start(self) -> int:
        """Offset of the first group."""
        return len(marker_bytes(self.begins)) if self.header_length is None else self.header_length

    def faults(self) -> Iterator[Fault]:
        """As `LayoutDescription.faults`: `header_length`, numbers and tags that can't be."""
        if self.start < len(marker_bytes(self.begins)):
            yield (
                "header_length",
                MistakeError(
                    str(self.header_length), "at least the bytes of begins", "Count them in, or leave it out"
                ),
            )
        bits = 8 * struct.calcsize("=" + CODES[self.tag_type])
        low, high = (
            (0, 2**bits - 1) if self.tag_type.startswith("u") else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
        )
        for i, field in enumerate(self.fields):
            if field.number > self.numbers:
                yield (
                    f"fields.{i}.number",
                    MistakeError(
                        f"number {field.number}",
                        f"at most {self.numbers}, the numbers of a group",
                        "Change one of them",
                    ),
                )
            if not low <= field.tag <= high:
                yield (
                    f"fields.{i}.tag",
                    MistakeError(
                        str(field.tag), f"a tag that fits {self.tag_type}", "Correct the tag or tag_type"
                    ),
                )
