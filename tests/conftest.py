"""What several tests share: a copy of the demo panel's folder, and the shipped files."""

from __future__ import annotations

import asyncio
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

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


def pytest_configure() -> None:
    """Let programs that tests start be stopped by SIGINT, also where a shell started us in the background."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A copy of the demo panel's folder that a test may change."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return tmp_path / "config"


async def until(condition: Callable[[], bool], seconds: float = 30.0) -> None:
    """Wait for a condition; generous, for slow machines."""
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.01)
