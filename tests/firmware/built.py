"""Building the firmware and its test programs, each once for all tests, with the tools that a builder has."""

from __future__ import annotations

import functools
import shutil
import subprocess
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "bridge" / "firmware"


@functools.cache
def folder() -> Path:
    """Where everything is built; taken away when the tests are over."""
    made = tempfile.TemporaryDirectory(prefix="firmware-")
    folder.made = made  # type: ignore[attr-defined]  # lives as long as the tests
    return Path(made.name)


def need(*tools: str) -> None:
    """Fail in words when a tool is missing; `sh tests/run` installs all of them."""
    missing = [tool for tool in tools if shutil.which(tool) is None]
    assert not missing, f"missing: {', '.join(missing)}; run the tests by `sh tests/run`, which installs them"


def run(*command: str | Path) -> str:
    """Run a tool; its output is the failure's text."""
    result = subprocess.run(
        [str(word) for word in command], capture_output=True, text=True, cwd=FIRMWARE, check=False
    )
    assert result.returncode == 0, f"{command[0]} failed:\n{result.stdout}{result.stderr}"
    return result.stdout


@functools.cache
def program(part: str, config: Path = FIRMWARE) -> Path:
    """The firmware for this part ("host" for a process), with the config.h in that folder."""
    need("make", "cc" if part == "host" else "avr-gcc")
    build = folder() / f"{part}-{config.name}-{abs(hash(config)):x}"
    run("make", f"PART={part}", f"CONFIG={config}", f"BUILD={build}")
    return build / ("board" if part == "host" else "board.elf")


def sizes(program_file: Path) -> tuple[int, int]:
    """Bytes of flash and of RAM that an AVR program takes (RAM without the stack)."""
    need("avr-size")
    text, data, bss = map(int, run("avr-size", program_file).splitlines()[1].split()[:3])
    return text + data, data + bss
