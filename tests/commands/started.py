"""Commands in a process of their own, with a state folder of the test's own, and what they print."""

from __future__ import annotations

import atexit
import functools
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.conftest import PATIENCE_S, ROOT

CIRCUIT = ROOT / "replay_logs" / "circuit.csv"


class Started:
    """One command running; its output is what it has written to a file so far."""

    def __init__(self, folder: Path, *arguments: str | Path) -> None:
        self._output = folder / "output.txt"
        with self._output.open("w", encoding="utf-8") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.patient_cli", *map(str, arguments)],
                cwd=folder,
                stdout=output,
                stderr=subprocess.STDOUT,
                env=environment(folder),
            )

    @property
    def output(self) -> str:
        return self._output.read_text(encoding="utf-8")

    def wait_for(self, word: str) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while word not in self.output:
            assert self.process.poll() is None, f"ended with {self.process.returncode}:\n{self.output}"
            assert time.monotonic() < end_s, f"'{word}' did not come:\n{self.output}"
            time.sleep(0.02)

    @property
    def port(self) -> int:
        """The UDP port that it reports to listen on."""
        found = re.search(r"127\.0\.0\.1:(\d+)", self.output)
        assert found, self.output
        return int(found[1])

    def stop(self, number: signal.Signals) -> int:
        self.process.send_signal(number)
        return self.process.wait(PATIENCE_S)


def environment(folder: Path) -> dict[str, str]:
    """The user's, with a state folder of the test's own and no terminal."""
    own = {"XDG_STATE_HOME": str(folder / "state"), "PYTHONPATH": str(ROOT), "NO_COLOR": "1"}
    return {**os.environ, **own}


@functools.cache
def _warm() -> subprocess.Popen[str]:
    """The process that runs commands; it ends with this one."""
    warm = subprocess.Popen(
        [sys.executable, "-m", "tests.commands.warm"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    atexit.register(warm.communicate)
    return warm


def command(folder: Path, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run one command to its end, in a process of its own."""
    warm = _warm()
    assert warm.stdin
    assert warm.stdout
    with tempfile.TemporaryDirectory() as written:
        output, errors = Path(written, "output"), Path(written, "errors")
        words = list(map(str, arguments))
        request = {
            "arguments": words,
            "folder": str(folder),
            "environment": environment(folder),
            "output": str(output),
            "errors": str(errors),
        }
        print(json.dumps(request), file=warm.stdin, flush=True)
        code = int(warm.stdout.readline())
        return subprocess.CompletedProcess(words, code, output.read_text("utf-8"), errors.read_text("utf-8"))


@contextmanager
def started(folder: Path, *arguments: str | Path) -> Iterator[Started]:
    """A command while it runs; ended at the latest at the end."""
    running = Started(folder, *arguments)
    try:
        yield running
    finally:
        running.process.kill()
        running.process.wait()


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


def told(result: subprocess.CompletedProcess[str], *words: str) -> None:
    """Exit code 2; at the end a sentence with what was found, what was expected and the cure; nothing raw."""
    assert result.returncode == 2, result.stdout + result.stderr
    assert not result.stdout
    assert "Traceback" not in result.stderr
    _, name, message = result.stderr.partition("pointer-bridge ")
    assert name
    assert len(set(message.splitlines())) == len(message.splitlines()), "said twice"
    for line in message.splitlines():
        assert re.search(r": found .+; expected .+\. .+\.$", line), line
    for word in words:
        assert word in message
