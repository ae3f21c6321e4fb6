"""MAVLink over a real socket, through the whole service to the altimeter.

843.07 hPa are 24.896 inHg: 5,000 ft by 14 CFR Part 43, Appendix E, Table I; frames are pymavlink's.
"""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path

import pytest
from pymavlink.dialects.v20 import common as v2

from bridge.flight.service import Service
from bridge.flight.sources import DescribedSources
from bridge.panel.load import load_panel
from bridge.telemetry.udp import UdpSource
from tests.conftest import until


@pytest.mark.slow
async def test_the_altimeter_shows_the_pressure_that_a_vehicle_measures(config: Path) -> None:
    path = config / "panel.toml"
    text = path.read_text(encoding="utf-8").replace("127.0.0.1:58226", "127.0.0.1:0")
    text = text.replace("layouts/labelled-text.toml", "layouts/mavlink.toml")
    path.write_text(text.replace('source = "telemetry"', 'source = "fixed"'), encoding="utf-8")
    service = Service(load_panel(path), sources=DescribedSources())
    run = asyncio.create_task(service.run())
    vehicle, other = (
        v2.MAVLink(None, srcSystem=1, srcComponent=1),
        v2.MAVLink(None, srcSystem=9, srcComponent=1),
    )
    try:
        await service.started.wait()
        source = service.intake.sources[0]
        assert isinstance(source, UdpSource)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.connect(("127.0.0.1", source.port))

            def shows() -> bool:
                for system, hpa in ((vehicle, 843.07), (other, 500.0)):
                    sender.send(v2.MAVLink_scaled_pressure_message(0, hpa, 0.0, 2000).pack(system))
                sender.send(v2.MAVLink_heartbeat_message(1, 3, 0, 0, 4, 3).pack(other))
                return service.running.chain.pointers["left", 0].indication is not None

            await until(shows, "an altimeter that shows something")
            await until(lambda: source.senders[0].causes["another system"] > 0, "the other system refused")
        shown_ft = service.running.chain.readings.values["indicated_altitude"]
        assert shown_ft == pytest.approx(5000, abs=1.5)
        assert source.senders[0].follows == "system 1, component 1"
    finally:
        service.stop()
        await run
