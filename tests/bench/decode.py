"""Microseconds per datagram, for each kind of layout: `python -m tests.bench.decode`.

Each shipped layout decodes a datagram such as its own comments show; beside it, what Python alone needs for
the same bytes (split and float, json.loads, struct.unpack), which no decoder written in Python can beat.
"""

from __future__ import annotations

import json
import struct
import timeit
from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.table import Table

from bridge.telemetry.layout import load_layout
from bridge.telemetry.recorded import open_log

LAYOUTS = Path(__file__).parents[2] / "config" / "layouts"
DATA = Path(__file__).parents[1] / "data"
_ROUNDS = 20_000

_LINE = (DATA / "jsbsim-udp-later.bin").read_bytes()
_PAIRS = b"AIR t_ms=120500;alt_m=652.3;qnh_hpa=1009.1;ias_kmh=166.7;vs_ms=2.5;hdg=358.2\n"
_DOCUMENT = (
    b'{"clock": 120.5, "air": {"altitude_ft": 2140, "speed_kt": 62}, "attitude": [3.1, -12.0, 187.5],'
    b' "engines": [{"rpm": 2310, "oil": {"psi": 61, "temp_f": 180}}]}'
)
_PACKED = b"LKM1" + struct.pack("<IdfhHhh", 120_500, 652.272, 46.3, -250, 49_152, -1250, 0)
_GROUPS = b"GRP\x01" + b"".join(struct.pack(">H4f", tag, 1.0, 0.5, 0.25, 9.0) for tag in (500, 613, 742))

CASES: dict[str, tuple[bytes, Callable[[], object]]] = {
    "labelled-text": (_LINE, lambda: [float(token) for token in _LINE.split(b",")]),
    "keyvalue": (_PAIRS, lambda: [float(pair.split(b"=")[1]) for pair in _PAIRS[4:].split(b";")]),
    "json": (_DOCUMENT, lambda: json.loads(_DOCUMENT)),
    "packed": (_PACKED, lambda: struct.unpack("<4xIdfhHhh", _PACKED)),
    "groups": (_GROUPS, lambda: list(struct.iter_unpack(">H4f", _GROUPS[4:]))),
}


def microseconds(call: Callable[[], object]) -> float:
    """The least of five means: the machine's other work only ever adds to it."""
    return min(timeit.repeat(call, number=_ROUNDS, repeat=5)) / _ROUNDS * 1e6


def main() -> None:
    table = Table("layout", title="Decoding, microseconds per datagram")
    for head in ("bytes", "readings", "decoder", "Python's own parsing alone"):
        table.add_column(head, justify="right")
    for name, (datagram, bare) in CASES.items():
        decoder = load_layout(LAYOUTS / f"{name}.toml").decoder()
        if name == "labelled-text":
            decoder.decode((DATA / "jsbsim-udp-labels.bin").read_bytes())
        decoded = decoder.decode(datagram)
        readings = len(getattr(decoded, "readings", ()))
        spent = microseconds(lambda decoder=decoder, datagram=datagram: decoder.decode(datagram))  # type: ignore[misc]
        table.add_row(name, str(len(datagram)), str(readings), f"{spent:.1f}", f"{microseconds(bare):.1f}")
    console = Console()
    console.print(table)
    for name in ("tests/data/flights/attitude.igc", "replay_logs/circuit.csv"):
        log = open_log(Path(__file__).parents[2] / name)
        count = sum(1 for _ in log)
        spent = min(timeit.repeat(lambda log=log: list(log), number=1, repeat=5)) / count * 1e6  # type: ignore[misc]
        console.print(f"{name}: {spent:.1f} microseconds per moment of {len(log.given)} readings")


if __name__ == "__main__":
    main()
