"""The command on the demo panel: six gauges, every file there, no mistake left unsaid."""

from __future__ import annotations

import argparse
from pathlib import Path

import pdfplumber
import pytest
from scipy.interpolate import PchipInterpolator

from bridge.commands.faces import add_arguments, run
from bridge.description import read_toml
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.svg import part_svg
from bridge.panel.load import load_panel
from tests.faces.subjects import apart, at, svg_lines

CONFIG = Path(__file__).parents[2] / "config"


def faces(*words: str) -> int:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return run(parser.parse_args(words))


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_demo_panel_gets_faces_cards_and_pointers(tmp_path: Path, paper: str) -> None:
    assert faces(str(CONFIG / "panel.toml"), "--out", str(tmp_path), "--paper", paper) == 0
    names = {file.name for file in tmp_path.iterdir()}
    for gauge in ("altimeter", "airspeed", "vertical-speed", "turn", "heading", "attitude"):
        assert f"{gauge}-face.svg" in names and f"{gauge}-face.dxf" in names
    for part in (
        "altimeter-hundreds-pointer",
        "altimeter-flag",
        "heading-card",
        "attitude-pitch-card",
        "turn-backing",
    ):
        assert f"{part}.svg" in names and f"{part}.dxf" in names
    with pdfplumber.open(tmp_path / "faces.pdf") as pdf:
        captions = " ".join(page.extract_text() for page in pdf.pages)
    assert "altimeter: face" in captions and "heading: card" in captions


def test_one_gauge_alone(tmp_path: Path) -> None:
    faces(str(CONFIG / "panel.toml"), "--out", str(tmp_path), "--gauge", "airspeed")
    assert {file.name for file in tmp_path.iterdir()} == {
        "faces.pdf", "airspeed-face.svg", "airspeed-face.dxf", "airspeed-needle-pointer.svg",
        "airspeed-needle-pointer.dxf",
    }  # fmt: skip


def test_an_unknown_gauge_is_answered_with_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="Did you mean altimeter"):
        faces(str(CONFIG / "panel.toml"), "--out", str(tmp_path), "--gauge", "altimetre")


def test_the_face_follows_the_calibration_file_not_the_nominal_scale() -> None:
    """Every mark of the demo's airspeed face, by the points in its calibration file."""
    points = read_toml(CONFIG / "calibration" / "airspeed.toml")["needle"]["points"]
    curve = PchipInterpolator([point[0] for point in points], [point[1] for point in points])
    face = gauge_parts(panel_gauge(load_panel(CONFIG / "panel.toml"), "airspeed"))[0]
    lines = svg_lines(part_svg(face))
    for reading in range(40, 181, 5):
        x1, y1, _, _ = lines[f"scales.0 {reading}"]
        assert apart((x1, y1), at(38.5, float(curve(reading)))) < 0.05


def test_pointers_turned_by_wheels_are_drawn_at_their_own_angles(tmp_path: Path) -> None:
    """9,000 ft: ten thousand feet a turn are at 324 degrees, a hundred thousand a turn at 32.4."""
    text = (Path(__file__).parents[1] / "check" / "clockwork.toml").read_text(encoding="utf-8")
    text += """
[gauges.altimeter.face]
flag = { pointer = "ten_thousands", from_deg = 216, to_deg = 246, inner_mm = 12, outer_mm = 19.5 }
[[gauges.altimeter.face.scales]]
pointer = "thousands"
low = 0
high = 10000
major = 1000
[gauges.altimeter.face.pointers]
hundreds = {}
thousands = { shape = "sword", width_mm = 6 }
ten_thousands = { shape = "rim" }
"""
    (tmp_path / "panel.toml").write_text(text, encoding="utf-8")
    faces(str(tmp_path / "panel.toml"), "--out", str(tmp_path / "out"))
    names = {file.name for file in (tmp_path / "out").iterdir()}
    for pointer in ("hundreds", "thousands", "ten-thousands"):
        assert f"altimeter-{pointer}-pointer.svg" in names and f"altimeter-{pointer}-pointer.dxf" in names
    dial = panel_gauge(load_panel(tmp_path / "panel.toml"), "altimeter")
    parts = {part.name: part for part in gauge_parts(dial)}
    x1, y1, _, _ = svg_lines(part_svg(parts["face"]))["scales.0 9000"]
    assert apart((x1, y1), at(38.5, 324.0)) < 0.05
    assert [dial.hands[name].curve(9000.0) % 360 for name in dial.hands] == pytest.approx([0.0, 324.0, 32.4])
    assert parts["thousands pointer"].box[3] == pytest.approx(22.0)  # as long as it is described
    assert parts["flag"].pointer == "ten_thousands"


def test_mistakes_of_all_gauges_are_reported_at_once_and_nothing_is_written(
    config: Path, tmp_path: Path
) -> None:
    text = (config / "panel.toml").read_text(encoding="utf-8")
    assert text.count("numerals = 20\n") == 1 and text.count("numerals = 500\n") == 1
    text = text.replace("numerals = 20\n", "numerals = 5\n").replace("numerals = 500\n", "numerals = 100\n")
    (config / "panel.toml").write_text(text, encoding="utf-8")
    with pytest.raises(DescriptionErrors) as errors:
        faces(str(config / "panel.toml"), "--out", str(tmp_path / "out"))
    message = str(errors.value)
    assert "gauges.airspeed.face.scales.0" in message and "gauges.vertical_speed.face.scales.0" in message
    assert not (tmp_path / "out").exists()


def test_the_same_faces_are_drawn_twice_and_a_file_of_the_users_stops_them(tmp_path: Path) -> None:
    words = (str(CONFIG / "panel.toml"), "--out", str(tmp_path / "out"), "--gauge", "airspeed")
    faces(*words)
    drawn = {file.name: file.read_bytes() for file in (tmp_path / "out").iterdir()}
    (tmp_path / "out" / "notes.txt").write_text("mine")
    faces(*words)
    (tmp_path / "out" / "notes.txt").unlink()
    assert {file.name: file.read_bytes() for file in (tmp_path / "out").iterdir()}.keys() == drawn.keys()
    (tmp_path / "out" / "airspeed-face.svg").write_text("mine")
    with pytest.raises(
        DescriptionErrors, match=r"airspeed-face\.svg: found a file that pointer-bridge did not"
    ):
        faces(*words)


def test_a_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(DescriptionError, match="found a file where a folder is needed"):
        faces(str(CONFIG / "panel.toml"), "--out", str(tmp_path / "out"))
    assert (tmp_path / "out").read_text() == "mine"


def test_two_gauges_that_would_share_a_file_are_refused(tmp_path: Path) -> None:
    text = (Path(__file__).parents[1] / "check" / "clockwork.toml").read_text(encoding="utf-8")
    panel = tmp_path / "panel.toml"
    gauge = """
[gauges."alti-meter"]
instrument = "altimeter"
[gauges."alti-meter".pointers.needle]
indication = "indicated_altitude"
kind = "endless"
per_turn = 1000
drive = "geared"
board = "other"
channel = 0
[boards.other]
[boards.other.channels]
0 = { output = "four_wire", pins = ["D2", "D3", "D4", "D5"], homing = "last" }
"""
    panel.write_text(text.replace("gauges.altimeter", "gauges.alti_meter") + gauge, encoding="utf-8")
    with pytest.raises(DescriptionErrors, match="names that differ by more than case"):
        faces(str(panel), "--out", str(tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_what_is_not_drawn_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No face table: one is made from the scale. A letter that the lettering lacks is not in captions."""
    text = (Path(__file__).parents[1] / "check" / "clockwork.toml").read_text(encoding="utf-8")
    text = text.replace("One motor, clock wheels", "Ж-3 wheels")
    (tmp_path / "panel.toml").write_text(text, encoding="utf-8")
    faces(str(tmp_path / "panel.toml"), "--out", str(tmp_path / "out"))
    out = capsys.readouterr().out
    assert "altimeter: no gauges.altimeter.face in" in out
    assert "faces.pdf: the lettering has no 'Ж'" in out
