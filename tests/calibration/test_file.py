"""The writer of calibration files: comments and order kept, the version before beside it, all or nothing."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import pytest

from bridge.calibration.draft import CalibrationDraft, Points
from bridge.calibration.file import save_points
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel, load_panel


def loaded(config: Path, gauge: str) -> tuple[Panel, Pointer]:
    panel = load_panel(config / "panel.toml")
    return panel, next(pointer for pointer in panel.pointers if pointer.gauge == gauge)


def test_comments_order_and_other_tables_stay(config: Path) -> None:
    file = config / "calibration" / "airspeed.toml"
    text = file.read_text().replace("[40, 28, 28.4],", "[40, 28, 28.4],  # peg of the stop")
    file.write_text(text + "\n# the last line\n")
    panel, needle = loaded(config, "airspeed")
    draft = CalibrationDraft(needle)
    draft.capture(50, False, needle.position(50) + 10)
    assert save_points(panel, needle, draft.points()) == (file,)
    after = file.read_text()
    for kept in ("# Measured on the bench", "# peg of the stop", "# the last line"):
        assert kept in after
    assert isinstance(tomllib.loads(after)["needle"]["captured"], date)
    readings = [point[0] for point in tomllib.loads(after)["needle"]["points"]]
    assert readings == [0, 40, 50, 60, 80, 100, 120, 140, 160, 180]
    _, again = loaded(config, "airspeed")
    assert again.rising(50) == pytest.approx(needle.drive_deg(needle.position(50) + 10), abs=0.001)


def test_the_version_before_is_kept_beside_it(config: Path) -> None:
    file = config / "calibration" / "airspeed.toml"
    before = file.read_text()
    panel, needle = loaded(config, "airspeed")
    draft = CalibrationDraft(needle)
    draft.capture(100, False, needle.position(100) + 3)
    save_points(panel, needle, draft.points())
    assert file.with_name("airspeed.toml.before").read_text() == before
    assert sorted(path.name for path in file.parent.iterdir() if "airspeed" in path.name) == [
        "airspeed.toml",
        "airspeed.toml.before",
    ]


def test_a_file_in_another_unit_is_written_in_that_unit(config: Path) -> None:
    file = config / "calibration" / "airspeed.toml"
    file.write_text('[needle]\nunit = "mph"\npoints = [[0, 0], [207, 310]]\n')
    panel, needle = loaded(config, "airspeed")
    save_points(panel, needle, CalibrationDraft(needle).points())
    written = tomllib.loads(file.read_text())["needle"]
    assert written["unit"] == "mph"
    assert [point[0] for point in written["points"]] == pytest.approx([0, 207])


def test_a_gauge_without_a_file_gets_one_and_its_line_in_the_description(config: Path) -> None:
    panel, bank = loaded(config, "attitude")
    files = save_points(panel, bank, CalibrationDraft(bank).points())
    assert [file.name for file in files] == ["attitude.toml", "panel.toml"]
    text = (config / "panel.toml").read_text()
    assert 'calibration = "calibration/attitude.toml"' in text
    assert text.startswith((config / "panel.toml.before").read_text()[:40])
    again, same = loaded(config, "attitude")
    assert same.rising.points == bank.rising.points
    assert config / "calibration" / "attitude.toml" in again.files


def test_a_file_that_nothing_names_is_not_overwritten(config: Path) -> None:
    (config / "calibration" / "attitude.toml").write_text("# somebody's notes\n")
    panel, bank = loaded(config, "attitude")
    with pytest.raises(DescriptionError, match="does not name"):
        save_points(panel, bank, CalibrationDraft(bank).points())
    assert (config / "calibration" / "attitude.toml").read_text() == "# somebody's notes\n"


def test_points_that_could_not_be_read_back_are_not_written(config: Path) -> None:
    file = config / "calibration" / "airspeed.toml"
    before = file.read_text()
    panel, needle = loaded(config, "airspeed")
    with pytest.raises(DescriptionErrors):
        save_points(panel, needle, Points((), ()))
    assert file.read_text() == before


def test_a_place_that_cannot_be_written_is_named(config: Path) -> None:
    panel, needle = loaded(config, "airspeed")
    (config / "calibration" / "airspeed.toml.new").mkdir()
    with pytest.raises(DescriptionError, match=r"airspeed\.toml: found a file that can't be written"):
        save_points(panel, needle, CalibrationDraft(needle).points())
