"""The smallest panel: a tachometer with one pointer, 270 degrees for 3,000 rpm, on a board named `only`."""

from __future__ import annotations

from pathlib import Path

_PANEL = """
[drives.sweep]
motor = "gauge-stepper-315"
speed_steps_s = 900
acceleration_steps_s2 = 6000
[boards.only]
LINK
[boards.only.channels]
0 = { output = "gauge_stepper", pins = ["D2", "D3", "D4", "D5"], homing = "HOMING" }
[gauges.tachometer]
instrument = "gauge"
options = { quantity = "engine_speed" }
[gauges.tachometer.pointers.needle]
indication = "engine_speed"
kind = "bounded"
scale = [[0, 0], [3000, 270]]
drive = "sweep"
board = "only"
channel = 0
"""


def one_gauge(homing: str, port: Path | str | None = None) -> str:
    """The description of that panel, on a virtual board or on the serial port that is named."""
    link = "" if port is None else f'link = "serial"\nport = "{port}"'
    return _PANEL.replace("LINK", link).replace("HOMING", homing)
