"""Reading what people write: TOML files checked by pydantic models, errors a builder can act on.

Every description file (panel, calibration, datagram layout, motor catalogue) goes
through `read_toml` and `validate`; a model raises `MistakeError` where pydantic's own checks do not
suffice.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError, ValidationInfo, field_validator
from pydantic_core import ErrorDetails

from bridge.errors import MOST_MISTAKES, DescriptionError, DescriptionErrors

LARGEST_NUMBER = 1e30
"""Numbers beyond it are mistyped, and products of two of them would overflow."""


class StrictModel(BaseModel):
    """Base of everything a person writes: unknown keys are refused, values can't change later.

    True and false are no numbers, nor is what is beyond LARGEST_NUMBER.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _numbers(cls, value: Any, info: ValidationInfo) -> Any:
        if info.field_name is None:
            return value
        types = list(_types(cls.model_fields[info.field_name].annotation))
        if Any in types or any(isinstance(kind, type) and issubclass(kind, BaseModel) for kind in types):
            return value  # options have a reader of their own, models their own fields
        for number in _scalars(value):
            if isinstance(number, bool):
                if bool not in types:
                    raise MistakeError(str(number).lower(), "neither true nor false", "Change the value")
            elif isinstance(number, int | float) and abs(number) > LARGEST_NUMBER:
                expected = f"a number up to {LARGEST_NUMBER:g}"
                raise MistakeError(str(number), expected, "Look for a slip in it")
        return value


def _types(annotation: Any) -> Iterator[Any]:
    """The types that an annotation is made of, however nested."""
    inner = get_args(annotation)
    for part in inner:
        yield from _types(part)
    if not inner:
        yield annotation


def _scalars(value: Any) -> Iterator[Any]:
    """Everything in lists and tables as TOML has them, however deep (so no recursion)."""
    waiting = [value]
    while waiting:
        item = waiting.pop()
        if isinstance(item, dict):
            waiting.extend(item.values())
        elif isinstance(item, list | tuple):
            waiting.extend(item)
        else:
            yield item


class MistakeError(ValueError):
    """Raised inside a model's validator: the three parts of a description error but for its place."""

    def __init__(self, found: str, expected: str, cure: str) -> None:
        self.found = found
        self.expected = expected
        self.cure = cure
        super().__init__(f"found {found}; expected {expected}. {cure}")


Model = TypeVar("Model", bound=BaseModel)

_LONGEST_NAME = 60  # of a misspelt name that is compared: what is longer is none
_QUOTED = re.compile(r"'([^']*)'")  # the choices in a sentence of pydantic's


LARGEST_FILE_BYTES = 250_000
"""A hundred gauges written out in full, with their faces, take less."""


def read_toml(path: Path) -> dict[str, Any]:
    """The file's TOML as a dict; raises `DescriptionError` naming the file and, for syntax, the line."""
    text = read_text(path)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DescriptionError(
            str(path), "", f"a mistake in the TOML: {error}", "TOML 1.0", "Correct that line"
        ) from None
    except RecursionError:
        found, expected = "arrays or tables nested too deeply", "a few levels"
        raise DescriptionError(str(path), "", found, expected, "Take the inner brackets out") from None
    except ValueError as error:  # a number with thousands of digits
        raise DescriptionError(str(path), "", str(error), "a number of a few digits", "Correct it") from None


def read_text(path: Path) -> str:
    """The text of a file that a person wrote: a regular one, of bounded size, in UTF-8 (a byte-order mark is
    skipped). Raises `DescriptionError`; never waits for a pipe or a device."""
    where, expected = str(path), "a text file in UTF-8"
    try:
        status = path.stat()
        if not S_ISREG(status.st_mode) and not S_ISDIR(status.st_mode):
            raise DescriptionError(where, "", "no regular file", expected, "Name a file")
        if status.st_size > LARGEST_FILE_BYTES:
            found, most = f"a file of {status.st_size:,} bytes", f"at most {LARGEST_FILE_BYTES:,} bytes"
            raise DescriptionError(where, "", found, most, "Look whether it is the right file")
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE_BYTES)
    except FileNotFoundError:
        raise DescriptionError(
            where, "", "no such file", "a TOML file", "Check the path; paths in a file start at that file"
        ) from None
    except IsADirectoryError:
        raise DescriptionError(where, "", "a folder", expected, "Name a file in it") from None
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        found = f"a file that can't be read ({getattr(error, 'strerror', error)})"
        raise DescriptionError(where, "", found, expected, "Allow reading, or name another file") from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"a byte that is no UTF-8 (0x{data[error.start]:02x})"
        raise DescriptionError(where, f"line {line}", found, expected, "Save the file in UTF-8") from None


def validate(model: type[Model], data: Mapping[str, Any], where: str, key: str = "") -> Model:
    """`data` as a `model`; raises `DescriptionErrors` with one entry for every mistake.

    `where` is the file, `key` the dotted key of `data` in it.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        found = error.errors(include_url=False)
        # pydantic drops a wrong item before it counts, and would call the list too short as well
        inner = [e["loc"] for e in found if e["type"] != "too_short"]
        outer = {place[:depth] for place in inner for depth in range(len(place) + 1)}
        found = [e for e in found if e["type"] != "too_short" or e["loc"] not in outer]
        explained = [_explained(e, model, where, key) for e in found[:MOST_MISTAKES]]
        raise DescriptionErrors(explained, len(found) - len(explained)) from None


def load(model: type[Model], path: Path) -> Model:
    """`read_toml` and `validate` in one."""
    return validate(model, read_toml(path), str(path))


def load_kind(kinds: Mapping[str, type[Model]], path: Path) -> Model:
    """As `load`, by the model that the file's `kind` names; raises `DescriptionErrors` with every mistake."""
    try:
        data = read_toml(path)
    except DescriptionError as error:
        raise DescriptionErrors([error]) from None
    model = kinds.get(str(data.get("kind")))
    if model is None:
        found = repr(data["kind"]) if "kind" in data else "nothing"
        cure = near(str(data.get("kind", "")), kinds)
        expected = f"one of {', '.join(kinds)}"
        raise DescriptionErrors([DescriptionError(str(path), "kind", found, expected, cure)])
    return validate(model, data, str(path))


def raise_faults(where: str, faults: Iterable[tuple[str, MistakeError]]) -> None:
    """Raises `DescriptionErrors` with these mistakes of a file, each with its key; nothing for none."""
    errors = [DescriptionError(where, key, wrong.found, wrong.expected, wrong.cure) for key, wrong in faults]
    if errors:
        raise DescriptionErrors(errors)


def near(name: str, known: Iterable[str]) -> str:
    """A cure for a misspelt name: the nearest known ones whatever their case, and all of them."""
    names = sorted(known)
    if not names:
        return "Nothing is described there yet"
    return f"{_did_you_mean(name, names)}Known: {', '.join(names)}"


def _did_you_mean(name: str, known: Iterable[str]) -> str:
    small = {each.lower(): each for each in known}
    close = difflib.get_close_matches(name[:_LONGEST_NAME].lower(), small, n=2, cutoff=0.5)
    return f"Did you mean {' or '.join(small[each] for each in close)}? " if close else ""


def chosen(where: str, option: str, thing: str, name: str | None, known: Iterable[str]) -> list[str]:
    """The known names, or the one that an option names; raises `DescriptionError` where nothing has it."""
    names = list(known)
    if name is None:
        return names
    if name not in names:
        found = f"an unknown {thing} {name!r}"
        raise DescriptionError(where, option, found, f"a {thing} of this panel", near(name, names))
    return [name]


def _explained(error: ErrorDetails, model: type[BaseModel], where: str, key: str) -> DescriptionError:
    place = ".".join([key, *(str(part) for part in error["loc"])] if key else [str(p) for p in error["loc"]])
    cause = error.get("ctx", {}).get("error")
    if isinstance(cause, MistakeError):
        return DescriptionError(where, place, cause.found, cause.expected, cause.cure)
    kind = error["type"]
    if kind == "extra_forbidden":
        known = _keys_at(model, error["loc"][:-1])
        return DescriptionError(
            where, place, "an unknown key", "a known one", near(str(error["loc"][-1]), known)
        )
    if kind == "too_short":
        return DescriptionError(where, place, "too few", f"at least {error['ctx']['min_length']}", "Add one")
    if kind == "too_long":
        return DescriptionError(
            where, place, "too many", f"at most {error['ctx']['max_length']}", "Take some out"
        )
    if kind == "string_too_long":
        expected = f"at most {error['ctx']['max_length']} characters"
        return DescriptionError(where, place, repr(error["input"]), expected, "Shorten it")
    if kind == "missing" and isinstance(error["loc"][-1], int):
        return DescriptionError(where, place, "nothing", "one more number", "Add it")
    if kind == "missing":
        return DescriptionError(where, place, "nothing", "a value", f"Add {error['loc'][-1]}")
    if kind in ("literal_error", "enum"):
        expected = str(error["ctx"]["expected"])
        named = _did_you_mean(str(error["input"]), _QUOTED.findall(expected))
        return DescriptionError(
            where, place, _written(error["input"]), expected, f"{named}Choose one of them"
        )
    message = error["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    message = _IN_WORDS.get(kind, message)
    if kind == "string_pattern_mismatch":
        message = _PATTERNS.get(error["ctx"]["pattern"], message)
    found = _written(error["input"])
    if error["loc"] and error["loc"][-1] == "[key]":
        return DescriptionError(where, place.removesuffix(".[key]"), f"the key {found}", message, "Rename it")
    none = error["input"] is False and kind in ("tuple_type", "list_type")
    return DescriptionError(where, place, found, message, "Write [] for none" if none else "Change the value")


def _written(value: object) -> str:
    """A value as a message repeats it: true and false as TOML has them."""
    return str(value).lower() if isinstance(value, bool) else repr(value)[:80]


_IN_WORDS = {
    "tuple_type": "a list in square brackets",
    "list_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "string_type": "text in quotes",
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "finite_number": "a number that is finite",
}
"""What the library's kinds of error expect, in words of the file."""

_PATTERNS = {
    "^[A-Z0-9]{3}$": "three capital letters or digits, as in TAS",
    "^[0-9a-f]{16}$": "16 digits of 0 to 9 and a to f, as firmware prints them",
}
"""What the patterns of texts mean."""


def _keys_at(model: type[BaseModel], path: tuple[int | str, ...]) -> list[str]:
    """The keys of the model at `path` below `model` (through lists, dicts and options)."""
    here: Any = model
    for part in path:
        if isinstance(here, type) and issubclass(here, BaseModel):
            field = here.model_fields.get(str(part))
            here = field.annotation if field else None
        else:
            here = next((a for a in reversed(get_args(here)) if a not in (type(None), Ellipsis)), None)
        while here is not None and type(None) in get_args(here):
            here = next(a for a in get_args(here) if a is not type(None))
    return list(here.model_fields) if isinstance(here, type) and issubclass(here, BaseModel) else []
