"""Asked to end, a command ends as by the keyboard: nothing is left half done."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import ROOT, wait_until


@pytest.mark.skipif(sys.platform == "win32", reason="Windows ends a process without asking it")
def test_a_replay_that_is_asked_to_end_closes_its_trace_and_ends_well(tmp_path: Path) -> None:
    trace = tmp_path / "trace.csv"
    log = ROOT / "replay_logs" / "circuit.csv"
    words = ["replay", str(log), "--panel", str(ROOT / "config" / "panel.toml"), "--trace", str(trace)]
    replay = subprocess.Popen(
        [sys.executable, "-m", "bridge.cli", *words], stderr=subprocess.DEVNULL, cwd=ROOT
    )
    try:
        wait_until(
            lambda: any(part.stat().st_size > 4096 for part in tmp_path.glob("trace.csv.*.part")),
            "rows of the trace",
        )
        replay.terminate()
        assert replay.wait(30) == 0
    finally:
        replay.kill()
    assert trace.read_text().endswith("\n"), "the last line is whole"
