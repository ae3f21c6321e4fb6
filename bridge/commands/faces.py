"""`pointer-bridge faces`: every gauge's face, cards and pointers as SVG, PDF and DXF."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console

from bridge.description import chosen
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.faces import font
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.primitives import Part
from bridge.outputs import write_folder
from bridge.panel.load import Panel, load_panel


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of `faces`."""
    parser.add_argument("panel", type=Path, help="the panel description (TOML)")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the files go")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF")
    parser.add_argument("--gauge", metavar="NAME", help="this gauge alone")


def run(args: argparse.Namespace) -> int:
    """Write the files and print their names; raises `BridgeError` with every mistake of the description."""
    panel = load_panel(args.panel)
    title = panel.description.name
    drawn = _drawn(panel, chosen(str(panel.path), "--gauge", "gauge", args.gauge, panel.description.gauges))
    out = Console()
    for file in write_folder(args.out, drawings(drawn, args.paper, title), panel.files):
        out.print(str(file), markup=False, highlight=False, soft_wrap=True)
    for note in _notes(panel, drawn, title):
        out.print(note, markup=False, highlight=False, soft_wrap=True)
    out.print("Print the PDF at 100 %, and measure its 100 mm rule before you cut anything.")
    return 0


def drawings(drawn: dict[str, tuple[Part, ...]], paper: str, title: str) -> Iterator[tuple[str, str | bytes]]:
    """One PDF with all parts, then one SVG and one DXF for each: file names and contents, in order."""
    # Imported here: they are slow to load, and other commands have no use for them.
    from bridge.faces.dxf import part_dxf
    from bridge.faces.pdf import sheets_pdf
    from bridge.faces.svg import part_svg

    captioned = [(caption(gauge, part), part) for gauge, parts in drawn.items() for part in parts]
    yield "faces.pdf", sheets_pdf(captioned, "letter" if paper == "letter" else "a4", title)
    for gauge, parts in drawn.items():
        for part in parts:
            stem = re.sub(r"[\W_]+", "-", f"{gauge}-{part.name}")
            yield f"{stem}.svg", part_svg(part)
            yield f"{stem}.dxf", part_dxf(part)


def caption(gauge: str, part: Part) -> str:
    """What is printed under a part."""
    words = f"{gauge}: {part.name}".replace("_", " ")
    return f"{words}, {part.note}" if part.note else words


def _notes(panel: Panel, drawn: dict[str, tuple[Part, ...]], title: str) -> Iterator[str]:
    """What the drawings do not show, and why."""
    for gauge in drawn:
        if "face" not in panel.description.gauges[gauge].model_fields_set:
            yield f"{gauge}: no gauges.{gauge}.face in {panel.path}, so one is made from its scale"
    captions = [caption(gauge, part) for gauge, parts in drawn.items() for part in parts]
    if lacking := font.lacking("".join([title, *captions])):
        yield f"faces.pdf: the lettering has no {lacking}; captions are printed without"


def _drawn(panel: Panel, gauges: list[str]) -> dict[str, tuple[Part, ...]]:
    drawn: dict[str, tuple[Part, ...]] = {}
    errors: list[DescriptionError] = []
    for name in gauges:
        try:
            parts = gauge_parts(panel_gauge(panel, name))
            drawn[name] = tuple(part for part in parts if part.setting is None)
        except DescriptionErrors as faults:
            errors.extend(faults.errors)
    if errors:
        raise DescriptionErrors(errors)
    return drawn
