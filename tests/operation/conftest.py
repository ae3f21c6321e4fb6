"""The panel of these tests: one gauge on one virtual board."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.flight.one_gauge import one_gauge


@pytest.fixture
def panel(tmp_path: Path) -> Path:
    path = tmp_path / "panel.toml"
    path.write_text(one_gauge("last"), encoding="utf-8")
    return path
