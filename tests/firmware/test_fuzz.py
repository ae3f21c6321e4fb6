"""The C frame parser, and the whole board behind it, on any bytes: libFuzzer with sanitizers.

The corpus beside this file is where it starts. Run a program for longer by hand, as `_fuzz` does, with more
runs and a folder of your own in front of the corpus; put what it finds into the corpus.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.firmware import built

CORPUS = Path(__file__).parent / "corpus"
RUNS = {"frame": 50_000, "session": 2_000}
"""Some two seconds each. Ten times as many reach a fiftieth more of the code's features."""


def _fuzz(program: Path, runs: int, corpus: Path, own: Path) -> None:
    command = [program, f"-runs={runs}", "-max_len=600", "-print_final_stats=1", own, corpus]
    done = subprocess.run(
        list(map(str, command)), capture_output=True, text=True, cwd=own.parent, check=False
    )
    assert done.returncode == 0, f"{program.name} found a fault:\n{done.stderr[-4000:]}"
    executed = re.search(r"number_of_executed_units:\s*(\d+)", done.stderr)
    assert executed is not None, done.stderr
    assert int(executed[1]) >= runs


@pytest.mark.parametrize("target", ["frame", "session"])
def test_no_bytes_lead_the_board_astray(target: str, tmp_path: Path) -> None:
    own = tmp_path / "found"
    own.mkdir()
    _fuzz(built.fuzzer(target), RUNS[target], CORPUS / target, own)
