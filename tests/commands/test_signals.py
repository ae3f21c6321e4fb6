"""Asked to end, every command ends cleanly and soon. On real processes; what hangs is in tests/faults.

Soon: one that takes longer than `tests.patient_cli` allows has an exit code of its own.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bridge.telemetry.flightlog import read_log
from tests.commands.started import Started, environment, started
from tests.conftest import PATIENCE_S, ROOT, wait_until

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="Windows ends a process without asking it"),
]

CIRCUIT = ROOT / "replay_logs" / "circuit.csv"
PANEL = ROOT / "config" / "panel.toml"
ASKED = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


@contextmanager
def flying(config: Path, folder: Path, *options: str) -> Iterator[Started]:
    """`run` on the demo panel with virtual boards, ready."""
    file = config / "panel.toml"
    file.write_text(file.read_text().replace("127.0.0.1:58226", "127.0.0.1:0"))
    with started(folder, "run", file, *options) as run:
        for board in ("left", "right", "centre"):
            run.wait_for(f"board={board} on='every channel known or faulted' state=ready")
        yield run


@pytest.mark.parametrize("number", ASKED, ids=lambda number: number.name)
def test_run_ends_cleanly(number: signal.Signals, config: Path, tmp_path: Path) -> None:
    with flying(config, tmp_path, "--record", "flight.csv") as run:
        assert run.stop(number) == 0
    assert "stopped" in run.output
    assert "Traceback" not in run.output
    list(read_log(tmp_path / "flight.csv"))


@pytest.mark.parametrize("number", ASKED, ids=lambda number: number.name)
def test_a_replay_that_is_asked_to_end_closes_its_trace_and_ends_well(
    number: signal.Signals, tmp_path: Path
) -> None:
    trace = tmp_path / "trace.csv"
    with started(tmp_path, "replay", CIRCUIT, "--panel", PANEL, "--trace", trace) as replay:
        wait_until(
            lambda: any(part.stat().st_size > 4096 for part in tmp_path.glob("trace.csv.*.part")),
            "rows of the trace",
        )
        assert replay.stop(number) == 0
    assert trace.read_text().endswith("\n"), "the last line is whole"


@pytest.mark.parametrize("number", ASKED, ids=lambda number: number.name)
def test_listen_ends_well(number: signal.Signals, tmp_path: Path) -> None:
    with started(tmp_path, "listen", "--on", "127.0.0.1:0") as listen:
        listen.wait_for("waiting for datagrams")
        assert listen.stop(number) == 0
    assert "Traceback" not in listen.output


@pytest.mark.parametrize("number", ASKED, ids=lambda number: number.name)
def test_a_log_that_nobody_reads_keeps_nothing_from_flying_and_ending(
    number: signal.Signals, config: Path, tmp_path: Path
) -> None:
    """As with Ctrl-S, or a pipe whose reader hangs: the pipe is full before the flight begins."""
    read, write = os.pipe()
    os.set_blocking(write, False)
    while True:
        try:
            os.write(write, bytes(4096))
        except BlockingIOError:
            break
    os.set_blocking(write, True)
    file = config / "panel.toml"
    file.write_text(file.read_text().replace("127.0.0.1:58226", "127.0.0.1:0"))
    record = tmp_path / "flight.csv"
    run = subprocess.Popen(
        [sys.executable, "-m", "tests.patient_cli", "run", str(file), "--record", str(record)],
        cwd=tmp_path,
        stderr=write,
        env=environment(tmp_path),
    )
    try:
        wait_until(record.exists, "the recording, which begins with the flight")
        run.send_signal(number)
        assert run.wait(PATIENCE_S) == 0
    finally:
        run.kill()
        os.close(read)
        os.close(write)


@pytest.mark.parametrize("gone", ["/dev/full", "a pipe without a reader"])
def test_a_log_that_can_not_be_written_ends_no_flight(gone: str, config: Path, tmp_path: Path) -> None:
    file = config / "panel.toml"
    file.write_text(file.read_text().replace("127.0.0.1:58226", "127.0.0.1:0"))
    record = tmp_path / "flight.csv"
    if gone == "/dev/full":
        log = os.open(gone, os.O_WRONLY)
    else:
        read, log = os.pipe()
        os.close(read)
    run = subprocess.Popen(
        [sys.executable, "-m", "tests.patient_cli", "run", str(file), "--record", str(record)],
        cwd=tmp_path,
        stderr=log,
        env=environment(tmp_path),
    )
    os.close(log)
    try:
        wait_until(record.exists, "the recording, which begins with the flight")
        # The start alone logs a dozen lines: a flight that one of them ended would end with 1.
        run.send_signal(signal.SIGTERM)
        assert run.wait(PATIENCE_S) == 0
    finally:
        run.kill()
