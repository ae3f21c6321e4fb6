"""What is wrong in a layout is reported: file, key, what was found, what was expected, the cure."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import DescriptionErrors
from bridge.quantities.catalogue import Quantity, extend_catalogue
from bridge.telemetry.layout import load_layout
from tests.telemetry.written import EXAMPLES, layout_of

TEXT = 'kind = "delimited"\n[[fields]]\nquantity = "pitch"\nunit = "deg"\ncolumn = 1\n'
PACKED = """
kind = "binary"
byte_order = "little"
length = 8
[[fields]]
quantity = "pitch"
unit = "deg"
offset = 0
type = "float32"
"""
GROUPS = """
kind = "groups"
byte_order = "big"
tag_type = "uint8"
number_type = "float32"
numbers = 2
[[fields]]
quantity = "pitch"
unit = "deg"
tag = 3
number = 2
"""


def mistakes(text: str) -> list[tuple[str, str, str, str]]:
    """Key, found, expected and cure of each mistake."""
    with pytest.raises(DescriptionErrors) as raised:
        layout_of(text)
    assert all(error.where.endswith("sample.toml") for error in raised.value.errors)
    return [(error.key, error.found, error.expected, error.cure) for error in raised.value.errors]


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        (
            TEXT.replace('"deg"', '"degrees"'),
            "fields.0.unit",
            ("unknown unit 'degrees'", "unit of angle", "deg"),
        ),
        (TEXT.replace('"deg"', '"kt"'), "fields.0.unit", ("'kt', a unit of speed", "unit of angle")),
        (
            TEXT.replace("pitch", "pich"),
            "fields.0.quantity",
            ("unknown quantity 'pich'", "Did you mean pitch"),
        ),
        (TEXT.replace("column =", "colum ="), "fields.0.colum", ("an unknown key", "Did you mean column")),
        (TEXT.replace("column = 1", ""), "fields.0", ("neither label nor column",)),
        (TEXT.replace("column = 1", "column = 0"), "fields.0.column", ("0",)),
        (TEXT.replace("column = 1", "column = 1\nscale = 0"), "fields.0.scale", ("factor other than 0",)),
        (TEXT.replace("delimited", "delimted"), "kind", ("'delimted'", "Did you mean delimited")),
        (TEXT.replace('kind = "delimited"', ""), "kind", ("nothing", "one of delimited")),
        ("columns = 3\n" + TEXT.replace("column = 1", "column = 4"), "fields.0.column", ("at most 3",)),
        ('header = "#"\n' + TEXT, "header", ("no field with a label",)),
        (TEXT.replace('"pitch"', '"time"').replace('"deg"', '"s"'), "fields", ("nothing but time",)),
        ('kind = "json"\n', "fields", ("nothing", "a value", "Add fields")),
        (
            PACKED.replace("offset = 0", "offset = 6"),
            "fields.0.offset",
            ("bytes 6 to 9", "within the 8 bytes"),
        ),
        (PACKED.replace("float32", "float"), "fields.0.type", ("'float'", "float32")),
        ('begins = "AB"\n' + PACKED, "fields.0.offset", ("bytes 0 to 3", "after the 2 bytes")),
        ('begins = "0x4"\n' + PACKED, "begins", ("'0x4'", "pairs of hexadecimal digits")),
        (GROUPS.replace('tag_type = "uint8"', ""), "tag_type", ("nothing",)),
        (GROUPS.replace('number_type = "float32"', ""), "number_type", ("nothing",)),
        (GROUPS.replace("number = 2", "number = 3"), "fields.0.number", ("number 3", "at most 2")),
        (GROUPS.replace("tag = 3", "tag = 300"), "fields.0.tag", ("300", "fits uint8")),
        ('begins = "ABC"\nheader_length = 2\n' + GROUPS, "header_length", ("at least the bytes of begins",)),
        (
            'kind = "keyvalue"\nseparator = "="\n[[fields]]\nquantity = "pitch"\nunit = "deg"\nkey = "p"',
            "assign",
            ("two different marks",),
        ),
    ],
)
def test_a_mistake_is_named_by_its_key_with_a_cure(text: str, key: str, words: tuple[str, ...]) -> None:
    [mistake] = mistakes(text)
    assert mistake[0] == key
    for word in words:
        assert word in " ".join(mistake[1:])


def test_fields_that_share_some_bytes_are_a_mistake_and_fields_that_read_the_same_number_are_not() -> None:
    second = '[[fields]]\nquantity = "bank"\nunit = "deg"\noffset = 2\ntype = "float32"'
    [mistake] = mistakes(PACKED + second)
    assert mistake[0] == "fields.1.offset"
    assert "fields.0 has 0 to 3" in mistake[2]
    same = layout_of(PACKED + second.replace("offset = 2", "offset = 0"))
    assert same.given == {"pitch", "bank"}


def test_all_mistakes_are_reported_at_once() -> None:
    text = TEXT.replace('"deg"', '"degrees"') + '[[fields]]\nquantity = "speed"\nunit = "kt"\ncolumn = 2\n'
    assert [mistake[0] for mistake in mistakes(text)] == ["fields.0.unit", "fields.1.quantity"]


def test_a_quantity_that_comes_twice_is_a_mistake() -> None:
    [mistake] = mistakes(TEXT + '[[fields]]\nquantity = "pitch"\nunit = "rad"\ncolumn = 2\n')
    assert mistake[0] == "fields.1.quantity"


def test_a_missing_file_and_a_slip_of_toml_are_named(tmp_path: Path) -> None:
    with pytest.raises(DescriptionErrors, match="no such file"):
        load_layout(tmp_path / "none.toml")
    (tmp_path / "slip.toml").write_text('kind = "json\n', encoding="utf-8")
    with pytest.raises(DescriptionErrors, match="line 1"):
        load_layout(tmp_path / "slip.toml")


def test_a_layout_is_called_by_its_file_unless_it_has_a_name() -> None:
    assert layout_of(TEXT).name == "sample"
    assert layout_of('name = "left panel"\n' + TEXT).name == "left panel"


def test_a_quantity_of_the_builders_own_has_its_unit_and_range() -> None:
    catalogue = extend_catalogue([Quantity("flap_angle", "deg", 0.0, 40.0, "flaps, down positive")])
    layout = layout_of(TEXT.replace("pitch", "flap_angle").replace('"deg"', '"turn"'), catalogue)
    assert layout.given == {"flap_angle"}
    assert layout.decoder().decode(b"0.1").readings == {"flap_angle": pytest.approx(36.0)}  # type: ignore[union-attr]


def test_every_shipped_layout_loads_and_gives_an_altitude() -> None:
    paths = sorted(EXAMPLES.glob("*.toml"))
    kinds = {load_layout(path).described.kind for path in paths}
    assert kinds == {"delimited", "keyvalue", "json", "binary", "groups", "mavlink"}
    for path in paths:
        assert load_layout(path).given & {"pressure_altitude", "geometric_altitude", "static_pressure"}
