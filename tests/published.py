"""Published tables in tests/data: a first line with the source, a header, then numbers."""

from __future__ import annotations

import csv
from pathlib import Path

_DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[tuple[float, ...]]:
    """The numbers of one table, row by row."""
    with (_DATA / name).open(encoding="utf-8", newline="") as file:
        source, _header, *lines = csv.reader(file)
    assert source[0].startswith("# "), f"{name} does not name its source"
    return [tuple(float(cell) for cell in line) for line in lines]
