"""The C frame parser, and the whole board behind it, on any bytes: seconds of libFuzzer with sanitizers.

The corpus beside this file is where it starts. Run a program for longer by hand, as `_fuzz` does, with
`-max_total_time` and a folder of your own in front of the corpus; put what it finds into the corpus.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.firmware import built

CORPUS = Path(__file__).parent / "corpus"
SECONDS = 7


def _fuzz(program: Path, corpus: Path, own: Path) -> None:
    command = [program, f"-max_total_time={SECONDS}", "-max_len=600", "-print_final_stats=1", own, corpus]
    done = subprocess.run(
        list(map(str, command)), capture_output=True, text=True, cwd=own.parent, check=False
    )
    assert done.returncode == 0, f"{program.name} found a fault:\n{done.stderr[-4000:]}"
    runs = re.search(r"number_of_executed_units:\s*(\d+)", done.stderr)
    assert runs is not None, done.stderr
    assert int(runs[1]) > len(list(corpus.iterdir())), "it ran no further than its corpus"


@pytest.mark.parametrize("target", ["frame", "session"])
def test_no_bytes_lead_the_board_astray(target: str, tmp_path: Path) -> None:
    own = tmp_path / "found"
    own.mkdir()
    _fuzz(built.fuzzer(target), CORPUS / target, own)
