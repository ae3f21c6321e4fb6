"""Microseconds per datagram, for each kind of layout: `python -m tests.benchmarks.decode`.

Each shipped layout decodes a datagram such as its own comments show; beside it, what Python alone needs for
the same bytes (split and float, json.loads, struct.unpack), which no decoder written in Python can beat.
"""

from __future__ import annotations

import json
import struct
import timeit
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.table import Table

from bridge.telemetry.layout import load_layout
from bridge.telemetry.recorded import open_log
from tests.telemetry.mavlink_frames import MAVLINK_EXAMPLE, mavlink_frame

LAYOUTS = Path(__file__).parents[2] / "config" / "layouts"
DATA = Path(__file__).parents[1] / "data"
LOGS = (DATA / "flights" / "attitude.igc", Path(__file__).parents[2] / "replay_logs" / "circuit.csv")
_ROUNDS = 20_000

_LINE = (DATA / "jsbsim-udp-later.bin").read_bytes()
_PAIRS = b"AIR t_ms=120500;alt_m=652.3;qnh_hpa=1009.1;ias_kmh=166.7;vs_ms=2.5;hdg=358.2\n"
_DOCUMENT = (
    b'{"clock": 120.5, "air": {"altitude_ft": 2140, "speed_kt": 62}, "attitude": [3.1, -12.0, 187.5],'
    b' "engines": [{"rpm": 2310, "oil": {"psi": 61, "temp_f": 180}}]}'
)
_PACKED = b"LKM1" + struct.pack("<IdfhHhh", 120_500, 652.272, 46.3, -250, 49_152, -1250, 0)
_FRAME = mavlink_frame(30, struct.pack("<Iffffff", 120_500, 0.2, 0.05, 1.5, 0.01, 0.0, 0.02))
_GROUPS = b"GRP\x01" + b"".join(struct.pack(">H4f", tag, 1.0, 0.5, 0.25, 9.0) for tag in (500, 613, 742))

CASES: dict[str, tuple[bytes, Callable[[], object]]] = {
    "labelled-text": (_LINE, lambda: [float(token) for token in _LINE.split(b",")]),
    "keyvalue": (_PAIRS, lambda: [float(pair.split(b"=")[1]) for pair in _PAIRS[4:].split(b";")]),
    "json": (_DOCUMENT, lambda: json.loads(_DOCUMENT)),
    "packed": (_PACKED, lambda: struct.unpack("<4xIdfhHhh", _PACKED)),
    "mavlink": (_FRAME, lambda: struct.unpack_from("<Iffffff", _FRAME, 10)),
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
    with TemporaryDirectory() as folder:
        for path in (*LOGS, _recording(Path(folder)), _table(Path(folder))):
            layout = path.with_suffix(".toml")
            log = open_log(path, layout=layout if layout.exists() else None)
            count = sum(1 for _ in log)
            spent = min(timeit.repeat(lambda log=log: list(log), number=1, repeat=5)) / count * 1e6  # type: ignore[misc]
            each = f"{spent:.1f} microseconds per moment, {path.stat().st_size / count:.0f} bytes of it"
            console.print(f"{path.name}: {each}, {len(log.given)} readings known")


def _recording(folder: Path) -> Path:
    """A recording of MAVLink: two messages ten times a second, for ten minutes."""
    path = folder / "flight.tlog"
    rows = [
        struct.pack(">Q", 1_780_570_895_000_000 + i * 50_000) + (_FRAME, MAVLINK_EXAMPLE)[i % 2]
        for i in range(12_000)
    ]
    path.write_bytes(b"".join(rows))
    return path


def _table(folder: Path) -> Path:
    """A table of another maker's, six columns and a clock."""
    path = folder / "table.csv"
    rows = [
        f"11:{i // 60 % 60:02}:{i % 60:02};{i / 3:.1f};{i % 90:.2f};1.25;-2.5;{i % 360:.1f}"
        for i in range(3600)
    ]
    path.write_text("UTC;alt;ias;pitch;bank;hdg\n" + "\n".join(rows) + "\n", encoding="utf-8")
    names = {
        "alt": ("pressure_altitude", "m"),
        "ias": ("indicated_airspeed", "km/h"),
        "pitch": ("pitch", "deg"),
        "bank": ("bank", "deg"),
        "hdg": ("heading_true", "deg"),
    }
    fields = "".join(
        f'[[fields]]\nlabel = "{label}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
        for label, (quantity, unit) in names.items()
    )
    head = 'kind = "table"\nseparator = ";"\ntime = { label = "UTC", written = "clock" }\n'
    path.with_suffix(".toml").write_text(head + fields, encoding="utf-8")
    return path


if __name__ == "__main__":
    main()
