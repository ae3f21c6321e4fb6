"""What several tests share: a copy of the demo panel's folder, and the shipped files."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A copy of the demo panel's folder that a test may change."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return tmp_path / "config"
