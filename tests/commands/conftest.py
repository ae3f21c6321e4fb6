"""The demo panel, for commands to run on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.commands.started import change


@pytest.fixture
def panel(config: Path) -> Path:
    """The demo panel, listening on a port that is free."""
    change(config / "panel.toml", "127.0.0.1:58226", "127.0.0.1:0")
    return config / "panel.toml"
