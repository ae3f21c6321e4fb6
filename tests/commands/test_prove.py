"""`prove` on virtual boards in their own time, and in a terminal on a board behind a serial line."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import pytest

from bridge.cli import main
from bridge.commands import calibrate
from bridge.commands import prove as prove_command
from bridge.flight.dry_run import virtual_board
from bridge.panel.load import load_panel
from tests.boards.pty_board import PtyBoard
from tests.commands.started import command, environment
from tests.conftest import PATIENCE_S, wait_until
from tests.flight.one_gauge import one_gauge

pexpect = pytest.importorskip("pexpect", reason="a terminal is needed", exc_type=ImportError)


def prove(config: Path, out: Path, *more: str) -> int:
    pitch = ("prove", "attitude", "--pointer", "pitch", "--cycles", "1")
    return main([*pitch, "--panel", str(config / "panel.toml"), "--out", str(out), *more])


@pytest.mark.slow
def test_a_virtual_gauge_is_tested_and_an_interrupted_test_goes_on(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    panel = config / "panel.toml"
    text = panel.read_text().replace("tick_hz = 100", "tick_hz = 20")
    panel.write_text(text.replace("[boards.right]", '[boards.right]\nlink = "serial"\nport = "/dev/ttyNONE"'))
    out = tmp_path / "sheets"
    assert prove(config, out, "--virtual") == 0
    assert "Not an airworthiness document" in capsys.readouterr().out
    record = json.loads((out / "attitude-pitch.json").read_text())
    assert record["finished"] is True and record["verdict"] == "pass"
    assert "It proves the program and the description, and nothing of a real needle" in record["read_by"]
    assert "virtual, id none" in record["facts"]["board"]  # the real one has no part in it
    assert (out / "attitude-pitch.html").exists()
    assert (out / "attitude-pitch.pdf").read_bytes().startswith(b"%PDF")
    whole = [row["read"] for row in record["readings"]]
    record["readings"], record["finished"] = record["readings"][:7], False
    (out / "attitude-pitch.json").write_text(json.dumps(record, indent=1))
    assert prove(config, out, "--virtual") == 0
    assert f"going on after 7 of {len(whole)} readings" in capsys.readouterr().out
    again = [row["read"] for row in json.loads((out / "attitude-pitch.json").read_text())["readings"]]
    assert again == pytest.approx(whole, abs=0.02)


@pytest.mark.parametrize("line", (*prove_command.KEYS, *calibrate.KEYS))
def test_the_keys_can_be_read_in_a_terminal_of_80_columns(line: str) -> None:
    assert len(line) <= 80


def test_a_file_of_the_users_is_not_overwritten(config: Path, tmp_path: Path) -> None:
    (tmp_path / "attitude-pitch.html").write_text("mine")
    result = command(
        tmp_path,
        "prove",
        "attitude",
        "--pointer",
        "pitch",
        "--panel",
        config / "panel.toml",
        "--out",
        tmp_path,
    )
    assert result.returncode == 2
    assert "a file that pointer-bridge did not write" in result.stderr


def test_a_real_board_needs_a_terminal_or_is_left_out(tmp_path: Path) -> None:
    panel = tmp_path / "panel.toml"
    panel.write_text(one_gauge("last", "/dev/ttyNONE"))
    result = command(tmp_path, "prove", "tachometer", "--panel", panel)
    assert result.returncode == 2
    assert "found no terminal to type readings in" in result.stderr and "--virtual" in result.stderr


OPTIONS = "bridge.cli prove tachometer --needles-as-left --who Ada --read-to 5 --hold 0.1"
READ = r"read the needle, rpm: _"


@pytest.mark.slow
def test_a_person_types_what_the_needle_shows(tmp_path: Path) -> None:
    """A reading far off is doubted, one is taken, and taken back; the record follows."""
    panel = tmp_path / "panel.toml"
    panel.write_text(one_gauge("last", tmp_path / "ttyBOARD"))
    record = tmp_path / "proof" / "tachometer-needle.json"
    described = virtual_board(load_panel(panel), "only").described
    board = PtyBoard(tmp_path, described, 500)
    board.plug()
    child = pexpect.spawn(
        sys.executable,
        ["-m", *OPTIONS.split(), "--panel", str(panel)],
        cwd=tmp_path,
        env=environment(tmp_path),
        dimensions=(24, 120),
        timeout=PATIENCE_S,
        encoding="utf-8",
    )
    try:
        child.expect(READ)
        child.send("3000\r")
        child.expect("3000 is far from what is to be expected")
        child.expect(r"0 of \d+ readings")
        child.send("512\r")
        child.expect(r"1 of \d+ readings")
        wait_until(record.is_file, "kept")
        kept = json.loads(record.read_text())
        child.send("u")
        child.expect(r"0 of \d+ readings")
        child.send("q")
        child.expect("readings are still to be taken: the same command goes on")
        child.expect(pexpect.EOF)
    finally:
        child.close(force=True)
        board.unplug()
    assert child.exitstatus == 1
    left = json.loads(record.read_text())
    assert [row["read"] for row in kept["readings"]] == [512.0]
    assert left["readings"] == []
    assert left["finished"] is False
    assert re.match("Ada, by eye, to 5 rpm as stated", left["read_by"])
    assert "id 00" in left["facts"]["board"]
