"""What outlives the program: kept whole or not at all, and a disk that fails is said once."""

from __future__ import annotations

from pathlib import Path

import pytest
import structlog
from structlog.testing import capture_logs

from bridge.flight.state_file import StateFile, state_file

POSITIONS = {("left", 0): 1234.5678, ("left", 1): -20.0, ("right", 0): 0.0}


@pytest.fixture(autouse=True)
def plain_logs() -> None:
    structlog.reset_defaults()


def test_positions_come_back_as_they_were_kept(tmp_path: Path) -> None:
    file = StateFile(tmp_path / "deep" / "folder" / "panel.json")
    file.keep(POSITIONS)
    kept = StateFile(file.path).read()
    assert kept == {place: pytest.approx(steps, abs=0.001) for place, steps in POSITIONS.items()}
    assert [path.name for path in file.path.parent.iterdir()] == ["panel.json"]


def test_nothing_is_kept_at_first(tmp_path: Path) -> None:
    with capture_logs() as said:
        assert StateFile(tmp_path / "panel.json").read() == {}
    assert not said


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"positions_steps": 3}', '{"positions_steps": {"left": [1]}}']
)
def test_a_damaged_file_is_said_and_not_used(tmp_path: Path, text: str) -> None:
    path = tmp_path / "panel.json"
    path.write_text(text, encoding="utf-8")
    with capture_logs() as said:
        assert StateFile(path).read() == {}
    assert [line["event"] for line in said] == ["state file not used"]
    StateFile(path).keep(POSITIONS)
    assert StateFile(path).read()


def test_positions_that_did_not_change_are_not_written_again(tmp_path: Path) -> None:
    file = StateFile(tmp_path / "panel.json")
    file.keep(POSITIONS)
    file.path.unlink()
    file.keep(dict(POSITIONS))
    assert not file.path.exists()
    file.keep({**POSITIONS, ("left", 1): -21.0})
    assert file.path.exists()


def test_a_write_that_fails_leaves_what_was_kept_is_said_once_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = StateFile(tmp_path / "panel.json")
    file.keep(POSITIONS)

    def no_space(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    with capture_logs() as said, monkeypatch.context() as full:
        full.setattr("os.fsync", no_space)
        file.keep({("left", 0): 1.0})
        file.keep({("left", 0): 2.0})
    assert [line["event"] for line in said] == ["state not kept"]
    assert "No space left" in said[0]["why"]
    assert len(StateFile(file.path).read()) == 3, "the old state stands whole"
    file.keep({("left", 0): 2.0})
    assert StateFile(file.path).read() == {**POSITIONS, ("left", 0): 2.0}


def test_the_knobs_setting_is_kept_beside_the_positions(tmp_path: Path) -> None:
    file = StateFile(tmp_path / "panel.json")
    assert file.read_setting_inhg() is None
    file.keep(POSITIONS, 30.11)
    file.keep({("left", 0): 1.0})
    assert StateFile(file.path).read_setting_inhg() == 30.11
    assert StateFile(file.path).read() == {**POSITIONS, ("left", 0): 1.0}


@pytest.mark.parametrize("kept", ['"high"', "NaN", "1e9", "[]", "null", "-3"])
def test_a_setting_that_can_not_be_one_is_not_used(tmp_path: Path, kept: str) -> None:
    path = tmp_path / "panel.json"
    path.write_text(f'{{"positions_steps": {{}}, "altimeter_setting_inhg": {kept}}}', encoding="utf-8")
    assert StateFile(path).read_setting_inhg() is None


def test_two_panels_of_the_same_name_keep_their_states_apart(tmp_path: Path) -> None:
    here, there = tmp_path / "a" / "panel.toml", tmp_path / "b" / "panel.toml"
    assert state_file(here) != state_file(there)
    assert state_file(here) == state_file(tmp_path / "b" / ".." / "a" / "panel.toml")
