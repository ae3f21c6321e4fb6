"""The reference is complete, its examples are accepted, and the page and schemas in the repository are it."""

from __future__ import annotations

import argparse
import tomllib
from typing import Any

import pytest
from pydantic import BaseModel, TypeAdapter

from bridge.commands import check
from bridge.hardware.microcontrollers import PARTS
from bridge.instruments.instruments import INSTRUMENTS, OPTIONS, options
from bridge.panel.load import shipped_motors
from bridge.panel.ready_gauges import expanded
from bridge.quantities.catalogue import CATALOGUE
from bridge.quantities.units import UNITS
from bridge.reference.keys import FILES, Key, keys, places
from bridge.reference.page import page
from tests.conftest import ROOT

CONFIG = ROOT / "config"
MODELS = {model for file in FILES.values() for root in file for model in places(root)}
EVERY_KEY = sorted(
    ((model, key) for model in MODELS for key in keys(model)),
    key=lambda each: (each[0].__name__, each[1].name),
)
IDS = [f"{model.__name__}.{key.name}" for model, key in EVERY_KEY]


def example_value(model: type[BaseModel], name: str, text: str) -> object:
    """An example of this key as its model reads it; raises ValueError where it is none.

    Gauges are filled in from ready ones, as in a panel.
    """
    field = model.model_fields[name]
    adapter: TypeAdapter[Any] = TypeAdapter(field.rebuild_annotation())
    data, _ = expanded({name: tomllib.loads(f"x = {text}")["x"]}, "example")
    return adapter.validate_python(data[name])


@pytest.mark.parametrize(("model", "key"), EVERY_KEY, ids=IDS)
def test_every_key_has_a_description_and_an_example_that_it_accepts(model: type[BaseModel], key: Key) -> None:
    assert len(key.meaning) > 5 and key.meaning.endswith("."), "write the sentence below the key in its model"
    assert "as in" not in key.meaning, "an example is at the end: as in `...`."
    assert key.example, "its default makes no example: end the sentence in: as in `...`."
    example_value(model, key.name, key.example)


def test_an_example_that_a_key_refuses_is_seen() -> None:
    """The check above can fail."""
    tick = next(model for model, key in EVERY_KEY if key.name == "tick_hz")
    with pytest.raises(ValueError, match="less than or equal to 500"):
        example_value(tick, "tick_hz", "501")


def test_every_option_of_an_instrument_has_its_meaning() -> None:
    assert {option for kind in INSTRUMENTS for option in options(kind)} == set(OPTIONS)


def test_the_page_names_all_that_may_be_named() -> None:
    text = page()
    for name in (*INSTRUMENTS, *CATALOGUE, *UNITS, *shipped_motors(), *PARTS):
        assert f"`{name}`" in text
    assert "`[gauges.NAME.pointers.NAME]`" in text and "`[[gauges.NAME.face.scales]]`" in text
    assert "D0 to D13, A0 to A5" in text


WRITE = "Write it again: pointer-bridge check {} > {}"


def test_the_page_in_the_repository_is_what_the_program_makes(capsys: pytest.CaptureFixture[str]) -> None:
    file = CONFIG / "REFERENCE.md"
    assert printed(capsys, "--reference") == file.read_text(), WRITE.format("--reference", file)


@pytest.mark.parametrize("name", FILES)
def test_the_schemas_in_the_repository_are_what_the_program_makes(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = CONFIG / "schemas" / f"{name}.json"
    assert printed(capsys, "--schema", name) == file.read_text(), WRITE.format(f"--schema {name}", file)


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    parser = argparse.ArgumentParser()
    check.add_arguments(parser)
    assert check.run(parser.parse_args(words)) == 0
    return capsys.readouterr().out
