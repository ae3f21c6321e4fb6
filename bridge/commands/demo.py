"""`demo`: the shipped panel and a shipped flight on virtual boards, live in the terminal."""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from bridge.commands import replay
from bridge.commands.run import PAGE
from bridge.commands.shipped import DEMO_FLIGHT, DEMO_PANEL
from bridge.errors import DescriptionError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `demo`: those of a flight."""
    replay.add_flight_arguments(parser)


def run(arguments: argparse.Namespace) -> int:
    """Fly the demo; raises DescriptionError where the package came without its shipped files."""
    for file in (DEMO_PANEL, DEMO_FLIGHT):
        if not file.exists():
            raise DescriptionError(
                str(file), "", "no such file", "the project's own folder", "Run the demo from a checkout"
            )
    arguments.panel, arguments.log = DEMO_PANEL, DEMO_FLIGHT
    arguments.virtual = arguments.view = True
    arguments.json = False
    arguments.layout = arguments.scenario = None
    watched = arguments.speed != "max" and arguments.trace is None
    arguments.page = PAGE if watched else None
    if not watched:
        return replay.run(arguments)
    # What is calibrated there is for trying: the shipped files, which the tests use too, stay as they are.
    with tempfile.TemporaryDirectory(prefix="pointer-bridge-demo-", ignore_cleanup_errors=True) as folder:
        copy = Path(folder) / DEMO_PANEL.parent.name
        shutil.copytree(DEMO_PANEL.parent, copy, ignore=shutil.ignore_patterns("pictures"))
        arguments.panel = copy / DEMO_PANEL.name
        print(f"panel: a copy, in {copy}, gone at the end", file=sys.stderr, flush=True)
        return replay.run(arguments)
