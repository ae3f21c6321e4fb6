"""The README's first evening: its commands, as they are written there, lead to a needle at its reading."""

from __future__ import annotations

import csv
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from tests.commands.started import environment
from tests.conftest import PATIENCE_S, ROOT, wait_until
from tests.ports import free_port

SECTION = "## One gauge in an evening, without hardware"
PORT = "58226"
WHILE = 150
"""Ticks, of 10 ms each, for which telemetry must be live."""


def commands() -> list[str]:
    section = (ROOT / "README.md").read_text(encoding="utf-8").split(SECTION)[1].split("\n## ")[0]
    block = re.search(r"(?:^    .+\n)+", section, re.M)
    assert block
    return [line.strip() for line in block[0].splitlines()]


def rows_of(trace: Path) -> list[dict[str, str]]:
    """The whole rows that are written so far."""
    part = next(trace.parent.glob(f"{trace.name}.*"), None)
    lines = part.read_text(encoding="utf-8").splitlines(keepends=True) if part else []
    return list(csv.DictReader(line for line in lines if line.endswith("\n")))


def test_it_takes_at_most_twelve_commands_and_edits() -> None:
    """With the clone of the repository, which is the first."""
    assert 1 + len(commands()) <= 12


@pytest.mark.slow
@pytest.mark.skipif(
    not (shutil.which("bash") and shutil.which("make") and shutil.which("cc")), reason="no compiler"
)
def test_the_commands_lead_to_a_needle_at_its_reading(tmp_path: Path) -> None:
    """All but those that install the program, and on a port that no other flight has."""
    install, activate, begin, *others, run = commands()
    assert (install, activate) == ("sh .ci/venv", ". .venv/bin/activate")
    port, name = str(free_port(socket.SOCK_DGRAM)), tmp_path / "my-board" / "line"
    surroundings = environment(tmp_path)
    surroundings["PATH"] = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    with (tmp_path / "output.txt").open("w") as output:
        shell = subprocess.Popen(
            ["bash", "-e"], cwd=tmp_path, env=surroundings, stdin=subprocess.PIPE, stdout=output,
            stderr=subprocess.STDOUT, text=True, start_new_session=True,
        )  # fmt: skip
        assert shell.stdin
        entered = shell.stdin

        def enter(line: str) -> None:
            entered.write(f"{line}\n")
            entered.flush()

        try:
            enter(f"{begin} && sed -i s/{PORT}/{port}/ my-panel/panel.toml")
            for command in others:
                if command.startswith("while"):
                    enter("set +e")  # until the flight begins its datagrams are refused
                # The simulator's place is taken ten times as fast, so that a while of it is short.
                enter(command.replace(PORT, port).replace("sleep 0.05", "sleep 0.005"))
                if command.endswith("line &"):
                    wait_until(lambda: name.is_file() and name.read_text().strip(), "the board's serial line")
            enter(f"exec {run}")

            def arrived() -> bool:
                assert shell.poll() is None, (tmp_path / "output.txt").read_text()
                rows = rows_of(tmp_path / "first.csv")
                shown = [row["airspeed.needle.shows[kt]"] for row in rows if row["telemetry"] == "live"]
                return len(shown) > WHILE and bool(shown[-1]) and abs(float(shown[-1]) - 93.0) < 1.0

            wait_until(arrived, "the needle at 93 kt, and telemetry live for a while")
            assert "too many senders" not in (tmp_path / "output.txt").read_text()
        finally:
            os.killpg(shell.pid, signal.SIGINT)
            try:
                shell.wait(PATIENCE_S)
            finally:
                with suppress(ProcessLookupError):  # the board has ended with the shell
                    os.killpg(shell.pid, signal.SIGKILL)
                entered.close()
    panel = (tmp_path / "my-panel" / "panel.toml").read_text()
    assert f'link = "serial"\nport = "{name.read_text().strip()}"\n' in panel
