"""From a knob of the panel to the simulator's own altimeter setting, and back to the altimeter.

jsbsim runs in a process of its own and sends its own datagrams (tests/held_aircraft.py); the knob's command
goes to it over UDP. On this side runs the whole service: a virtual board with the knob, the control, the
command; UDP source, layout, altimeter, pointers, virtual motors.
"""

from __future__ import annotations

import asyncio
import os
import sys
from asyncio.subprocess import PIPE
from pathlib import Path

import pytest

from bridge.boards.state import State
from bridge.boards.virtual.link import VirtualLink
from bridge.flight.service import Service
from bridge.panel.load import load_panel
from bridge.telemetry.udp import UdpSource
from tests.conftest import ROOT, until

LAYOUT = """
kind = "delimited"
separator = ","
header = "<LABELS>"
[[fields]]
quantity = "static_pressure"
label = "P-psf"
unit = "psf"
[[fields]]
quantity = "altimeter_setting"
label = "altimeter-setting-inHg"
unit = "inHg"
"""
CONTROL = """
[commands.altimeter]
to = "127.0.0.1:PORT"
text = "setting {setting}\\n"
fields = [{ name = "setting", quantity = "altimeter_setting", unit = "inHg" }]
[controls.setting]
board = "left"
input = 0
on = "turn"
quantity = "altimeter_setting"
by = 0.01
send = "altimeter"
"""
HUNDREDS = ("left", 0)


@pytest.mark.slow
async def test_a_knob_sets_the_simulators_altimeter_and_the_needle_follows(config: Path) -> None:
    """From 29.92 to 30.50 inHg: 531 ft more by 14 CFR Part 43, Appendix E, Table IV, to its 2 ft and a step.

    The aircraft is held in flight: only the setting changes.
    """
    flight = await asyncio.create_subprocess_exec(
        sys.executable,
        str(ROOT / "tests" / "held_aircraft.py"),
        stdin=PIPE,
        stdout=PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT / "replay_logs")},
    )
    assert flight.stdin and flight.stdout
    service: Service | None = None
    run: asyncio.Task[None] | None = None
    try:
        port = int(await flight.stdout.readline())
        (config / "layouts" / "held.toml").write_text(LAYOUT, encoding="utf-8")
        path = config / "panel.toml"
        text = path.read_text(encoding="utf-8").replace("127.0.0.1:58226", "127.0.0.1:0")
        text = text.replace("layouts/labelled-text.toml", "layouts/held.toml")
        path.write_text(text + CONTROL.replace("PORT", str(port)), encoding="utf-8")
        service = Service(load_panel(path))
        run = asyncio.create_task(service.run())
        await service.started.wait()
        source = service.intake.sources[0]
        assert isinstance(source, UdpSource)
        flight.stdin.write(f"{source.port}\n".encode())
        link = service.boards["left"].link
        assert isinstance(link, VirtualLink)
        needle = service.running.chain.pointers[HUNDREDS]

        def shown_ft() -> float:
            """What the hundreds pointer shows, 0 to 1,000 ft: the true place of its virtual motor."""
            return needle.pointer.face_deg(link.board.channel(0).place) % 360.0 / 360.0 * 1000.0

        def is_still() -> bool:
            assert service is not None
            ready = service.running.sessions["left"].state is State.READY
            target, board = needle.target, link.board.channel(0).status
            return (
                ready
                and target is not None
                and abs(needle.position - target) < 0.5
                and needle.velocity == 0.0
                and board.velocity == 0
                and abs(board.position - needle.position) <= 1.0
            )

        await until(is_still, "a needle that shows the field's altitude")
        before_ft = shown_ft()
        link.board.turn_knob(0, 58)
        values = service.running.chain.readings.values
        assert values["altimeter_setting"] == pytest.approx(29.92)
        sender = source.senders[0]
        await until(
            lambda: abs(sender.readings["altimeter_setting"] - 30.50) < 1e-6, "the simulator's setting"
        )
        await until(lambda: is_still() and abs(shown_ft() - before_ft) > 1.0, "a needle that has followed")
        assert (shown_ft() - before_ft) % 1000.0 == pytest.approx(531, abs=3)
    finally:
        flight.kill()
        await flight.wait()
        if service is not None and run is not None:
            service.stop()
            await run
