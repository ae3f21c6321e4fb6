"""Decoders: bytes of one datagram in, readings out.

Each decoder does the same two things: it picks the raw numbers of its fields out of the datagram (that is
what differs by kind), and then measures each (that is the base class). What is no fault of one field
(too short, not JSON, ...) raises `TelemetryError` and spoils the datagram; a number that is no
reading of its quantity is left out and reported. Nothing else is ever raised, whatever the bytes.

Causes, for counting: 'begins otherwise', 'short', 'wrong length', 'several lines', 'wrong columns',
'too many columns', 'waiting for labels', 'no known label', 'label too long', 'not pairs', 'not JSON',
'nothing known', 'checksum', 'signed', 'unknown flags', 'another system', 'another component',
'too many frames' of a whole datagram, or one frame in it;
'blank', 'not a number', 'not finite', 'out of range', 'label missing', 'label twice' of one field.
"""

from __future__ import annotations

import json
import struct
from abc import ABC, abstractmethod
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from dataclasses import field as made_by

from bridge.errors import TelemetryError
from bridge.telemetry.conversion import TIME, FieldError, Measure
from bridge.telemetry.layout_description import (
    CODES,
    ORDERS,
    Delimited,
    Groups,
    Json,
    KeyValue,
    Packed,
    marker_bytes,
)


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one datagram gave: readings in canonical units, the sender's own time, fields left out.

    `dropped` are the first of these fields, `others` counts the rest by cause.
    """

    readings: dict[str, float]
    source_time_s: float | None
    dropped: tuple[TelemetryError, ...] = ()
    others: Mapping[str, int] = made_by(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Labels:
    """A datagram that named the columns of those to come; `dropped` are fields without a column now."""

    labels: tuple[str, ...]
    dropped: tuple[TelemetryError, ...] = ()
    others: Mapping[str, int] = made_by(default_factory=dict)


MOST_COLUMNS = 2000
"""Columns, pairs or labels of one datagram that are read; a simulator sends a tenth of it."""
MOST_LABEL_BYTES = 200
"""A longer label is none: its datagram is refused."""
MOST_DROPPED = 8
"""Dropped fields of one datagram that are reported one by one; the others are counted."""
_SHOWN_LABELS = 8


class Dropped:
    """What is left out of one datagram: fields, or whole frames of it."""

    __slots__ = ("first", "others")

    def __init__(self) -> None:
        self.first: list[TelemetryError] = []
        self.others: dict[str, int] = {}

    def add(self, layout: str, measure: Measure, cause: str, detail: str) -> None:
        """Take a field that is left out; once `first` has `MOST_DROPPED`, only its cause is counted."""
        if len(self.first) < MOST_DROPPED:
            self.take(TelemetryError(layout, measure.quantity, cause, detail))
        else:
            self.others[cause] = self.others.get(cause, 0) + 1

    def take(self, error: TelemetryError) -> None:
        """Take an error that is reported in any case."""
        self.first.append(error)


# One raw number per field; None where the datagram doesn't hold that field.
Raws = Sequence[float | None]


class Decoder(ABC):
    """Base of the decoders: measures what a subclass picks out."""

    def __init__(self, layout: str, measures: tuple[Measure, ...]) -> None:
        self._layout = layout
        self._measures = measures

    @property
    def follows(self) -> str:
        """What of its sender it follows, where that sends for several."""
        return ""

    @property
    def learnt(self) -> tuple[str, ...]:
        """What it has learnt from its sender, which may never send that again; empty for nothing."""
        return ()

    def remember(self, learnt: tuple[str, ...]) -> None:  # noqa: B027
        """Take what a decoder before has learnt from the same sender; what does not fit is ignored."""

    def decode(self, datagram: bytes) -> Decoded | Labels:
        """The datagram's readings, none where it is not meant for a gauge; raises `TelemetryError`."""
        dropped = Dropped()
        raws = self._raws(datagram, dropped)
        if isinstance(raws, Labels):
            return raws
        if raws is None:
            return Decoded({}, None, tuple(dropped.first), dropped.others)
        readings: dict[str, float] = {}
        for measure, raw in zip(self._measures, raws, strict=True):
            if raw is None:
                continue
            value = raw * measure.scale + measure.shift
            # Written out from Measure.reading, which does the rest: a call per field costs too much here.
            if measure.low <= value <= measure.high:
                readings[measure.quantity] = value
                continue
            try:
                readings[measure.quantity] = measure.reading(raw)
            except FieldError as unfit:
                dropped.add(self._layout, measure, unfit.cause, unfit.detail)
        source_time_s = readings.pop(TIME, None)
        if not readings:
            if dropped.first:
                raise dropped.first[0]
            raise self._error("nothing known", f"none of its fields in {_shown(datagram)}")
        return Decoded(readings, source_time_s, tuple(dropped.first), dropped.others)

    @abstractmethod
    def _raws(self, datagram: bytes, dropped: Dropped) -> Raws | Labels | None:
        """The raw number of each field, in their order; None where there is none, and rightly so.

        Raises `TelemetryError` for the whole.
        """

    def _error(self, cause: str, detail: str) -> TelemetryError:
        return TelemetryError(self._layout, "", cause, detail)

    def _columns_within(self, count: int) -> None:
        if count > MOST_COLUMNS:
            raise self._error("too many columns", f"{count} of them, at most {MOST_COLUMNS}")

    def _after(self, marker: bytes, datagram: bytes) -> bytes:
        if not datagram.startswith(marker):
            raise self._error(
                "begins otherwise", f"{_shown(datagram)} where {_shown(marker)} should be first"
            )
        return datagram[len(marker) :]

    def _number(self, token: bytes, i: int, dropped: Dropped) -> float | None:
        """A number in text; None, and a reason in `dropped`, for anything else."""
        try:
            # Python reads 1_000 as a number; no sender means one by it.
            if b"_" not in token:
                return float(token)
        except ValueError:
            pass
        cause = "not a number" if token.strip() else "blank"
        dropped.add(self._layout, self._measures[i], cause, _shown(token))
        return None


class DelimitedDecoder(Decoder):
    """Columns of text by place or by label. Labels are kept from the datagram that brought them."""

    def __init__(self, layout: str, measures: tuple[Measure, ...], described: Delimited) -> None:
        super().__init__(layout, measures)
        self._begins = marker_bytes(described.begins)
        self._header = marker_bytes(described.header)
        self._separator = None if described.separator == " " else described.separator.encode()
        self._fields = described.fields
        self.labels: tuple[str, ...] = ()
        """Those that the sender has named; empty before it has."""
        self._wanted = {field.label for field in described.fields if field.label is not None}
        self._count = described.columns
        self._expect([None if field.column is None else field.column - 1 for field in described.fields])

    def _expect(self, columns: list[int | None]) -> None:
        self._columns = columns
        self._needed = max((column + 1 for column in columns if column is not None), default=0)

    def _raws(self, datagram: bytes, dropped: Dropped) -> Raws | Labels:
        line = datagram.strip(b"\r\n\0")
        if b"\n" in line:
            raise self._error("several lines", _shown(datagram))
        self._columns_within(len(line.split(self._separator, MOST_COLUMNS)))
        if self._header and line.lstrip().startswith(self._header):
            tokens = line.lstrip()[len(self._header) :].split(self._separator)
            # The marker may be a column of its own, before the first label.
            return self._labels(tokens[1:] if not tokens[0].strip() else tokens)
        tokens = line.split(self._separator)
        if self._wanted and not self._header and self._is_header(tokens):
            return self._labels(tokens)
        if self._begins:
            tokens = self._after(self._begins, line).split(self._separator)
        if not self._needed:
            raise self._error("waiting for labels", "the sender has not named its columns yet")
        if self._count is not None and len(tokens) != self._count:
            raise self._error("wrong columns", f"{len(tokens)} columns instead of {self._count}")
        if len(tokens) < self._needed:
            raise self._error("short", f"{len(tokens)} columns, {self._needed} needed")
        try:
            # The usual case in one go; whatever is unusual about a column is found one by one below.
            if b"_" not in line:
                return [float(tokens[column]) for column in self._columns]  # type: ignore[index]
        except (ValueError, TypeError):
            pass
        return [
            None if column is None else self._number(tokens[column], i, dropped)
            for i, column in enumerate(self._columns)
        ]

    def _is_header(self, tokens: list[bytes]) -> bool:
        try:
            float(tokens[0])
        except (ValueError, IndexError):
            return any(_text(token) in self._wanted for token in tokens)
        return False

    def _labels(self, tokens: list[bytes]) -> Labels:
        longest = max(tokens, key=len, default=b"")
        if len(longest) > MOST_LABEL_BYTES:
            detail = f"{_shown(longest)} has {len(longest)} bytes, at most {MOST_LABEL_BYTES}"
            raise self._error("label too long", detail)
        labels = [_text(token) for token in tokens]
        if self._wanted.isdisjoint(labels):
            raise self._error("no known label", f"the labels are {', '.join(labels)[:200]}")
        columns: list[int | None] = []
        dropped = Dropped()
        places_of: dict[str, list[int]] = defaultdict(list)
        for place, label in enumerate(labels):
            places_of[label].append(place)
        for i, field in enumerate(self._fields):
            given = None if field.column is None else field.column - 1
            places = places_of.get(field.label or "", [])
            if field.label is None or (len(places) > 1 and given in places):
                columns.append(given)
            elif len(places) == 1:
                columns.append(places[0])
            else:
                columns.append(None)
                cause = "label twice" if places else "label missing"
                first = ", ".join(labels[:_SHOWN_LABELS])
                cure = "Add its column" if places else f"{len(labels)} labels, the first: {first[:200]}"
                dropped.add(self._layout, self._measures[i], cause, f"'{field.label}'. {cure}")
        self._expect(columns)
        self._count = len(labels)
        self.labels = tuple(labels)
        return Labels(self.labels, tuple(dropped.first), dropped.others)

    @property
    def learnt(self) -> tuple[str, ...]:
        """The sender's labels."""
        return self.labels

    def remember(self, learnt: tuple[str, ...]) -> None:
        """Take these as the sender's labels until it names others."""
        with suppress(TelemetryError):
            self._labels([label.encode() for label in learnt])


class KeyValueDecoder(Decoder):
    """Pairs of key and value in text."""

    def __init__(self, layout: str, measures: tuple[Measure, ...], described: KeyValue) -> None:
        super().__init__(layout, measures)
        self._begins = marker_bytes(described.begins)
        self._separator = None if described.separator == " " else described.separator.encode()
        self._assign = described.assign.encode()
        self._fields_of: dict[bytes, list[int]] = defaultdict(list)
        for i, field in enumerate(described.fields):
            self._fields_of[field.key.encode()].append(i)

    def _raws(self, datagram: bytes, dropped: Dropped) -> Raws:
        text = self._after(self._begins, datagram) if self._begins else datagram
        raws: list[float | None] = [None] * len(self._measures)
        pairs = text.strip(b"\r\n\0").split(self._separator, MOST_COLUMNS)
        self._columns_within(len(pairs))
        for pair in pairs:
            key, assign, value = pair.partition(self._assign)
            if not assign and key.strip():
                raise self._error("not pairs", f"{_shown(pair)} has no {_shown(self._assign)}")
            for i in self._fields_of.get(key.strip(), ()):
                raws[i] = self._number(value, i, dropped)
        return raws


# As a float, a whole number of thousands of digits is infinite, and spoils its own field only.
_JSON = json.JSONDecoder(parse_int=float)


class JsonDecoder(Decoder):
    """Values of a JSON document by path. A value that is null counts as not there."""

    def __init__(self, layout: str, measures: tuple[Measure, ...], described: Json) -> None:
        super().__init__(layout, measures)
        self._paths = [field.path for field in described.fields]

    def _raws(self, datagram: bytes, dropped: Dropped) -> Raws:
        try:
            document = _JSON.decode(datagram.strip(b"\0").decode("utf-8-sig"))
        except (ValueError, RecursionError) as error:
            raise self._error("not JSON", f"{error} in {_shown(datagram)}") from None
        raws: list[float | None] = []
        for i, path in enumerate(self._paths):
            value = document
            try:
                for part in path:
                    value = value[part]
            except (KeyError, IndexError, TypeError):
                value = None
            if value is None or isinstance(value, float):
                raws.append(value)
            else:
                raws.append(None)
                kind = type(value).__name__
                shown = _shown(value.encode(errors="replace")) if isinstance(value, str) else f"a {kind}"
                dropped.add(self._layout, self._measures[i], "not a number", shown)
        return raws


class PackedDecoder(Decoder):
    """Numbers at fixed offsets, unpacked in one go."""

    def __init__(self, layout: str, measures: tuple[Measure, ...], described: Packed) -> None:
        super().__init__(layout, measures)
        self._begins = marker_bytes(described.begins)
        self._length = described.length
        # Two fields may read the same number; fields that overlap otherwise have been refused.
        places = sorted({(field.offset, field.type) for field in described.fields})
        code, at = ORDERS[described.byte_order], 0
        for offset, kind in places:
            code += f"{offset - at}x{CODES[kind]}"
            at = offset + struct.calcsize("=" + CODES[kind])
        self._struct = struct.Struct(code)
        self._order = [places.index((field.offset, field.type)) for field in described.fields]

    def _raws(self, datagram: bytes, dropped: Dropped) -> Raws:
        if not datagram.startswith(self._begins):
            self._after(self._begins, datagram)
        if self._length is not None and len(datagram) != self._length:
            raise self._error("wrong length", f"{len(datagram)} bytes instead of {self._length}")
        if len(datagram) < self._struct.size:
            raise self._error("short", f"{len(datagram)} bytes, {self._struct.size} needed")
        numbers = self._struct.unpack_from(datagram)
        return [numbers[i] for i in self._order]


class GroupsDecoder(Decoder):
    """Tagged groups of numbers. When a tag comes twice in a datagram, the later group holds."""

    def __init__(self, layout: str, measures: tuple[Measure, ...], described: Groups) -> None:
        super().__init__(layout, measures)
        self._begins = marker_bytes(described.begins)
        self._start = described.start
        numbers = CODES[described.number_type] * described.numbers
        self._group = struct.Struct(ORDERS[described.byte_order] + CODES[described.tag_type] + numbers)
        self._fields_of: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for i, field in enumerate(described.fields):
            self._fields_of[field.tag].append((i, field.number))

    def _raws(self, datagram: bytes, dropped: Dropped) -> Raws:
        if not datagram.startswith(self._begins):
            self._after(self._begins, datagram)
        size = len(datagram) - self._start
        if size < self._group.size:
            raise self._error("short", f"{len(datagram)} bytes, {self._start + self._group.size} needed")
        if size % self._group.size:
            raise self._error(
                "wrong length", f"{size} bytes are no whole number of {self._group.size}-byte groups"
            )
        raws: list[float | None] = [None] * len(self._measures)
        for group in self._group.iter_unpack(memoryview(datagram)[self._start :]):
            for i, number in self._fields_of.get(group[0], ()):
                raws[i] = group[number]
        return raws


def _text(token: bytes) -> str:
    return token.decode(errors="replace").strip()


def _shown(data: bytes) -> str:
    """A short piece of the data, for a message."""
    return repr(bytes(data[:40]))[1:] + (" ..." if len(data) > 40 else "")
