"""Layouts written as a person writes them, for the checks of this folder."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.layout import Layout, load_layout
from bridge.telemetry.source import Source

EXAMPLES = Path(__file__).parents[2] / "config" / "layouts"
DATA = Path(__file__).parents[1] / "data"


def layout_of(text: str, catalogue: Catalogue = CATALOGUE) -> Layout:
    """The layout that this TOML describes, by way of a file."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "sample.toml"
        path.write_text(text, encoding="utf-8")
        return load_layout(path, catalogue)


def toml(head: Mapping[str, object], fields: list[dict[str, object]]) -> str:
    """TOML of a layout; JSON's strings, numbers and arrays are TOML too."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in head.items()]
    for field in fields:
        lines += ["[[fields]]", *(f"{key} = {json.dumps(value)}" for key, value in field.items())]
    return "\n".join(lines)


S = TypeVar("S", bound=Source)


@asynccontextmanager
async def opened(source: S) -> AsyncIterator[S]:
    """The source open, and closed at the end."""
    await source.open()
    try:
        yield source
    finally:
        await source.close()
