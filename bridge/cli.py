"""The command line: find the command, let it parse and run, turn errors into words: here alone.

Exit codes: 0 done, 1 done but with a finding that needs attention, 2 a description, file or option
that can't be used, 130 stopped by the keyboard while nothing was flying.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import sys
from collections.abc import Sequence

from bridge.commands.ending import ending
from bridge.errors import BridgeError, DescriptionError

_COMMANDS = {  # name: the module that has it, and what it does
    "demo": ("bridge.commands.demo", "fly a shipped flight on virtual boards, gauges live in the terminal"),
    "begin": ("bridge.commands.begin", "begin a panel of your own from ready gauges"),
    "run": ("bridge.commands.run", "fly: telemetry in, needles out, until stopped"),
    "replay": ("bridge.commands.replay", "fly a recorded flight"),
    "relay": ("bridge.commands.relay", "join the boards at this computer to an MQTT broker"),
    "listen": ("bridge.commands.listen", "show what arrives from a simulator, and what is wrong with it"),
    "calibrate": ("bridge.commands.calibrate", "calibrate a gauge at the bench, mark by mark"),
    "prove": ("bridge.commands.prove", "test a gauge as instruments are tested, and write its sheet"),
    "check": ("bridge.commands.check", "check a panel description and whether its drives can work"),
    "faces": ("bridge.commands.faces", "draw the faces and pointers to scale: SVG, PDF, DXF"),
    "wiring": ("bridge.commands.wiring", "draw the wiring sheet of each board"),
    "firmware": ("bridge.commands.firmware", "write the firmware folder for one board"),
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; `argv` without the program's name. Returns the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    if "_ARGCOMPLETE" in os.environ:  # the shell asks what may come next in this line
        words = os.environ.get("COMP_LINE", "").split()[1:]
    parser = argparse.ArgumentParser(
        prog="pointer-bridge",
        description="Simulator telemetry in, needles out. Nothing here is for a real aircraft.",
        epilog="pointer-bridge COMMAND --help explains its options.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    choices: dict[str, argparse.ArgumentParser] = {}
    chosen = next((word for word in words if not word.startswith("-")), None)
    for name, (place, summary) in _COMMANDS.items():
        command = commands.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        if name == chosen:
            module = importlib.import_module(place)
            module.add_arguments(command)
            command.set_defaults(run=module.run)
        choices[name] = command
    if "_ARGCOMPLETE" in os.environ:
        import argcomplete

        argcomplete.autocomplete(parser)
    if chosen is not None and chosen not in _COMMANDS:
        from bridge.description import near

        return _reported(
            "", DescriptionError(chosen, "", "an unknown command", "a command", near(chosen, _COMMANDS))
        )
    arguments, unknown = parser.parse_known_args(words)
    with ending.handling():
        try:
            if unknown:
                raise _unknown(unknown[0], choices[arguments.command])
            code: int = arguments.run(arguments)
            sys.stdout.flush()
        except KeyboardInterrupt:
            return 130
        except Exception as error:
            return _reported(arguments.command, error)
        return code


def _unknown(word: str, command: argparse.ArgumentParser) -> DescriptionError:
    """What to answer to a word that the command does not take."""
    from bridge.description import near  # with pydantic, which `--help` does not need

    options = [name for action in command._actions for name in action.option_strings if name.startswith("--")]
    if not word.startswith("-"):
        return DescriptionError(word, "", "one word too many", "options", near(word, options))
    return DescriptionError(
        word, "", "an unknown option", "one of its options", near(word.partition("=")[0], options)
    )


def _reported(command: str, error: Exception) -> int:
    """Print what a user can do something about, and return the exit code; raises any other error on."""
    if isinstance(error, ExceptionGroup):  # of tasks that ran together
        return max(_reported(command, part) for part in error.exceptions)
    if not isinstance(error, (BridgeError, OSError)):
        raise error
    if isinstance(error, OSError):  # of the output itself, most likely: its disk is full, its reader gone
        _discard_output()
    if isinstance(error, BrokenPipeError):  # as `head` does
        return 0
    from bridge.logs import printable_lines  # with structlog, which most commands do not need

    print(printable_lines(f"{f'pointer-bridge {command}'.rstrip()}: {error}"), file=sys.stderr)
    return 2


def _discard_output() -> None:
    """Let Python's flush of what is left, as it ends, do no harm."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    sys.exit(main())
