"""`begin`: a panel of one's own from ready gauges, asked for in the terminal or named by options."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

_NO_PORT = "none yet: virtual"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `begin`."""
    parser.add_argument(
        "folder", type=Path, metavar="FOLDER", help="where the panel goes; nothing is overwritten"
    )
    parser.add_argument("--gauge", action="append", metavar="NAME", help="a ready gauge; repeat it for more")
    parser.add_argument(
        "--motor", action="append", metavar="NAME", help="one for all gauges, or one for each in order"
    )
    parser.add_argument("--part", default=None, metavar="NAME", help="the microcontroller (atmega328p)")
    parser.add_argument(
        "--port",
        action="append",
        metavar="PORT",
        help="serial port of a board, one for each in order; a board without one is virtual",
    )
    parser.add_argument(
        "--knob", action="store_true", help="a rotary encoder on a board sets the altimeter setting"
    )
    parser.add_argument("--name", default="my panel", help="of the panel (%(default)s)")


def run(args: argparse.Namespace) -> int:
    """Write the files and name the next commands; raises `DescriptionError` for what does not fit."""
    import shlex

    from bridge.errors import DescriptionError
    from bridge.panel.beginning import LISTEN, PANEL_FILE, begun

    gauges, motors, part = args.gauge, args.motor, args.part
    ports, knob = args.port or [], args.knob
    if not gauges:
        if not sys.stdin.isatty():
            cure = "Name gauges, as in --gauge airspeed, or start it in a terminal"
            raise DescriptionError("begin", "--gauge", "nothing", "a ready gauge", cure)
        gauges, motors, part, ports, knob = _asked()
    motors = motors or [None]
    if len(motors) not in (1, len(gauges)):
        found, expected = f"{len(motors)} motors for {len(gauges)} gauges", "one for all, or one for each"
        raise DescriptionError("begin", "--motor", found, expected, "Add or take away some")
    repeated = next((gauge for gauge in gauges if gauges.count(gauge) > 1), None)
    if repeated:
        cure = "Copy its table in the file afterwards, under another name"
        raise DescriptionError("begin", "--gauge", f"{repeated} twice", "each gauge once", cure)
    chosen = list(zip(gauges, motors * len(gauges) if len(motors) == 1 else motors, strict=True))
    files = begun(args.name, chosen, part or "atmega328p", ports, knob=knob)
    _check(files)
    _write(args.folder, files)
    panel = shlex.quote(str(args.folder / PANEL_FILE))
    print(f"Begun: {', '.join(str(args.folder / file) for file in files)}. Next:\n")
    print(f"    pointer-bridge check {panel}")
    print(f"    pointer-bridge faces {panel} --out {shlex.quote(str(args.folder / 'faces'))}")
    print(f"    pointer-bridge listen --on {LISTEN}")
    print(f"    pointer-bridge run {panel} --view")
    return 0


def _asked() -> tuple[list[str], list[str | None], str, list[str], bool]:
    """Gauges, a motor for each, microcontroller, serial ports, whether there is a knob: as answered in the
    terminal."""
    from bridge.panel.beginning import DEFAULT_MOTORS
    from bridge.panel.load import shipped_motors
    from bridge.panel.ready_gauges import ready_gauge, ready_names

    print(f"Ready gauges: {', '.join(ready_names())}")
    gauges = _answer("Which gauges, with spaces between", "airspeed").replace(",", " ").split()
    print(f"Motors: {', '.join(shipped_motors())}")
    motors: list[str | None] = []
    for gauge in gauges:
        known = gauge in ready_names()
        pointers = ready_gauge(gauge).described["pointers"].values() if known else ()
        default = next((DEFAULT_MOTORS[pointer["kind"]] for pointer in pointers), "")
        motors.append(_answer(f"Motor of {gauge}", default) or None)
    part = _answer("Microcontroller of the boards", "atmega328p")
    question = "Serial ports of the boards that are there already, as in /dev/ttyUSB0"
    ports = _answer(question, _NO_PORT).removeprefix(_NO_PORT).replace(",", " ").split()
    usual = "yes" if "altimeter" in gauges else "no"
    knob = _answer("A knob on a board for the altimeter setting, yes or no", usual).lower()
    return gauges, motors, part, ports, knob.startswith("y")


def _answer(question: str, default: str) -> str:
    try:
        return input(f"{question} [{default}]: ").strip() or default
    except EOFError:
        raise KeyboardInterrupt from None  # the end of the input ends the questions


def _check(files: dict[str, str]) -> None:
    """Raises `DescriptionErrors` with every failure that `check` finds in these files."""
    import tempfile

    from bridge.check.panel import check_panel
    from bridge.errors import DescriptionError, DescriptionErrors
    from bridge.panel.beginning import PANEL_FILE
    from bridge.panel.load import load_panel

    with tempfile.TemporaryDirectory() as folder:
        _write(Path(folder), files)
        findings = check_panel(load_panel(Path(folder) / PANEL_FILE))
    failures = [finding for finding in findings if finding.severity == "failure"]
    if failures:
        expected = "a drive that passes `check`"
        raise DescriptionErrors(
            [
                DescriptionError(
                    "begin", f"{f.subject}, {f.check}", f.text.rstrip("."), expected, f.cure.rstrip(".")
                )
                for f in failures
            ]
        )


def _write(folder: Path, files: dict[str, str]) -> None:
    """Write all or nothing; raises `DescriptionError` where one is there already."""
    from bridge.errors import DescriptionError

    for name in files:
        if (folder / name).exists() or (folder / name).is_symlink():
            cure = "Name another folder, or move the file away"
            raise DescriptionError(str(folder / name), "", "a file that is there already", "none", cure)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            with (folder / name).open("x", encoding="utf-8") as file:
                file.write(text)
    except OSError as error:
        found = f"a folder that can't be written ({error.strerror or error})"
        raise DescriptionError(str(folder), "", found, "a folder of yours", "Name another folder") from None
