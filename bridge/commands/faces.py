"""`pointer-bridge faces`: every gauge's face, cards and pointers as SVG, PDF and DXF."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from rich.console import Console

from bridge.description import near
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.primitives import Part
from bridge.panel.load import Panel, load_panel


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("panel", type=Path, help="the panel description (TOML)")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the files go")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF")
    parser.add_argument("--gauge", metavar="NAME", help="this gauge alone")


def run(args: argparse.Namespace) -> int:
    """Writes the files and says so; raises `BridgeError` with every mistake of the description."""
    panel = load_panel(args.panel)
    drawn = _drawn(panel, _chosen(panel, args.gauge))
    out = Console()
    for file in write(drawn, args.out, args.paper, panel.description.name):
        out.print(str(file), markup=False, highlight=False, soft_wrap=True)
    out.print("Print the PDF at 100 %, and measure its 100 mm rule before you cut anything.")
    return 0


def write(drawn: dict[str, tuple[Part, ...]], folder: Path, paper: str, title: str) -> list[Path]:
    """One SVG and one DXF for each part, and one PDF with them all; the files written, in order."""
    # Imported here: they are slow to load, and other commands have no use for them.
    from bridge.faces.dxf import part_dxf
    from bridge.faces.pdf import sheets_pdf
    from bridge.faces.svg import part_svg

    captioned = [
        (f"{gauge.replace('_', ' ')}: {_caption(part)}", part)
        for gauge, parts in drawn.items()
        for part in parts
    ]
    pdf = sheets_pdf(captioned, "letter" if paper == "letter" else "a4", title)
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / "faces.pdf"]
    files[0].write_bytes(pdf)
    for gauge, parts in drawn.items():
        for part in parts:
            stem = re.sub(r"[\W_]+", "-", f"{gauge}-{part.name}")
            for ending, text in (("svg", part_svg(part)), ("dxf", part_dxf(part))):
                file = folder / f"{stem}.{ending}"
                file.write_text(text, encoding="utf-8")
                files.append(file)
    return files


def _caption(part: Part) -> str:
    name = part.name.replace("_", " ")
    return f"{name}, {part.note}" if part.note else name


def _chosen(panel: Panel, name: str | None) -> list[str]:
    known = list(panel.description.gauges)
    if name is None:
        return known
    if name not in known:
        found, cure = f"an unknown gauge '{name}'", near(name, known)
        raise DescriptionError(str(panel.path), "--gauge", found, "a gauge of this panel", cure)
    return [name]


def _drawn(panel: Panel, gauges: list[str]) -> dict[str, tuple[Part, ...]]:
    drawn: dict[str, tuple[Part, ...]] = {}
    errors: list[DescriptionError] = []
    for name in gauges:
        try:
            drawn[name] = gauge_parts(panel_gauge(panel, name))
        except DescriptionErrors as faults:
            errors.extend(faults.errors)
    if errors:
        raise DescriptionErrors(errors)
    return drawn
