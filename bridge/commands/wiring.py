"""`pointer-bridge wiring`: the wiring sheet as HTML and PDF, and each diagram as SVG."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console

from bridge.description import chosen
from bridge.faces import font
from bridge.outputs import write_folder
from bridge.panel.load import Panel, load_panel
from bridge.wiring.sheet import board_sheet


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `wiring`."""
    parser.add_argument("panel", type=Path, help="the panel description (TOML)")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the files go")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF")
    parser.add_argument("--board", metavar="NAME", help="this board alone")


def run(args: argparse.Namespace) -> int:
    """Write the files and print their names; raises `BridgeError` with every mistake of the description."""
    panel = load_panel(args.panel)
    boards = chosen(str(panel.path), "--board", "board", args.board, panel.description.boards)
    out = Console()
    for file in write_folder(args.out, drawings(panel, boards, args.paper), panel.files):
        out.print(str(file), markup=False, highlight=False, soft_wrap=True)
    if lacking := font.lacking("".join([panel.description.name, *boards])):
        note = f"wiring.pdf: the lettering has no {lacking}; names are printed without"
        out.print(note, markup=False, highlight=False, soft_wrap=True)
    out.print("Read the cautions on the first page before you wire anything.")
    return 0


def drawings(panel: Panel, boards: list[str], paper: str) -> Iterator[tuple[str, str | bytes]]:
    """The sheet as HTML and PDF, then its diagrams as SVG: file names and contents, in order."""
    # Imported here: they are slow to load, and other commands have no use for them.
    from bridge.wiring.diagram import pictures
    from bridge.wiring.html import picture_svg, sheets_html
    from bridge.wiring.pdf import sheets_pdf

    sheets = [board_sheet(panel.description, panel.motors, board) for board in boards]
    title = panel.description.name
    yield "wiring.html", sheets_html(sheets, title)
    yield "wiring.pdf", sheets_pdf(sheets, "letter" if paper == "letter" else "a4", title)
    for sheet in sheets:
        drawn = pictures(sheet)
        name = re.sub(r"[\W_]+", "-", sheet.board)
        for number, picture in enumerate(drawn, 1):
            ending = f"-{number}" if len(drawn) > 1 else ""
            yield f"wiring-{name}{ending}.svg", picture_svg(picture, f"Board {sheet.board}")
