"""Panels for benchmarks: the demo panel, generated ones with any number of pointers, and their telemetry."""

from __future__ import annotations

import csv
import math
import shutil
import struct
from pathlib import Path

ROOT = Path(__file__).parents[2]
FLIGHT = ROOT / "replay_logs" / "circuit.csv"
_CHANNELS_OF_A_BOARD = 12

QUANTITIES = {
    "pressure_altitude": "ft",
    "altimeter_setting": "inHg",
    "calibrated_airspeed": "kt",
    "vertical_speed": "ft/min",
    "heading_magnetic": "deg",
    "pitch": "deg",
    "bank": "deg",
    "roll_rate": "deg/s",
    "turn_rate": "deg/s",
    "lateral_acceleration": "g",
}
_PACKED = struct.Struct(f"<d{len(QUANTITIES)}f")

LAYOUT = f"""
kind = "binary"
byte_order = "little"
length = {_PACKED.size}
fields = [
    {{ quantity = "time", offset = 0, type = "float64", unit = "s" }},
""" + "".join(
    f'    {{ quantity = "{name}", offset = {8 + 4 * i}, type = "float32", unit = "{unit}" }},\n'
    for i, (name, unit) in enumerate(QUANTITIES.items())
)
LAYOUT += "]\n"

_HEAD = """
name = "{pointers} pointers"
tick_hz = 100
[[sources]]
listen = "127.0.0.1:0"
layouts = ["bench.toml"]
[altimeter_setting]
source = "telemetry"
[drives.geared]
motor = "geared-unipolar-5v"
microsteps = 2
speed_steps_s = 900
acceleration_steps_s2 = 4000
"""
_BOARD = "[boards.b{board}]\npart = 'atmega2560'\n{link}"
_CHANNEL = """
[boards.b{board}.channels.{channel}]
output = "step_dir"
pins = ["D{step}", "D{direction}"]
homing = "index"
index = {{ pin = "A{channel}" }}
"""
_GAUGES = (
    ("altimeter", "indicated_altitude", 'kind = "endless"\nper_turn = 1000'),
    ("airspeed", "indicated_airspeed", 'kind = "bounded"\nscale = [[0, 0], [100, 180], [200, 320]]'),
    ("heading", "heading_magnetic", 'kind = "endless"\nper_turn = 360'),
    ("vertical_speed", "vertical_speed", 'kind = "bounded"\nscale = [[-2000, 117], [0, 270], [2000, 423]]'),
)


def generated(
    folder: Path, pointers: int, per_board: int = _CHANNELS_OF_A_BOARD, serial: bool = False
) -> Path:
    """A panel of so many gauges with a pointer each, altimeters to vertical speed indicators in turn.

    `serial` boards are expected at ttyBOARD in a folder of the board's name.
    """
    (folder / "bench.toml").write_text(LAYOUT, encoding="utf-8")
    text = _HEAD.format(pointers=pointers)
    for board in range(math.ceil(pointers / per_board)):
        link = f'link = "serial"\nport = "{folder / f"b{board}" / "ttyBOARD"}"\n' if serial else ""
        text += _BOARD.format(board=board, link=link)
        for channel in range(min(per_board, pointers - board * per_board)):
            step = 2 + 2 * channel
            text += _CHANNEL.format(board=board, channel=channel, step=step, direction=step + 1)
    for number in range(pointers):
        instrument, indication, way = _GAUGES[number % len(_GAUGES)]
        board, channel = divmod(number, per_board)
        text += f'[gauges.g{number}]\ninstrument = "{instrument}"\n[gauges.g{number}.pointers.needle]\n'
        text += (
            f'indication = "{indication}"\n{way}\ndrive = "geared"\nboard = "b{board}"\nchannel = {channel}\n'
        )
    path = folder / "panel.toml"
    path.write_text(text, encoding="utf-8")
    return path


def demo(folder: Path, serial: bool) -> Path:
    """The demo panel, fed by the benchmarks' layout; its boards serial ones if wanted."""
    shutil.copytree(ROOT / "config", folder, dirs_exist_ok=True)
    (folder / "bench.toml").write_text(LAYOUT, encoding="utf-8")
    path = folder / "panel.toml"
    text = path.read_text(encoding="utf-8").replace("127.0.0.1:58226", "127.0.0.1:0")
    text = text.replace("layouts/labelled-text.toml", "bench.toml")
    for board in ("left", "right", "centre") if serial else ():
        link = f'link = "serial"\nport = "{folder / board / "ttyBOARD"}"\n'
        text = text.replace(f"[boards.{board}]\n", f"[boards.{board}]\n{link}")
    path.write_text(text, encoding="utf-8")
    return path


class Telemetry:
    """The climb of the shipped flight as readings or datagrams, at any moment after its take-off."""

    def __init__(self, start_s: float = 100.0) -> None:
        with FLIGHT.open(encoding="utf-8", newline="") as file:
            rows = [row for row in csv.DictReader(file) if float(row["time[s]"]) >= start_s]
        self._rows = [
            tuple(float(row[f"{name}[{unit}]"]) for name, unit in QUANTITIES.items()) for row in rows
        ]

    def values(self, time_s: float) -> tuple[float, ...]:
        """In the order of QUANTITIES; straight between the log's rows of 1/20 s."""
        share, row = math.modf(time_s * 20)
        before, after = self._rows[int(row) : int(row) + 2]
        return tuple(a + (b - a) * share for a, b in zip(before, after, strict=True))

    def readings(self, time_s: float) -> dict[str, float]:
        return dict(zip(QUANTITIES, self.values(time_s), strict=True))

    def datagram(self, stamp_s: float, time_s: float) -> bytes:
        return _PACKED.pack(stamp_s, *self.values(time_s))


def stamp_s(datagram: bytes) -> float:
    """When the datagram says it was sent."""
    return float(_PACKED.unpack(datagram)[0])
