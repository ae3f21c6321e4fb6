"""`pointer-bridge check`: a panel's drives, or one drive typed in a few words."""

from __future__ import annotations

import argparse
import re
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.commands import completion
from bridge.errors import BridgeError, DescriptionError

if TYPE_CHECKING:  # the command's help should not wait for these
    from bridge.check.findings import Finding
    from bridge.check.question import DriveQuestion
    from bridge.panel.load import Panel

_MEASURE = re.compile(r"\s*([+-]?[0-9.,]+(?:e[+-]?[0-9]+)?)\s*(\S.*?)?\s*", re.IGNORECASE)
_LEAST, _MOST = 1e-6, 1e9
"""Measures beyond these are mistyped."""
_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `check`."""
    parser.add_argument("panel", type=Path, nargs="?", help="the panel description (TOML)")
    parser.add_argument("--html", type=Path, metavar="FILE", help="write the findings as a page")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the findings as JSON")
    parser.add_argument("--all", action="store_true", help="show what is ok as well")
    parser.add_argument(
        "--log",
        type=Path,
        metavar="LOG",
        help="a flight log, of any kind that replay reads: what the panel can fly of it",
    )
    parser.add_argument(
        "--layout", type=Path, metavar="LAYOUT", help="with --log: what is in a log of another maker (TOML)"
    )
    reference = parser.add_argument_group("what may be written")
    reference.add_argument("--reference", action="store_true", help="print every table and key (Markdown)")
    reference.add_argument(
        "--schema",
        choices=("panel", "calibration", "layout", "log-layout", "scenario"),
        help="print the JSON Schema of such a file, for editors that complete TOML",
    )
    drive = parser.add_argument_group("one drive instead of a panel")
    motor = drive.add_argument("--motor", metavar="NAME", help="a motor of the catalogue")
    completion.offer(motor, completion.motors)
    drive.add_argument("--gears", nargs="+", default=[], metavar="N/N", help="motor turns per pointer turn")
    drive.add_argument(
        "--microsteps",
        type=int,
        choices=(1, 2, 4, 8, 16, 32),
        help="left out: as a board drives such a motor",
    )
    drive.add_argument("--per-turn", metavar="1000ft", help="an endless pointer: reading for one turn")
    drive.add_argument("--scale", metavar="180kt", help="a bounded pointer: reading from end to end ...")
    drive.add_argument("--sweep", type=float, metavar="DEG", help="... over so many degrees")
    drive.add_argument("--fastest", metavar="50ft/s", help="fastest change of the reading")
    drive.add_argument("--tolerance", metavar="10ft", help="error allowed")
    drive.add_argument("--speed", type=float, metavar="STEPS/S", help="speed limit of the drive")
    drive.add_argument(
        "--acceleration", type=float, metavar="STEPS/S2", help="acceleration limit of the drive"
    )
    drive.add_argument("--inertia", type=float, metavar="G.MM2", help="of the pointer (a rod of its mass)")
    drive.add_argument("--mass", type=float, default=1.0, metavar="G", help="of the pointer (%(default)g)")
    drive.add_argument(
        "--length", type=float, default=30.0, metavar="MM", help="of the pointer (%(default)g)"
    )
    drive.add_argument("--unbalance", type=float, default=0.0, metavar="G.MM", help="of the pointer")
    drive.add_argument(
        "--friction", type=float, default=0.1, metavar="MN.M", help="at its arbor (%(default)g)"
    )
    drive.add_argument(
        "--backlash", type=float, default=0.0, metavar="DEG", help="of the gears, at the pointer"
    )
    drive.add_argument("--hair-spring", action="store_true", help="a spring takes the backlash up")
    drive.add_argument("--supply", type=float, metavar="V", help="supply voltage (the motor's own)")
    wheels = parser.add_argument_group("wheels between two pointers")
    wheels.add_argument("--ratio", metavar="10", help="turns of the one for one turn of the other")
    wheels.add_argument(
        "--train", nargs="+", default=[], metavar="N/N", help="the wheels that you have in mind"
    )
    wheels.add_argument("--teeth", metavar="8,10,12", help="sizes of wheel at hand")


def run(args: argparse.Namespace) -> int:
    """Print and write the findings; 0 without a failure, 1 with one.

    Raises `BridgeError` for a bad description, drive or output.
    """
    if args.reference or args.schema:
        return _print_reference(args.schema)
    from rich.console import Console

    from bridge.check.findings import worst
    from bridge.check.html import to_html
    from bridge.check.report import terminal, to_json
    from bridge.outputs import refuse_taken, write_files

    panel = _panel(args)
    inputs = (*(panel.files if panel else ()), *(file for file in (args.log, args.layout) if file))
    outputs = [
        (file, text) for file, text in ((args.html, to_html), (args.json, to_json)) if file is not None
    ]
    refuse_taken([file for file, _ in outputs], inputs)
    name, findings = _findings(args, panel)
    Console().print(terminal(name, findings, all_rows=args.all or panel is None))
    write_files({file: text(name, findings) for file, text in outputs}, inputs)
    return 1 if worst(findings) == "failure" else 0


def _print_reference(file: str | None) -> int:
    """Print the page, or the schema of a kind of file."""
    if file is None:
        from bridge.reference.page import page

        print(page(), end="")
    else:
        from bridge.reference.schema import schema

        print(schema(file), end="")
    return 0


def _panel(args: argparse.Namespace) -> Panel | None:
    from bridge.panel.load import load_panel

    if args.layout is not None and args.log is None:
        raise _wrong("--layout", "a log layout without a log", "the log that it describes", "Add --log FILE")
    if args.panel is None:
        if args.log is not None:
            cure = "Name it before --log; listen FILE shows what is in a log"
            raise _wrong("--log", "no panel", "the panel that shall fly it", cure)
        return None
    if args.motor or args.ratio:
        raise _wrong("PANEL", "a panel and a drive at once", "one of them", "Leave one out")
    return load_panel(args.panel)


def _findings(args: argparse.Namespace, panel: Panel | None) -> tuple[str, list[Finding]]:
    from bridge.check.panel import check_panel
    from bridge.check.question import check_drive
    from bridge.panel.load import shipped_motors

    if panel is not None:
        return panel.description.name, [*check_panel(panel), *_log(panel, args)]
    findings: list[Finding] = []
    if args.motor:
        findings += check_drive(_question(args), shipped_motors())
    if args.ratio:
        findings += _wheels(args)
    if not findings:
        raise _wrong("PANEL", "nothing to check", "a panel, or --motor, or --ratio", "Name one")
    return args.motor or f"ratio {args.ratio}", findings


def _log(panel: Panel, args: argparse.Namespace) -> list[Finding]:
    if args.log is None:
        return []
    from bridge import logs
    from bridge.check.log import check_log
    from bridge.flight.log_defaults import with_defaults
    from bridge.report.from_trace import refuse_trace
    from bridge.telemetry.recorded import open_log

    refuse_trace(args.log)
    logs.set_up()  # bad lines of the log
    return list(check_log(panel, with_defaults(open_log(args.log, panel.catalogue, args.layout), panel)))


def _wheels(args: argparse.Namespace) -> list[Finding]:
    from bridge.check.findings import Finding
    from bridge.check.gearing import Gearing, check_gearing, exact, proposals

    needed = _ratio("--ratio", args.ratio)
    teeth = _teeth(args.teeth)
    if args.train:
        gears = tuple(_ratio("--train", gear) for gear in args.train)
        gearing = Gearing("wheels", "the first", "the last", gears, needed, 1.0, "turn", 0.01)
        return list(check_gearing(gearing, teeth))
    text = proposals(needed, teeth)
    return [Finding("wheels", "trains", "note", formula=f"needed {exact(needed)}", text=text)]


def _question(args: argparse.Namespace) -> DriveQuestion:
    from bridge.check.question import DriveQuestion
    from bridge.description import validate
    from bridge.panel.gauge_description import PointerBody

    if (args.per_turn is None) == (args.scale is None):
        found = "neither --per-turn nor --scale" if args.scale is None else "--per-turn and --scale"
        raise _wrong(
            "--per-turn", found, "one of the two", "Name the worth of a turn, as in --per-turn 1000ft"
        )
    if args.scale is not None and args.sweep is None:
        raise _wrong("--sweep", "nothing", "the degrees of the whole scale", "Add it, as in --sweep 270")
    if args.scale is None and args.sweep is not None:
        raise _wrong("--sweep", "--sweep without --scale", "both, or neither", "Add --scale, or leave it out")
    option, text = ("--per-turn", args.per_turn) if args.scale is None else ("--scale", args.scale)
    span, unit = _measure(option, text)
    if not unit:
        raise _wrong(option, f"{text} without a unit", "a unit as on the face, as in 1000ft", "Add it")
    body = {
        "length_mm": args.length,
        "mass_g": args.mass,
        "inertia_g_mm2": args.inertia,
        "unbalance_g_mm": args.unbalance,
        "friction_mnm": args.friction,
    }
    for name in ("sweep", "speed", "acceleration", "supply"):
        value = getattr(args, name)
        if value is not None and not value > 0:
            raise _wrong(f"--{name}", f"{value:g}", "a number above zero", "Change it")
    return DriveQuestion(
        motor=args.motor,
        unit=unit,
        span=span,
        sweep_deg=args.sweep,
        gears=tuple(_ratio("--gears", gear) for gear in args.gears),
        microsteps=args.microsteps,
        fastest=_fastest(args.fastest, unit) if args.fastest else None,
        tolerance=_in_unit("--tolerance", args.tolerance, unit) if args.tolerance else None,
        speed=args.speed,
        acceleration=args.acceleration,
        backlash_deg=args.backlash,
        hair_spring=args.hair_spring,
        supply_v=args.supply,
        body=validate(PointerBody, body, "command line"),
    )


def _fastest(text: str, unit: str) -> float:
    """A rate such as 50ft/s, 2000ft/min or 10kt/s, in `unit` per second."""
    amount, _, time = text.rpartition("/")
    if time.strip() not in _SECONDS:
        raise _wrong("--fastest", repr(text), "a rate such as 50ft/s or 2000ft/min", "End it with /s or /min")
    return _in_unit("--fastest", amount, unit) / _SECONDS[time.strip()]


def _in_unit(option: str, text: str, unit: str) -> float:
    from bridge.quantities.units import UNITS, convert

    value, given = _measure(option, text)
    if not given or given == unit:
        return value
    try:
        if UNITS[given].dimension == "temperature":
            raise _wrong(option, repr(text), f"a difference in {unit}", "Write it in the gauge's own unit")
        return convert(value, given, unit)
    except (BridgeError, KeyError) as error:
        if isinstance(error, DescriptionError):
            raise
        if unit not in UNITS:
            expected = f"a value in {unit}, which is not a unit that others can be converted to"
            cure = f"Write both in the same unit. Known: {', '.join(UNITS)}"
        else:
            alike = [name for name, known in UNITS.items() if known.dimension == UNITS[unit].dimension]
            expected, cure = f"a value in {unit}, or a unit like it ({', '.join(alike)})", "Change the unit"
        raise _wrong(option, repr(text), expected, cure) from None


def _measure(option: str, text: str) -> tuple[float, str]:
    """A positive number and the unit after it ("" without one)."""
    match = _MEASURE.fullmatch(text)
    try:
        value = float(match.group(1).replace(",", "")) if match else -1.0
    except ValueError:
        value = -1.0
    if match is None or not _LEAST <= value <= _MOST:
        raise _wrong(option, repr(text), "a number above zero with its unit, as in 1000ft", "Correct it")
    return value, match.group(2) or ""


def _ratio(option: str, text: str) -> Fraction:
    from bridge.description import MistakeError
    from bridge.panel.hardware import parse_ratio

    try:
        return parse_ratio(text)
    except MistakeError as wrong:
        raise _wrong(option, wrong.found, wrong.expected, wrong.cure) from None


def _teeth(text: str | None) -> list[int]:
    if not text:
        return []
    words = text.replace(",", " ").split()
    if not all(word.isdigit() and 4 <= int(word) <= 1000 for word in words):
        raise _wrong("--teeth", repr(text), "whole numbers from 4 to 1000, as in 8,10,12", "Correct them")
    return [int(word) for word in words]


def _wrong(option: str, found: str, expected: str, cure: str) -> DescriptionError:
    return DescriptionError("command line", option, found, expected, cure)
