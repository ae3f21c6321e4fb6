"""A gauge that describes no face gets one from its scale that can be printed and read."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path

import pytest
import tomlkit

from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.primitives import Text
from bridge.faces.svg import part_svg
from bridge.panel.load import Panel, load_panel
from bridge.panel.ready_gauges import ready_names
from tests.faces.subjects import apart, at, svg_lines
from tests.flight.one_gauge import one_gauge
from tests.panel.every_ready_gauge import every_ready_gauge


def tachometer(folder: Path, scale: str, **more: str) -> Panel:
    text = one_gauge("last").replace("[[0, 0], [3000, 270]]", scale)
    for old, new in more.items():
        text = text.replace(old, new)
    file = folder / "panel.toml"
    file.write_text(text)
    return load_panel(file)


@pytest.mark.parametrize(
    ("scale", "first", "last"),
    [
        ("[[0, -120], [3000, 120]]", "0", "3000"),
        ("[[0, 0], [0.5, 270]]", "0", "0.5"),
        ("[[-2000, -150], [0, 0], [2000, 150]]", "-2000", "2000"),
        ("[[0, 0], [90000, 270]]", "0", "90"),
        ("[[40, 10], [42, 300]]", "40", "42"),
        ("[[0, 90], [100, -90]]", "0", "100"),
        ("[[0, 0], [100, 250], [1000, 270]]", "0", ""),
    ],
)
def test_its_numerals_are_where_the_pointer_is_at_that_reading(
    scale: str, first: str, last: str, tmp_path: Path
) -> None:
    panel = tachometer(tmp_path, scale)
    parts = gauge_parts(panel_gauge(panel, "tachometer"))
    face = next(part for part in parts if part.name == "face")
    texts = [item for item in face.printed if isinstance(item, Text)]
    numerals = [text.text for text in texts if text.name.startswith("scales")]
    assert numerals[0] == first and (not last or numerals[-1] == last)
    assert 2 <= len(numerals) <= 13
    marks = svg_lines(part_svg(face))
    for name, (x, y, *_) in marks.items():
        angle = panel.pointers[0].face(float(name.split(" ")[1]))
        assert apart((x, y), at(38.5, angle)) < 0.01
    assert [part.name for part in parts if part.pointer] == ["needle pointer"]


def test_it_has_its_name_and_its_unit(tmp_path: Path) -> None:
    face = panel_gauge(tachometer(tmp_path, "[[0, -120], [3000, 120]]"), "tachometer").face
    assert [letters.text for letters in face.letters] == ["TACHOMETER", "rpm"]


def test_where_nothing_can_be_read_the_pointer_is_drawn_alone(tmp_path: Path) -> None:
    face = panel_gauge(tachometer(tmp_path, "[[0, 0], [3000, 0.02]]"), "tachometer").face
    assert face.scales == () and list(face.pointers) == ["needle"]


@pytest.mark.slow
def test_every_ready_gauge_without_its_face_gets_one(tmp_path: Path) -> None:
    """Two quantities on one face, three hands for one quantity, cards, whatever its scale."""
    data = deepcopy(every_ready_gauge())
    for gauge in data["gauges"].values():
        gauge["face"] = False
    file = tmp_path / "panel.toml"
    file.write_text(tomlkit.dumps(data))
    panel = load_panel(file)
    for name in ready_names():
        face = panel_gauge(panel, name).face
        shown = {pointer.indication for pointer in panel.description.gauges[name].pointers.values()}
        assert len(face.scales) == min(2, len(shown)), name
        assert len(face.pointers) == len(panel_gauge(panel, name).hands)
