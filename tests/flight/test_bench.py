"""Gauges at the bench while the others fly: who holds them, how they move, and the stop of all needles."""

from __future__ import annotations

import pytest

from bridge.errors import BenchError
from bridge.flight.notices import GaugeGivenBack, GaugeTaken
from bridge.panel.load import Panel, load_panel
from tests.conftest import ROOT
from tests.flight.bench_rig import Rig

NEEDLE = "airspeed.needle"


@pytest.fixture(scope="module")
def panel() -> Panel:
    return load_panel(ROOT / "config" / "panel.toml")


@pytest.fixture
def rig(panel: Panel) -> Rig:
    """The demo panel, flying level and settled."""
    rig = Rig(panel)
    rig.settle()
    return rig


def test_a_gauge_that_is_taken_stays_while_its_indication_and_the_others_go_on(rig: Rig) -> None:
    was = rig.driven(NEEDLE).position
    rig.benches.take("airspeed", "guest 1", rig.time_s)
    rig.feeds = {**(rig.feeds or {}), "calibrated_airspeed": 120.0, "bank": -20.0}
    rig.fly(4.0, "guest 1")
    needle = rig.driven(NEEDLE)
    assert needle.position == was
    assert needle.indication == pytest.approx(121.5, abs=0.5)
    assert rig.driven("attitude.bank").indication == -20.0
    rig.benches.release("airspeed", "guest 1")
    rig.fly(3.0)
    assert needle.position == pytest.approx(needle.pointer.position(needle.indication or 0.0), abs=0.5)
    assert rig.notices[-2:] == [GaugeTaken("airspeed", "guest 1"), GaugeGivenBack("airspeed", "guest 1", "")]


def test_two_people_one_holds_the_gauge_and_the_other_is_told_who(rig: Rig) -> None:
    rig.benches.take("airspeed", "guest 1", rig.time_s)
    with pytest.raises(BenchError, match="airspeed is held by guest 1"):
        rig.benches.take("airspeed", "guest 2", rig.time_s)
    with pytest.raises(BenchError, match="held by guest 1, not by you"):
        rig.benches.at("airspeed", "guest 2")
    with pytest.raises(BenchError, match="altimeter is not at the bench: take it first"):
        rig.benches.at("altimeter", "guest 2")
    rig.benches.release("airspeed", "guest 1")
    rig.benches.take("airspeed", "guest 2", rig.time_s)
    assert [bench.holder for bench in rig.benches.snapshot(rig.time_s)] == ["guest 2"]
