"""`begin`: a panel of one's own from ready gauges, asked for in the terminal or named by options."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from bridge.commands import completion
from bridge.errors import DescriptionError

T = TypeVar("T")

PART = "atmega328p"
_NO_PORT = "none yet: virtual"
_WIDTH = 80


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `begin`."""
    parser.add_argument(
        "folder", type=Path, metavar="FOLDER", help="where the panel goes; nothing is overwritten"
    )
    gauge = parser.add_argument(
        "--gauge", action="append", metavar="NAME", help="a ready gauge; repeat it for more"
    )
    motor = parser.add_argument(
        "--motor", action="append", metavar="NAME", help="one for all gauges, or one for each in order"
    )
    part = parser.add_argument("--part", default=None, metavar="NAME", help=f"the microcontroller ({PART})")
    for option, names in ((gauge, completion.gauges), (motor, completion.motors), (part, completion.parts)):
        completion.offer(option, names)
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

    from bridge.panel.beginning import LAYOUT_FILE, LISTEN, PANEL_FILE

    if args.gauge:
        choice = _Choice(
            _paired(args.gauge, args.motor), args.part or PART, tuple(args.port or ()), args.knob, args.name
        )
        files = choice.files()
    elif sys.stdin.isatty():
        _refuse_existing(args.folder, (PANEL_FILE, LAYOUT_FILE))
        files = _asked(args)
    else:
        cure = "Name gauges, as in --gauge airspeed, or start it in a terminal"
        raise DescriptionError("begin", "--gauge", "nothing", "a ready gauge", cure)
    _write(args.folder, files)
    panel = shlex.quote(str(args.folder / PANEL_FILE))
    print(f"Begun: {', '.join(str(args.folder / file) for file in files)}. Next:\n")
    print(f"    pointer-bridge check {panel}")
    print(f"    pointer-bridge faces {panel} --out {shlex.quote(str(args.folder / 'faces'))}")
    print(f"    pointer-bridge listen --on {LISTEN}")
    print(f"    pointer-bridge run {panel} --view")
    return 0


@dataclass(frozen=True, slots=True)
class _Choice:
    """What is to be begun: gauges, each with its motor (None: one that suits), and what drives them."""

    gauges: tuple[tuple[str, str | None], ...]
    part: str
    ports: tuple[str, ...] = ()
    knob: bool = False
    name: str = ""

    def files(self) -> dict[str, str]:
        """Names and texts; raises `DescriptionErrors` with all that loading them and `check` refuse."""
        import tempfile

        from bridge.check.panel import check_panel
        from bridge.errors import DescriptionErrors
        from bridge.panel.beginning import PANEL_FILE, begun
        from bridge.panel.load import load_panel

        files = begun(self.name, self.gauges, self.part, self.ports, knob=self.knob)
        with tempfile.TemporaryDirectory() as folder:
            _write(Path(folder), files)
            try:
                findings = check_panel(load_panel(Path(folder) / PANEL_FILE))
            except DescriptionErrors as wrong:  # the file that they name is gone in a moment
                raise DescriptionErrors(
                    [DescriptionError("begin", e.key, e.found, e.expected, e.cure) for e in wrong.errors]
                ) from None
        failures = [
            DescriptionError(
                "begin",
                f"{finding.subject}, {finding.check}",
                finding.text.rstrip("."),
                "a drive that passes `check`",
                finding.cure.rstrip("."),
            )
            for finding in findings
            if finding.severity == "failure"
        ]
        if failures:
            raise DescriptionErrors(failures)
        return files


def _paired(gauges: list[str], motors: list[str] | None) -> tuple[tuple[str, str | None], ...]:
    """Each gauge with its motor; raises `DescriptionError` where there are too few or a gauge comes twice."""
    repeated = next((gauge for gauge in gauges if gauges.count(gauge) > 1), None)
    if repeated:
        cure = "Copy its table in the file afterwards, under another name"
        raise DescriptionError("begin", "--gauge", f"{repeated} twice", "each gauge once", cure)
    each: list[str | None] = [*motors] if motors else [None]
    if len(each) not in (1, len(gauges)):
        found = f"{len(each)} motors for {len(gauges)} gauge{'s' if len(gauges) > 1 else ''}"
        expected = "one for all, or one for each"
        raise DescriptionError("begin", "--motor", found, expected, "Add or take away some")
    return tuple(zip(gauges, each * len(gauges) if len(each) == 1 else each, strict=True))


def _asked(args: argparse.Namespace) -> dict[str, str]:
    """The files that follow from the answers in the terminal: what does not fit is asked again, at once.

    Options that were written are the answers that Enter takes.
    """
    from bridge.panel.beginning import DEFAULT_MOTORS
    from bridge.panel.load import shipped_motors
    from bridge.panel.ready_gauges import ready_gauge, ready_names

    def gauges(text: str) -> tuple[tuple[str, str | None], ...]:
        pairs = _paired(_words(text), None)
        _Choice(pairs, PART).files()
        return pairs

    def motor_of(gauge: str) -> Callable[[str], tuple[str, str]]:
        def pair(text: str) -> tuple[str, str]:
            _Choice(((gauge, text),), PART).files()
            return gauge, text

        return pair

    def with_part(text: str) -> _Choice:
        choice = _Choice(tuple(chosen), text, name=args.name)
        choice.files()
        return choice

    def with_ports(text: str) -> _Choice:
        choice = replace(boards, ports=() if text == _NO_PORT else tuple(_words(text)))
        choice.files()
        return choice

    def with_knob(text: str) -> dict[str, str]:
        if text.lower() not in ("yes", "y", "no", "n"):
            raise DescriptionError("begin", "--knob", repr(text), "yes or no", "Answer one of the two")
        return replace(linked, knob=text.lower().startswith("y")).files()

    _show(f"Ready gauges: {', '.join(ready_names())}")
    names = [gauge for gauge, _ in _answer("Which gauges, with spaces between", "airspeed", gauges)]
    _show(f"Motors: {', '.join(shipped_motors())}")
    chosen: list[tuple[str, str | None]] = []
    for gauge in names:
        kind = next(iter(ready_gauge(gauge).described["pointers"].values()))["kind"]
        usual = args.motor[0] if args.motor else DEFAULT_MOTORS[kind]
        chosen.append(_answer(f"Motor of {gauge}", usual, motor_of(gauge)))
    boards = _answer("Microcontroller of the boards", args.part or PART, with_part)
    question = "Serial ports of the boards you have, as in /dev/ttyUSB0"
    linked = _answer(question, " ".join(args.port or [_NO_PORT]), with_ports)
    usual = "yes" if args.knob or "altimeter" in names else "no"
    return _answer("A knob on a board for the altimeter setting, yes or no", usual, with_knob)


def _words(text: str) -> list[str]:
    return text.replace(",", " ").split()


def _answer(question: str, default: str, take: Callable[[str], T]) -> T:
    """What `take` returns for the answer; asks again, with the reason, where it raises."""
    from bridge.errors import BridgeError

    while True:
        try:
            text = input(f"{question} [{default}]: ").strip() or default
        except (EOFError, KeyboardInterrupt):  # the end of the input ends the questions as well
            print()
            raise KeyboardInterrupt from None
        try:
            return take(text)
        except BridgeError as wrong:
            for line in str(wrong).splitlines():
                _show(line.removeprefix("begin: "))


def _show(text: str) -> None:
    print(textwrap.fill(text, _WIDTH, break_on_hyphens=False, subsequent_indent="    "))


def _refuse_existing(folder: Path, names: Iterable[str]) -> None:
    """Raises `DescriptionError` where one of these files is there already."""
    for name in names:
        if (folder / name).exists() or (folder / name).is_symlink():
            cure = "Name another folder, or move the file away"
            raise DescriptionError(str(folder / name), "", "a file that is there already", "none", cure)


def _write(folder: Path, files: Mapping[str, str]) -> None:
    """Write all or nothing; raises `DescriptionError` where one is there already, or can't be written."""
    from bridge.outputs import put_files

    _refuse_existing(folder, files)
    put_files({folder / name: text for name, text in files.items()}, folder)
