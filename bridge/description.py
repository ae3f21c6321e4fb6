"""Reading what people write: TOML files checked by pydantic models, errors a builder can act on.

Every description file (panel, calibration, datagram layout, motor catalogue) goes
through `read_toml` and `validate`; a model raises `MistakeError` where pydantic's own checks do not
say enough.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from bridge.errors import DescriptionError, DescriptionErrors


class StrictModel(BaseModel):
    """Base of everything a person writes: unknown keys are refused, values can't change later."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, allow_inf_nan=False)


class MistakeError(ValueError):
    """Raised inside a model's validator: the three parts of a description error but for its place."""

    def __init__(self, found: str, expected: str, cure: str) -> None:
        self.found = found
        self.expected = expected
        self.cure = cure
        super().__init__(f"found {found}; expected {expected}. {cure}")


Model = TypeVar("Model", bound=BaseModel)


def read_toml(path: Path) -> dict[str, Any]:
    """The file's TOML as a dict; raises `DescriptionError` naming the file and, for syntax, the line."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise DescriptionError(
            str(path), "", "no such file", "a TOML file", "Check the path; paths in a file start at that file"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise DescriptionError(
            str(path), "", f"a file that can't be read ({error})", "a TOML file in UTF-8", "Mend the file"
        ) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DescriptionError(
            str(path), "", f"a mistake in the TOML: {error}", "TOML 1.0", "Mend that line"
        ) from None


def validate(model: type[Model], data: Mapping[str, Any], where: str, key: str = "") -> Model:
    """`data` as a `model`; raises `DescriptionErrors` with one entry for every mistake.

    `where` is the file, `key` the dotted key at which `data` stands in it.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        told = error.errors()
        inner = [e["loc"] for e in told if e["type"] != "too_short"]
        # pydantic drops a wrong item before it counts, and would call the list too short as well
        told = [
            e
            for e in told
            if e["type"] != "too_short" or not any(i[: len(e["loc"])] == e["loc"] for i in inner)
        ]
        raise DescriptionErrors([_explained(e, model, where, key) for e in told]) from None


def load(model: type[Model], path: Path) -> Model:
    """`read_toml` and `validate` in one."""
    return validate(model, read_toml(path), str(path))


def near(name: str, known: Iterator[str] | list[str]) -> str:
    """A cure for a misspelt name: the nearest known ones, or all when none is near."""
    names = list(known)
    close = difflib.get_close_matches(name, names, n=2, cutoff=0.5)
    if close:
        return f"Did you mean {' or '.join(close)}"
    return f"Known: {', '.join(sorted(names))}" if names else "Nothing is described there yet"


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
    if kind == "missing":
        return DescriptionError(where, place, "nothing", "a value", f"Add {error['loc'][-1]}")
    if kind in ("literal_error", "enum"):
        expected = str(error["ctx"]["expected"])
        return DescriptionError(where, place, repr(error["input"]), expected, "Choose one of them")
    message = error["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
    return DescriptionError(where, place, repr(error["input"])[:80], message, "Change the value")


def _keys_at(model: type[BaseModel], path: tuple[int | str, ...]) -> list[str]:
    """The keys of the model that stands at `path` below `model` (through lists, dicts and options)."""
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
