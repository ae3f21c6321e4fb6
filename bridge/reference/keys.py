"""Every table that a person may write and its keys, taken from the models and the docstrings beside them.

The sentence about a key is the string below it in its model. It ends in `as in ...` where neither its
default nor its kinds make an example.
"""

from __future__ import annotations

import ast
import inspect
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from bridge.panel.description import PanelDescription
from bridge.panel.gauge_description import CalibrationPoints
from bridge.panel.scenario import ScenarioDescription
from bridge.telemetry.layout import KINDS
from bridge.telemetry.log_layout import LOG_LAYOUTS

FILES: Mapping[str, tuple[type[BaseModel], ...]] = {
    "panel": (PanelDescription,),
    "calibration": (CalibrationPoints,),
    "layout": tuple(model for model, _ in KINDS.values()),
    "log-layout": tuple(LOG_LAYOUTS.values()),
    "scenario": (ScenarioDescription,),
}
"""What each kind of file is made of; a calibration file has one such table for each pointer."""

_EXAMPLE = re.compile(r",? as in `([^`]*)`\.$")
_UNITS = {
    "mm": "mm", "deg": "deg", "s": "s", "kt": "kt", "hz": "1/s", "ms": "ms", "us": "us", "v": "V", "a": "A",
    "ohm": "ohm", "g": "g", "mnm": "mN.m", "steps_s": "steps/s", "steps_s2": "steps/s2", "deg_s": "deg/s",
    "g_mm": "g.mm", "g_mm2": "g.mm2", "g_cm2": "g.cm2", "inhg": "inHg", "inhg_per_count": "inHg",
    "hpa": "hPa", "k": "K", "ft": "ft",
}  # fmt: skip
"""By what the name of a key ends in."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table. `default` and `example` are as one writes them in TOML; "" without one.

    `allowed` are its kind and range in words.
    """

    name: str
    meaning: str
    allowed: str
    unit: str
    default: str
    example: str
    required: bool


@dataclass(frozen=True, slots=True)
class Table:
    """One model: where it is written, as dotted keys, what it is, and its keys in order."""

    model: type[BaseModel]
    places: tuple[str, ...]
    meaning: str
    keys: tuple[Key, ...]


def tables(model: type[BaseModel], place: str = "") -> tuple[Table, ...]:
    """The tables of a file that is such a model, each once, outermost first."""
    return tuple(
        Table(each, tuple(dict.fromkeys(found)), inspect.cleandoc(each.__doc__ or ""), keys(each))
        for each, found in places(model, place).items()
    )


def places(model: type[BaseModel], place: str = "") -> dict[type[BaseModel], list[str]]:
    """This model and all models below it, each with the dotted keys where it is written."""
    found: dict[type[BaseModel], list[str]] = {}
    _find(model, place, found)
    return found


def keys(model: type[BaseModel]) -> tuple[Key, ...]:
    """The keys of one table, as they are described in its model."""
    schema = model.model_json_schema()
    meanings = docstrings(model)
    return tuple(
        _key(name, field, schema["properties"][name], meanings.get(name, ""))
        for name, field in model.model_fields.items()
    )


@cache
def docstrings(model: type[BaseModel]) -> Mapping[str, str]:
    """The string below each key of the model, its base classes' included, on one line."""
    found: dict[str, str] = {}
    for each in reversed(model.__mro__):
        if issubclass(each, BaseModel) and each is not BaseModel:
            body = _classes(inspect.getmodule(each)).get(each.__name__)
            found |= _below(body) if body else {}
    return found


@cache
def _classes(module: Any) -> Mapping[str, ast.ClassDef]:
    tree = ast.parse(inspect.getsource(module))
    return {node.name: node for node in tree.body if isinstance(node, ast.ClassDef)}


def _below(body: ast.ClassDef) -> dict[str, str]:
    found = {}
    for statement, after in zip(body.body, body.body[1:], strict=False):
        if isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name):
            text = after.value if isinstance(after, ast.Expr) else None
            if isinstance(text, ast.Constant) and isinstance(text.value, str):
                found[statement.target.id] = " ".join(text.value.split())
    return found


def _find(model: type[BaseModel], place: str, found: dict[type[BaseModel], list[str]]) -> None:
    known = model in found
    found.setdefault(model, []).append(place)
    if known:
        return
    for name, field in model.model_fields.items():
        here = f"{place}.{name}" if place else name
        for inner, ending in _models(field.annotation):
            _find(inner, here + ending, found)


def _models(annotation: Any) -> Iterator[tuple[type[BaseModel], str]]:
    """The models in an annotation, each with what follows the key: a name, a number, or a list's place."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation, ""
        return
    inside = get_args(annotation)
    ending = ""
    if get_origin(annotation) is dict:
        ending = ".NUMBER" if int in (inside[0], *get_args(inside[0])) else ".NAME"
        inside = inside[1:]
    elif get_origin(annotation) in (tuple, list):
        ending = "[]"
    for part in inside:
        for model, below in _models(part):
            yield model, ending + below


def _key(name: str, field: FieldInfo, schema: Mapping[str, Any], text: str) -> Key:
    match = _EXAMPLE.search(text)
    meaning = text[: match.start()] + "." if match else text
    required = field.is_required()
    default = "" if required else _toml(field.default)
    literals = [value for value in _literals(field.annotation) if value is not None]
    example = match[1] if match else default or (_toml(literals[0]) if literals else "")
    return Key(name, meaning, allowed(schema), _unit(name), default, example, required)


def _literals(annotation: Any) -> Iterator[Any]:
    if get_origin(annotation) is Literal:
        yield from get_args(annotation)
    else:
        for part in get_args(annotation):
            yield from _literals(part)


def _unit(name: str) -> str:
    """The unit in the name: its longest known ending, `lengths_mm` and `low` alike."""
    endings = ["_".join(name.split("_")[i:]) for i in range(1, name.count("_") + 1)]
    whole = [name] if name == "inhg" else []
    return next((_UNITS[ending] for ending in [*whole, *endings] if ending in _UNITS), "")


def _toml(value: Any) -> str:
    """A default as one writes it; "" for what is left out, and for tables with defaults of their own."""
    if value is None or isinstance(value, (dict, BaseModel)):
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return f"{value:g}" if isinstance(value, float) else str(value)
    if isinstance(value, (str, Fraction)):
        return json.dumps(str(value))
    return f"[{', '.join(map(_toml, value))}]"


def allowed(schema: Mapping[str, Any]) -> str:
    """What a JSON schema lets through, in words."""
    if "anyOf" in schema:
        parts = [allowed(part) for part in schema["anyOf"] if part.get("type") != "null"]
        return " or ".join(dict.fromkeys(parts))
    if "const" in schema:
        return _toml(schema["const"])
    if "enum" in schema:
        return ", ".join(map(_toml, schema["enum"]))
    kind = schema.get("type")
    if "$ref" in schema:
        return "a table"
    if kind == "array":
        return _list(schema)
    if kind == "object":
        inner = schema.get("additionalProperties", schema.get("patternProperties", True))
        return (
            f"a table: a name with {allowed(inner)} each" if isinstance(inner, dict) and inner else "a table"
        )
    if schema.get("format") == "date":
        return "a day"
    words = {"number": "a number", "integer": "a whole number", "string": "text", "boolean": "true or false"}
    return words.get(str(kind), "any value") + _bounds(schema)


def _list(schema: Mapping[str, Any]) -> str:
    items = schema.get("prefixItems")
    if items:
        return f"[{', '.join(allowed(item) for item in items)}]"
    least = f", {schema['minItems']} or more" if schema.get("minItems") else ""
    return f"a list{least}, each {allowed(schema['items'])}"


def _bounds(schema: Mapping[str, Any]) -> str:
    low, high = schema.get("minimum"), schema.get("maximum")
    if low is not None and high is not None:
        return f", {low:,g} to {high:,g}"
    above, below = schema.get("exclusiveMinimum"), schema.get("exclusiveMaximum")
    words = [
        f"{low:,g} or more" if low is not None else "",
        f"above {above:,g}" if above is not None else "",
        f"at most {high:,g}" if high is not None else "",
        f"below {below:,g}" if below is not None else "",
        "not empty" if schema.get("minLength") else "",
        f"like {schema['pattern']}" if "pattern" in schema else "",
    ]
    found = [word for word in words if word]
    return ", " + ", ".join(found) if found else ""
