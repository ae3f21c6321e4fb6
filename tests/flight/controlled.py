"""The demo panel with knobs and buttons that do something, and a simulator's socket."""

from __future__ import annotations

import socket
from pathlib import Path

from bridge.panel.load import Panel, load_panel
from tests.conftest import ROOT

LEFT_INPUTS = '0 = { kind = "encoder", pins = ["A3", "A4"] }'
CENTRE = '[boards.centre]\npart = "atmega328p"\n'
CENTRE_INPUTS = """\
[boards.centre.inputs]
0 = { kind = "encoder", pins = ["A3", "A4"] }
1 = { kind = "button", pins = ["A5"] }
"""


def simulator() -> socket.socket:
    """A socket that hears what is sent; it never waits."""
    heard = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    heard.setblocking(False)
    heard.bind(("127.0.0.1", 0))
    return heard


def datagrams(heard: socket.socket) -> list[bytes]:
    """All that has arrived."""
    found = []
    while True:
        try:
            found.append(heard.recv(2048))
        except BlockingIOError:
            return found


def controlled(config: Path, port: int = 58_227, more: str = "") -> Panel:
    """The demo panel with the controls of controlled.toml, whose commands go to this port."""
    path = config / "panel.toml"
    text = path.read_text(encoding="utf-8")
    assert LEFT_INPUTS in text and CENTRE in text
    text = text.replace(LEFT_INPUTS, f'{LEFT_INPUTS}\n1 = {{ kind = "button", pins = ["A5"] }}')
    text = text.replace(CENTRE, CENTRE + CENTRE_INPUTS)
    controls = (ROOT / "tests" / "flight" / "controlled.toml").read_text(encoding="utf-8")
    path.write_text(text + controls.replace("SIMULATOR", str(port)) + more, encoding="utf-8")
    return load_panel(path)
