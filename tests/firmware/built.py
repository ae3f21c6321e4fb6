"""Building the firmware and its test programs, each once for all tests, with the tools that a builder has.

What is built is named after all that it is made of, so that the workers of one test run share it.
"""

from __future__ import annotations

import fcntl
import functools
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterable
from hashlib import sha256
from pathlib import Path

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "bridge" / "firmware"
CORE = Path(__file__).parent / "core"
HOST = FIRMWARE / "port" / "host"
INCLUDES = [f"-I{place}" for place in (FIRMWARE, FIRMWARE / "core", FIRMWARE / "port", HOST, CORE)]
_CORE = [*sorted((FIRMWARE / "core").glob("*.c")), HOST / "plant.c", CORE / "stepped.c"]
_STRICT = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-g"]
_SANITIZERS = "address,undefined"

_shared: list[Path] = []


def share(folder: Path) -> None:
    """Build everything there from now on; the test session takes it away."""
    folder.mkdir(exist_ok=True)
    _shared[:] = [folder]


@functools.cache
def _own_folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="firmware-")  # gone with this process


def _folder() -> Path:
    return _shared[0] if _shared else Path(_own_folder().name)


def built(name: str, made_of: Iterable[Path], build: Callable[[Path], None]) -> Path:
    """The folder that `build` has filled, now or for another process; named after the files it is made of."""
    digest = sha256()
    for file in made_of:
        digest.update(file.read_bytes())
    folder = _folder() / f"{name}-{digest.hexdigest()[:16]}"
    with (_folder() / f"{folder.name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            unfinished = folder.with_suffix(".unfinished")
            shutil.rmtree(unfinished, ignore_errors=True)
            unfinished.mkdir()
            build(unfinished)
            unfinished.rename(folder)
    return folder


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


def _sources(config: Path) -> list[Path]:
    """All that may go into a program for the board of the config.h in that folder."""
    shipped = [FIRMWARE / "Makefile", *sorted(FIRMWARE.rglob("*.[ch]")), *sorted(CORE.glob("*.[ch]"))]
    return [config / "config.h", *(file for file in shipped if file.name != "config.h")]


@functools.cache
def program(part: str, config: Path = FIRMWARE) -> Path:
    """The firmware for this part ("host" for a process), with the config.h in that folder."""
    need("make", "cc" if part == "host" else "avr-gcc")

    def make(folder: Path) -> None:
        run("make", f"PART={part}", f"CONFIG={config}", f"BUILD={folder}")

    folder = built(part, _sources(config), make)
    return folder / ("board" if part == "host" else "board.elf")


def sizes(program_file: Path) -> tuple[int, int]:
    """Bytes of flash and of RAM that an AVR program takes (RAM without the stack)."""
    need("avr-size")
    text, data, bss = map(int, run("avr-size", program_file).splitlines()[1].split()[:3])
    return text + data, data + bss


def _fuzz_objects() -> list[Path]:
    """The core with sanitizers and coverage, its variables in one section (cleared.h)."""

    def compile_core(folder: Path) -> None:
        flags = [*_STRICT, "-O1", "-fno-sanitize-recover=all", f"-fsanitize=fuzzer-no-link,{_SANITIZERS}"]
        for source in _CORE:
            made = folder / f"{source.stem}.o"
            run("clang", *flags, *INCLUDES, "-include", CORE / "cleared.h", "-c", "-o", made, source)

    return sorted(built("fuzz-core", _sources(FIRMWARE), compile_core).glob("*.o"))


@functools.cache
def fuzzer(target: str) -> Path:
    """The libFuzzer program of core/fuzz_TARGET.c, with address and undefined-behaviour sanitizers."""
    need("clang")
    objects = _fuzz_objects()

    def link(folder: Path) -> None:
        flags = [*_STRICT, "-O1", "-fno-sanitize-recover=all", f"-fsanitize=fuzzer,{_SANITIZERS}", *INCLUDES]
        run("clang", *flags, "-o", folder / "fuzzer", CORE / f"fuzz_{target}.c", *objects)

    return built(f"fuzz-{target}", _sources(FIRMWARE), link) / "fuzzer"


@functools.cache
def script(config: Path = FIRMWARE) -> Path:
    """The program of core/script.c for the board of the config.h in that folder, with sanitizers."""
    need("cc")

    def link(folder: Path) -> None:
        flags = [*_STRICT, "-pedantic", "-O2", f"-fsanitize={_SANITIZERS}", "-fno-sanitize-recover=all"]
        run("cc", *flags, f"-I{config}", *INCLUDES, "-o", folder / "script", CORE / "script.c", *_CORE)

    return built("script", _sources(config), link) / "script"
