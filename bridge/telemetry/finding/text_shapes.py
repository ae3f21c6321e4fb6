"""Texts taken apart: JSON, keys and values, delimited columns."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from bridge.telemetry.finding.shapes import MOST_PLACES, Numbers, Place, Shape, usable

_SEPARATORS = (";", ",", "|", "\t", "&", " ")
_ASSIGNS = ("=", ":")
_FEWEST_COLUMNS = 2
_DEEPEST = 20
_JSON = json.JSONDecoder(parse_int=float)


def _number(token: str) -> float | None:
    try:
        number = float(token) if "_" not in token else None
    except ValueError:
        return None
    return number if number is not None and usable(number) else None


class JsonShape(Shape):
    """The numbers of a JSON document by their paths."""

    def __init__(self, samples: Sequence[bytes]) -> None:
        self.head = {"kind": "json"}
        paths = dict.fromkeys(path for sample in samples for path, _ in _leaves(_document(sample)))
        self.places = [Place((("path", path),)) for path in list(paths)[:MOST_PLACES]]

    def numbers(self, datagram: bytes) -> Numbers:
        """As `Shape.numbers`; none where the datagram is not JSON."""
        found = dict(_leaves(_document(datagram)))
        return [found.get(dict(place.keys)["path"]) for place in self.places]


def _document(datagram: bytes) -> Any:
    try:
        return _JSON.decode(datagram.strip(b"\0").decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return None


def _leaves(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], float]]:
    if isinstance(value, float):
        if path and usable(value):
            yield path, value
    elif isinstance(value, dict | list) and len(path) < _DEEPEST:
        for name, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _leaves(inner, (*path, name))


class KeyValueShape(Shape):
    """The numbers of a text of keys and values by their keys."""

    def __init__(self, head: Mapping[str, Any], samples: Sequence[bytes]) -> None:
        self.head = head
        keys = dict.fromkeys(
            key for sample in samples for key, value in self._pairs(sample) if _number(value) is not None
        )
        self.places = [Place((("key", key),)) for key in list(keys)[:MOST_PLACES]]

    def _pairs(self, datagram: bytes) -> Iterator[tuple[str, str]]:
        text = _text(datagram).removeprefix(self.head.get("begins", ""))
        return _pairs(text, self.head["separator"], self.head["assign"])

    def numbers(self, datagram: bytes) -> Numbers:
        """As `Shape.numbers`; of a key that comes twice the later value."""
        found = dict(self._pairs(datagram))
        return [_number(found.get(dict(place.keys)["key"], "")) for place in self.places]


def _pairs(text: str, separator: str, assign: str) -> Iterator[tuple[str, str]]:
    for pair in _split(text.strip("\r\n\0"), separator):
        key, _, value = pair.partition(assign)
        if key.strip():
            yield key.strip(), value


class DelimitedShape(Shape):
    """The numbers of a text by their columns, with the labels that the sender gave them if it did."""

    def __init__(self, head: Mapping[str, Any], labels: Sequence[str] = ()) -> None:
        self.head = head
        self.places = [
            Place((("label", labels[i]), ("column", i + 1)) if labels and labels[i] else (("column", i + 1),))
            for i in range(min(head["columns"], MOST_PLACES))
        ]

    def numbers(self, datagram: bytes) -> Numbers:
        """As `Shape.numbers`; none where the number of columns is another."""
        text = _text(datagram).strip("\r\n\0").removeprefix(self.head.get("begins", ""))
        tokens = _split(text, self.head["separator"])
        if len(tokens) != self.head["columns"]:
            return [None] * len(self.places)
        return [_number(tokens[i]) for i in range(len(self.places))]


def _text(datagram: bytes) -> str:
    return datagram.decode(errors="replace")


def _split(text: str, separator: str) -> list[str]:
    return text.split() if separator == " " else text.split(separator)


def is_text(datagram: bytes) -> bool:
    """Whether it is UTF-8 without control characters but blanks and line ends."""
    body = datagram.rstrip(b"\0")
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError:
        return False
    return bool(text.strip()) and all(letter.isprintable() or letter in "\t\r\n" for letter in text)


def text_head(datagram: bytes) -> dict[str, Any] | None:
    """The head of the layout that this text may have; None for one without numbers, such as labels."""
    text = datagram.rstrip(b"\0").decode("utf-8-sig").strip("\r\n")
    if isinstance(_document(datagram), dict | list):
        return {"kind": "json"}
    for assign in _ASSIGNS:
        for separator in _SEPARATORS:
            if (head := _keyvalue_head(text, separator, assign)) is not None:
                return head
    heads = (_delimited_head(text, separator) for separator in _SEPARATORS)
    return max((head for head in heads if head), key=lambda head: int(head["columns"]), default=None)


def _keyvalue_head(text: str, separator: str, assign: str) -> dict[str, Any] | None:
    pairs = [pair for pair in _split(text, separator) if pair.strip()]
    if not pairs or any(pair.count(assign) != 1 for pair in pairs):
        return None
    if not any(_number(pair.partition(assign)[2]) is not None for pair in pairs):
        return None
    head = {"kind": "keyvalue", "separator": separator, "assign": assign}
    first = pairs[0].partition(assign)[0]
    if separator != " " and " " in first.strip():
        head["begins"] = text[: text.index(first) + len(first.rstrip().rpartition(" ")[0]) + 1]
    return head


def _delimited_head(text: str, separator: str) -> dict[str, Any] | None:
    if "\n" in text:
        return None
    tokens = _split(text, separator)
    head: dict[str, Any] = {"kind": "delimited", "separator": separator}
    first = tokens[0].strip() if tokens else ""
    if first and _number(first) is None and re.match(r"[^\d+.-]", first):
        head["begins"] = text[: text.index(tokens[0]) + len(tokens[0])] + separator
        tokens = tokens[1:]
    numbers = sum(_number(token) is not None for token in tokens)
    if len(tokens) < _FEWEST_COLUMNS or 2 * numbers <= len(tokens):
        return None
    return {**head, "columns": len(tokens)}


def labels_for(head: Mapping[str, Any], lines: Sequence[bytes]) -> tuple[str, list[str]]:
    """The marker and the labels among these lines, as a sender names its columns; empty where none does."""
    for line in reversed(lines):
        tokens = [token.strip() for token in _split(_text(line).strip("\r\n\0"), head["separator"])]
        marked = len(tokens) == head["columns"] + 1
        labels = tokens[1:] if marked else tokens
        if len(labels) != head["columns"] or "begins" in head:
            continue
        if not marked and _number(tokens[0]) is not None:
            continue
        if sum(_number(label) is None and bool(label) for label in labels) * 2 > len(labels):
            return (tokens[0] if marked else ""), labels
    return "", []
