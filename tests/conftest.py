"""What several tests share: a copy of the demo panel's folder, and the shipped files."""

from __future__ import annotations

import asyncio
import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).parents[1]

WRITTEN_OUT = Path(__file__).with_name("written_out.toml")
"""The demo panel with every gauge written out, for tests that change single values of it."""

KEYVALUE_LAYOUT = """
kind = "keyvalue"
separator = " "
[[fields]]
quantity = "pressure_altitude"
key = "alt"
unit = "ft"
[[fields]]
quantity = "altimeter_setting"
key = "set"
unit = "inHg"
[[fields]]
quantity = "calibrated_airspeed"
key = "cas"
unit = "kt"
"""
"""Words such as `alt=2140 set=29.92 cas=90`, for tests that send their own telemetry."""


# A busy machine is no mistake of the code: examples have no time limit of their own.
settings.register_profile(
    "patient", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("patient")

PATIENCE_S = 120.0
"""How long a test waits for a state. It is a failure only: no test that passes waits for it."""


def pytest_configure() -> None:
    """Let programs that tests start be stopped by SIGINT, also where a shell started us in the background."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A copy of the demo panel's folder that a test may change; its gauges are written out."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    shutil.copy(WRITTEN_OUT, tmp_path / "config" / "panel.toml")
    return tmp_path / "config"


async def until(condition: Callable[[], object], what: str = "", patience_s: float = PATIENCE_S) -> None:
    """Wait for a state of the real world, looking every 10 ms; fails naming `what` never came."""
    end_s = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end_s, f"never came: {what or condition}"
        await asyncio.sleep(0.01)


def wait_until(condition: Callable[[], object], what: str = "", patience_s: float = PATIENCE_S) -> None:
    """As `until`, for tests without an event loop."""
    end_s = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < end_s, f"never came: {what or condition}"
        time.sleep(0.01)
