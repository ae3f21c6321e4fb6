"""`pointer-bridge wiring`: the wiring sheet as HTML and PDF, and each diagram as SVG."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from rich.console import Console

from bridge.description import near
from bridge.errors import DescriptionError
from bridge.panel.load import Panel, load_panel
from bridge.wiring.sheet import board_sheet


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("panel", type=Path, help="the panel description (TOML)")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the files go")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF")
    parser.add_argument("--board", metavar="NAME", help="this board alone")


def run(args: argparse.Namespace) -> int:
    """Writes the files and says so; raises `BridgeError` with every mistake of the description."""
    panel = load_panel(args.panel)
    out = Console()
    for file in write(panel, _chosen(panel, args.board), args.out, args.paper):
        out.print(str(file), markup=False, highlight=False, soft_wrap=True)
    out.print("Read the cautions on the first page before you wire anything.")
    return 0


def write(panel: Panel, boards: list[str], folder: Path, paper: str) -> list[Path]:
    """The sheet as HTML and PDF and its diagrams as SVG; the files written, in order."""
    # Imported here: they are slow to load, and other commands have no use for them.
    from bridge.wiring.diagram import pictures
    from bridge.wiring.html import picture_svg, sheets_html
    from bridge.wiring.pdf import sheets_pdf

    sheets = [board_sheet(panel.description, panel.motors, board) for board in boards]
    title = panel.description.name
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / "wiring.html", folder / "wiring.pdf"]
    files[0].write_text(sheets_html(sheets, title), encoding="utf-8")
    files[1].write_bytes(sheets_pdf(sheets, "letter" if paper == "letter" else "a4", title))
    for sheet in sheets:
        drawn = pictures(sheet)
        for number, picture in enumerate(drawn, 1):
            ending = f"-{number}" if len(drawn) > 1 else ""
            name = re.sub(r"[\W_]+", "-", sheet.board)
            file = folder / f"wiring-{name}{ending}.svg"
            file.write_text(picture_svg(picture, f"Board {sheet.board}"), encoding="utf-8")
            files.append(file)
    return files


def _chosen(panel: Panel, name: str | None) -> list[str]:
    known = list(panel.description.boards)
    if name is None:
        return known
    if name not in known:
        found, cure = f"an unknown board '{name}'", near(name, known)
        raise DescriptionError(str(panel.path), "--board", found, "a board of this panel", cure)
    return [name]
