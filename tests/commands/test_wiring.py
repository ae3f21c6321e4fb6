"""The command on the demo panel."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from bridge.commands.wiring import add_arguments, run
from bridge.errors import DescriptionError, DescriptionErrors
from tests.wiring.test_sheet import DEMO


def wiring(*words: str) -> int:
    parser = argparse.ArgumentParser()
    add_arguments(parser)
    return run(parser.parse_args(words))


@pytest.mark.slow
def test_the_demo_panel_gets_a_sheet_and_a_drawing_for_each_board(tmp_path: Path) -> None:
    assert wiring(str(DEMO), "--out", str(tmp_path)) == 0
    names = {file.name for file in tmp_path.iterdir()}
    assert {"wiring.html", "wiring.pdf", "wiring-right.svg", "wiring-centre.svg"} <= names


def test_one_board_alone(tmp_path: Path) -> None:
    wiring(str(DEMO), "--out", str(tmp_path), "--board", "centre", "--paper", "letter")
    assert {file.name for file in tmp_path.iterdir()} == {"wiring.html", "wiring.pdf", "wiring-centre.svg"}
    assert "Board left" not in (tmp_path / "wiring.html").read_text(encoding="utf-8")


def test_an_unknown_board_is_answered_with_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="Did you mean centre"):
        wiring(str(DEMO), "--out", str(tmp_path), "--board", "center")


def test_the_same_sheets_are_written_twice_and_a_file_of_the_users_stops_them(tmp_path: Path) -> None:
    for _ in range(2):
        wiring(str(DEMO), "--out", str(tmp_path), "--board", "centre")
    (tmp_path / "wiring.pdf").write_text("mine")
    with pytest.raises(
        DescriptionErrors, match=r"wiring\.pdf: found a file that pointer-bridge did not write"
    ):
        wiring(str(DEMO), "--out", str(tmp_path), "--board", "centre")


def test_a_place_that_can_not_be_written_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="found no such folder; expected a file that can be"):
        wiring(str(DEMO), "--out", str(tmp_path / "no" / "out"))
