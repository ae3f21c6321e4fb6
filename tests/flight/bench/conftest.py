"""The demo panel, flying level, for all that is tried at the bench."""

from __future__ import annotations

import shutil

import pytest

from bridge.panel.load import Panel, load_panel
from tests.conftest import ROOT
from tests.flight.bench.rig import Rig, changed


@pytest.fixture(scope="module")
def panel() -> Panel:
    return load_panel(ROOT / "config" / "panel.toml")


@pytest.fixture(scope="module")
def recalibrated(tmp_path_factory: pytest.TempPathFactory) -> Panel:
    """The same panel with another curve of the airspeed indicator."""
    folder = tmp_path_factory.mktemp("recalibrated") / "config"
    shutil.copytree(ROOT / "config", folder)
    return changed(folder, "calibration/airspeed.toml", ("[80, 108, 109.1]", "[80, 108, 112.0]"))


@pytest.fixture
def rig(panel: Panel) -> Rig:
    """The demo panel, flying level and settled."""
    rig = Rig(panel)
    rig.settle()
    return rig
