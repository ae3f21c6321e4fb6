"""What several tests share: a copy of the demo panel's folder, and the shipped files."""

from __future__ import annotations

import shutil
import signal
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def pytest_configure() -> None:
    """Let programs that tests start be stopped by SIGINT, also where a shell started us in the background."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A copy of the demo panel's folder that a test may change."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return tmp_path / "config"
