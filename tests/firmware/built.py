"""Building the firmware and its test programs, each once for all tests, with the tools that a builder has."""

from __future__ import annotations

import functools
import shutil
import subprocess
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "bridge" / "firmware"
CORE = Path(__file__).parent / "core"
HOST = FIRMWARE / "port" / "host"
INCLUDES = [f"-I{place}" for place in (FIRMWARE, FIRMWARE / "core", FIRMWARE / "port", HOST, CORE)]
_CORE = [*sorted((FIRMWARE / "core").glob("*.c")), HOST / "plant.c", CORE / "stepped.c"]


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


@functools.cache
def fuzzer(target: str) -> Path:
    """The libFuzzer program of core/fuzz_TARGET.c, with address and undefined-behaviour sanitizers."""
    need("clang")
    flags = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-g", "-O1", "-fno-sanitize-recover=all", *INCLUDES]
    sanitizers = "address,undefined"
    objects = folder() / f"fuzz-{target}"
    objects.mkdir()
    program_file = folder() / f"fuzz_{target}"
    made = []
    for source in _CORE:
        made.append(objects / f"{source.stem}.o")
        run(
            *("clang", *flags, f"-fsanitize=fuzzer-no-link,{sanitizers}"),
            *("-include", CORE / "cleared.h", "-c", "-o", made[-1], source),
        )
    main = CORE / f"fuzz_{target}.c"
    run("clang", *flags, f"-fsanitize=fuzzer,{sanitizers}", "-o", program_file, main, *made)
    return program_file


@functools.cache
def script(config: Path = FIRMWARE) -> Path:
    """The program of core/script.c for the board of the config.h in that folder, with sanitizers."""
    need("cc")
    program_file = folder() / f"script-{abs(hash(config)):x}"
    flags = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-g", "-O2"]
    sanitizers = "-fsanitize=address,undefined", "-fno-sanitize-recover=all"
    run("cc", *flags, *sanitizers, f"-I{config}", *INCLUDES, "-o", program_file, CORE / "script.c", *_CORE)
    return program_file
