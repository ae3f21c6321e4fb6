"""JSON Schemas of the files that a person writes, for editors that complete and check TOML."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, TypeAdapter

from bridge.panel.gauge_description import GaugeDescription
from bridge.panel.ready_gauges import ready_names
from bridge.reference.keys import FILES, docstrings, places

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_GAUGE = GaugeDescription.__name__


def schema(file: str) -> str:
    """The schema of one kind of file, a key of `FILES`, as text."""
    models = FILES[file]
    kinds: Any = models[0]
    for model in models[1:]:
        kinds |= model
    whole = TypeAdapter(kinds).json_schema(ref_template="#/$defs/{model}")
    if file == "calibration":
        inner = {key: value for key, value in whole.items() if key != "$defs"}
        whole = {"$defs": whole.get("$defs", {}), "type": "object", "additionalProperties": inner}
    for model in {each for root in models for each in places(root)}:
        properties = _properties(whole, model)
        for name, text in docstrings(model).items():
            if name in properties:
                properties[name]["description"] = text
    if file == "panel":
        _leave_to_ready_gauges(whole["$defs"])
    return json.dumps({"$schema": _DIALECT, **whole}, indent=1, ensure_ascii=False) + "\n"


def _properties(whole: Mapping[str, Any], model: type[BaseModel]) -> dict[str, Any]:
    here = whole.get("$defs", {}).get(model.__name__) or whole
    if "additionalProperties" in here and "properties" not in here:
        here = here["additionalProperties"]
    properties: dict[str, Any] = here.get("properties", {})
    return properties


def _leave_to_ready_gauges(definitions: dict[str, Any]) -> None:
    """A gauge that is like a ready one may leave anything out, and take a table out by `false`."""
    waiting, seen = [_GAUGE], set()
    while waiting:
        name = waiting.pop()
        if name in seen:
            continue
        seen.add(name)
        here = definitions[name]
        here.pop("required", None)
        for key, value in here["properties"].items():
            inner = json.dumps(value)
            waiting += [other for other in definitions if f'"#/$defs/{other}"' in inner]
            named = value.get("additionalProperties")
            if isinstance(named, dict) and "$ref" in named:  # tables by name: one of them may go, or all
                value["additionalProperties"] = {"anyOf": [named, {"const": False}]}
            if value.get("type") == "object" or ("$ref" in inner and value.get("type") != "array"):
                here["properties"][key] = {"anyOf": [value, {"const": False}]}
    definitions[_GAUGE]["properties"]["like"]["enum"] = [*ready_names(), None]
