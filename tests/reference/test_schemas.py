"""The schemas hold for the shipped files and see what is wrong, by jsonschema, an outside implementation."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from bridge.reference.schema import schema
from tests.conftest import ROOT, WRITTEN_OUT

jsonschema = pytest.importorskip("jsonschema")
CONFIG = ROOT / "config"


def validator(name: str) -> Any:
    text = json.loads(schema(name))
    jsonschema.Draft202012Validator.check_schema(text)
    return jsonschema.Draft202012Validator(text)


SHIPPED = [
    ("panel", CONFIG / "panel.toml"),
    ("panel", WRITTEN_OUT),
    *(("panel", file) for file in sorted((ROOT / "tests" / "data" / "panels").glob("*.toml"))),
    *(("calibration", file) for file in sorted((CONFIG / "calibration").glob("*.toml"))),
    *(("layout", file) for file in sorted((CONFIG / "layouts").glob("*.toml"))),
    *(("log-layout", file) for file in sorted((CONFIG / "log-layouts").glob("*.toml"))),
    *(("scenario", file) for file in sorted((CONFIG / "scenarios").glob("*.toml"))),
]


@pytest.mark.parametrize(("name", "file"), SHIPPED, ids=[file.name for _, file in SHIPPED])
def test_the_shipped_files_fit_their_schemas(name: str, file: Path) -> None:
    validator(name).validate(tomllib.loads(file.read_text()))


@pytest.mark.slow
@pytest.mark.parametrize(
    "wrong",
    [
        {"gauges": {"a": {"lyke": "airspeed"}}},
        {"gauges": {"a": {"like": "airspede"}}},
        {"gauges": {"a": {"like": "airspeed", "pointers": {"needle": {"channel": "first"}}}}},
        {"tick_hz": 5},
    ],
    ids=str,
)
def test_a_schema_sees_what_is_wrong(wrong: dict[str, Any]) -> None:
    good: dict[str, Any] = {
        "drives": {},
        "boards": {"b": {"channels": {}}},
        "gauges": {"a": {"like": "airspeed"}},
    }
    validator("panel").validate(good)
    validator("panel").validate({**good, "gauges": {"a": {"like": "altimeter", "face": {"flag": False}}}})
    assert list(validator("panel").iter_errors({**good, **wrong}))
