"""What is in the datagrams of a family, each number with the range seen, in lines of at most 80 columns."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from bridge.telemetry.finding.history import Family, spread
from bridge.telemetry.finding.shapes import GroupsShape, Place, Shape, usable
from bridge.telemetry.layout_description import CODES

WIDTH = 80
ROWS = 20
_SAMPLES = 100
_CELL = 17


def content_rows(family: Family, start: int = 0, number_type: str = "float32") -> Iterator[str]:
    """ROWS rows from a byte's offset (packed) or a number's place in the list (all others).

    Packed numbers come as a whole number and as `number_type`, in both byte orders, at every step of that
    type's size; a star marks a row of which some byte has changed.
    """
    samples = spread(family.datagrams, _SAMPLES)
    shapes = family.shapes()
    listed = next((shape for shape in shapes if shape.head["kind"] != "binary"), None)
    if listed is None:
        yield from _packed_rows(samples, family.length, start, number_type)
        return
    columns = list(zip(*[listed.numbers(sample) for sample in samples], strict=True))
    for place, numbers in list(zip(listed.places, columns, strict=True))[start : start + ROWS]:
        there = [number for number in numbers if number is not None]
        seen = _range(there) if there else "no number"
        yield f"{_name(place, listed)[: WIDTH - 34]:<{WIDTH - 34}} {seen:>32}"
    if len(columns) > start + ROWS:
        yield f"... {len(columns)} in all: `show {start + ROWS}` goes on"


def _name(place: Place, shape: Shape) -> str:
    return f"{place} ({shape})" if isinstance(shape, GroupsShape) else str(place)


def _packed_rows(samples: Sequence[bytes], length: int, start: int, number_type: str) -> Iterator[str]:
    size = struct.calcsize("=" + CODES[number_type])
    whole = f"int{8 * size}"
    heads = [f"{whole} little", f"{whole} big"]
    heads += [f"{number_type} little", f"{number_type} big"] if number_type != whole else []
    yield f"{'offset':>6} " + "".join(f"{head:>18}" for head in heads)
    for offset in range(start, min(length - size + 1, start + ROWS * size), size):
        cells = []
        for kind in (whole, number_type) if number_type != whole else (whole,):
            for order in "<>":
                numbers = [struct.unpack_from(order + CODES[kind], sample, offset)[0] for sample in samples]
                cells.append(f"{_range([n for n in numbers if usable(n)]):>18}")
        changed = len({sample[offset : offset + size] for sample in samples}) > 1
        yield f"{offset:>5}{'*' if changed else ' '} {''.join(cells)}"
    if start + ROWS * size < length:
        yield f"... {length} bytes in all: `show {start + ROWS * size} {number_type}` goes on"


def _range(numbers: Sequence[float]) -> str:
    if not numbers:
        return "-"
    low, high = min(numbers), max(numbers)
    for form in (".4g", ".3g", ".2g", ".0e"):
        seen = f"{low:{form}}" if low == high else f"{low:{form}}..{high:{form}}"
        if len(seen) <= _CELL:
            break
    return seen
