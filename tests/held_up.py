"""Hunt for tests that need a machine that is on time: hold up their programs at random.

    sh tests/run -n 4 -p tests.held_up

Every few seconds one program, a test's own process or one that it has started (a flight, a broker, an
emulated chip, a browser), is stopped for up to 0.6 s, as a machine does that has other work. A test that
fails then takes a time for a state. Linux only: programs and their children are read from /proc.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[1]
EVERY_S = (0.3, 3.0)
LONGEST_S = (0.03, 0.1, 0.2, 0.6)  # mostly short, as on a machine with more work than cores
_HOLDER = pytest.StashKey[subprocess.Popen[bytes]]()


def pytest_configure(config: pytest.Config) -> None:
    """Start holding up this process and its children; of parallel runs each worker is held up by its own."""
    if os.environ.get("PYTEST_XDIST_WORKER") or not config.getoption("numprocesses", None):
        command = [sys.executable, "-m", "tests.held_up", str(os.getpid())]
        config.stash[_HOLDER] = subprocess.Popen(command, cwd=_ROOT)


def pytest_unconfigure(config: pytest.Config) -> None:
    """Hold up nothing more."""
    holder = config.stash.get(_HOLDER, None)
    if holder is not None:
        holder.kill()
        holder.wait()


def _running(process: int) -> list[int]:
    """This process and all below it that are not stopped already: a test may have stopped one itself."""
    children: dict[int, list[int]] = {}
    stopped = {os.getpid()}
    for folder in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):  # it has ended meanwhile
            state, parent = (folder / "stat").read_text().rpartition(")")[2].split()[:2]
            children.setdefault(int(parent), []).append(int(folder.name))
            if state in "TZ":
                stopped.add(int(folder.name))
    found = [process]
    for each in found:  # grows until the youngest has no children
        found += children.get(each, [])
    return [each for each in found if each not in stopped]


def hold_up(process: int) -> None:
    """Hold up this process and those below it, one at a time, until it has ended."""
    while Path(f"/proc/{process}").exists():
        time.sleep(random.uniform(*EVERY_S))
        with suppress(ProcessLookupError, IndexError):
            held_up = random.choice(_running(process))
            os.kill(held_up, signal.SIGSTOP)
            time.sleep(random.choice(LONGEST_S) * random.random())
            os.kill(held_up, signal.SIGCONT)


if __name__ == "__main__":
    hold_up(int(sys.argv[1]))
