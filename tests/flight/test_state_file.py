"""What outlives the program: kept whole or not at all, and nothing doubtful is read from it."""

from __future__ import annotations

import json
import os
import threading
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import structlog
from structlog.testing import capture_logs

from bridge.flight.state_file import MOST_BYTES, KeptState, StateFile, positions_as_left, state_file
from bridge.panel.load import Panel, load_panel
from tests.conftest import PATIENCE_S, ROOT

POSITIONS = {("left", 0): 1234.568, ("left", 1): -20.0, ("right", 0): 0.0}


@pytest.fixture(autouse=True)
def plain_logs() -> None:
    structlog.reset_defaults()


@pytest.fixture
def panel() -> Panel:
    return load_panel(ROOT / "config" / "panel.toml")


def forged(positions: Any, **more: Any) -> str:
    """A file with these positions whose check sum is right."""
    data = {"positions_steps": positions, "complete": True, **more}
    return json.dumps({**data, "crc32": zlib.crc32(json.dumps(data, sort_keys=True).encode())})


def test_positions_come_back_as_they_were_kept(tmp_path: Path) -> None:
    file = StateFile(tmp_path / "deep" / "folder" / "panel.json")
    file.keep(POSITIONS)
    kept = StateFile(file.path).read()
    assert kept.positions == {place: pytest.approx(steps, abs=0.001) for place, steps in POSITIONS.items()}
    assert kept.complete
    assert [path.name for path in file.path.parent.iterdir()] == ["panel.json"]


def test_nothing_is_kept_at_first(tmp_path: Path) -> None:
    with capture_logs() as logs:
        assert StateFile(tmp_path / "panel.json").read() == KeptState()
    assert not logs


def test_the_knobs_setting_is_kept_beside_the_positions(tmp_path: Path) -> None:
    file = StateFile(tmp_path / "panel.json")
    assert file.read().setting_inhg is None
    file.keep(POSITIONS, 30.11)
    file.keep({("left", 0): 1.0})
    assert StateFile(file.path).read() == KeptState(
        {**POSITIONS, ("left", 0): 1.0}, setting_inhg=30.11, complete=True
    )


def cut(text: str) -> str:
    return text[: len(text) // 2]


@pytest.mark.parametrize(
    "damage",
    [
        lambda _: "",
        cut,
        lambda text: text.replace("1234.568", "9234.568"),
        lambda text: text.replace("1234.568", "NaN"),
        lambda text: text.replace('"complete": true', '"complete": false'),
        lambda _: "[" * 100_000,
        lambda _: '{"positions_steps": {"left": {"0": ' + "9" * 400 + "}}}",
        lambda _: '{"positions_steps": {"left": {"0": ' + "9" * 5000 + "}}}",
        lambda text: text + " " * MOST_BYTES,
        lambda _: "[]",
        lambda _: forged(3),
        lambda _: forged({"left": [1]}),
        lambda _: forged({"left": {"0": "far"}}),
        lambda _: forged({"left": {"0": True}}),
        lambda _: forged({"left": {"zero": 1.0}}),
    ],
)
def test_after_damage_every_position_is_unknown_and_none_is_home_until_the_user_has_decided(
    tmp_path: Path, panel: Panel, damage: Callable[[str], str]
) -> None:
    file = StateFile(tmp_path / "panel.json")
    file.keep(POSITIONS)
    file.path.write_text(damage(file.path.read_text(encoding="utf-8")), encoding="utf-8")
    with capture_logs() as logs:
        assert StateFile(file.path).read() == KeptState(complete=False)
    assert [line["event"] for line in logs] == ["state file not used"]
    with capture_logs() as logs:
        assert positions_as_left(panel, StateFile(file.path)) == {}
    unknown = [line for line in logs if line["event"] == "position not confirmed"]
    assert {line["pointer"] for line in unknown} == {pointer.key for pointer in panel.pointers}
    assert f"delete {file.path}" in unknown[0]["cure"]
    # What is known again is kept; what was lost stays unknown, also for the next start.
    StateFile(file.path).keep({("left", 0): 17.0})
    assert StateFile(file.path).read() == KeptState({("left", 0): 17.0}, complete=False)
    assert positions_as_left(panel, StateFile(file.path)) == {("left", 0): 17.0}


@pytest.mark.parametrize("steps", [1e12, -1e300, 2**40, int("9" * 400)])
def test_a_number_that_no_position_can_be_is_unknown_and_the_others_are_used(
    tmp_path: Path, steps: float
) -> None:
    path = tmp_path / "panel.json"
    path.write_text(forged({"left": {"0": steps, "1": 5.0}}), encoding="utf-8")
    assert StateFile(path).read() == KeptState({("left", 1): 5.0}, complete=False)


def test_the_first_time_the_needles_are_at_home(tmp_path: Path, panel: Panel) -> None:
    left = positions_as_left(panel, StateFile(tmp_path / "panel.json"))
    assert left == {(p.board, p.channel): p.drive.zero_steps for p in panel.pointers}


def test_a_position_outside_its_pointers_travel_is_not_confirmed(tmp_path: Path, panel: Panel) -> None:
    bounded = next(pointer for pointer in panel.pointers if pointer.high_steps is not None)
    address = (bounded.board, bounded.channel)
    assert bounded.high_steps is not None
    file = StateFile(tmp_path / "panel.json")
    file.keep({address: bounded.high_steps + 5.0})
    with capture_logs() as logs:
        left = positions_as_left(panel, file)
    assert address not in left
    assert len(left) == len(panel.pointers) - 1
    assert [line["pointer"] for line in logs] == [bounded.key]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs FIFOs")
def test_what_is_no_file_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "panel.json"
    os.mkfifo(path)
    assert StateFile(path).read() == KeptState(complete=False)
    StateFile(path).keep(POSITIONS)
    assert StateFile(path).read().positions.keys() == POSITIONS.keys()


def test_positions_that_did_not_change_are_not_written_again(tmp_path: Path) -> None:
    file = StateFile(tmp_path / "panel.json")
    file.keep(POSITIONS)
    written = file.path.stat().st_ino  # each writing makes a new file
    file.keep(dict(POSITIONS))
    assert file.path.stat().st_ino == written
    file.keep({**POSITIONS, ("left", 1): -21.0})
    assert file.path.stat().st_ino != written


@pytest.mark.parametrize("damage", [lambda path: path.write_text("{"), lambda path: path.unlink()])
def test_a_file_damaged_in_flight_is_written_again_with_every_position(
    tmp_path: Path, damage: Callable[[Path], object]
) -> None:
    file = StateFile(tmp_path / "panel.json")
    file.keep(POSITIONS)
    damage(file.path)
    file.keep(dict(POSITIONS))
    assert StateFile(file.path).read() == KeptState(POSITIONS)


def test_a_write_that_fails_leaves_what_was_kept_is_logged_once_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = StateFile(tmp_path / "panel.json")
    file.keep(POSITIONS)

    def no_space(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    with capture_logs() as logs, monkeypatch.context() as full:
        full.setattr("os.fsync", no_space)
        file.keep({("left", 0): 1.0})
        file.keep({("left", 0): 2.0})
    assert [line["event"] for line in logs] == ["state not kept"]
    assert "No space left" in logs[0]["why"]
    assert [path.name for path in tmp_path.iterdir()] == ["panel.json"]
    assert len(StateFile(file.path).read().positions) == 3, "the old state is whole"
    file.keep({("left", 0): 2.0})
    assert StateFile(file.path).read().positions == {**POSITIONS, ("left", 0): 2.0}


def test_a_slow_disk_gets_one_writer_at_a_time_and_keeps_the_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = StateFile(tmp_path / "panel.json")
    entered, release = threading.Event(), threading.Event()
    at_once = most_at_once = 0

    def slow(descriptor: int) -> None:
        nonlocal at_once, most_at_once
        at_once += 1
        most_at_once = max(most_at_once, at_once)
        entered.set()
        release.wait(PATIENCE_S)
        at_once -= 1

    monkeypatch.setattr("os.fsync", slow)
    savers = [threading.Thread(target=file.keep, args=({("left", 0): float(number)},)) for number in range(2)]
    savers[0].start()
    assert entered.wait(PATIENCE_S)
    savers[1].start()
    assert not file.path.exists(), "nothing is there before it is whole"
    release.set()
    for saver in savers:
        saver.join()
    assert most_at_once == 1
    assert StateFile(file.path).read().positions == {("left", 0): 1.0}
    assert [path.name for path in tmp_path.iterdir()] == ["panel.json"]


@pytest.mark.parametrize("kept", ["high", 1e9, [], None, -3])
def test_a_setting_that_can_not_be_one_is_not_used(tmp_path: Path, kept: object) -> None:
    path = tmp_path / "panel.json"
    path.write_text(forged({}, altimeter_setting_inhg=kept), encoding="utf-8")
    assert StateFile(path).read() == KeptState()


def test_two_panels_of_the_same_name_keep_their_states_apart(tmp_path: Path) -> None:
    here, there = tmp_path / "a" / "panel.toml", tmp_path / "b" / "panel.toml"
    assert state_file(here) != state_file(there)
    assert state_file(here) == state_file(tmp_path / "b" / ".." / "a" / "panel.toml")
