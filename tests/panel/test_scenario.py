"""The scenario file: what it may hold, and what is found wrong in it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import get_args

import pytest

from bridge.errors import DescriptionErrors
from bridge.instruments.failures.kinds import KINDS
from bridge.instruments.failures.scenario import drawn_s
from bridge.panel.load import load_panel
from bridge.panel.scenario import FailureDescription, load_scenario
from tests.conftest import ROOT

PANEL = load_panel(ROOT / "config" / "panel.toml")


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "scenario.toml"
    path.write_text(text)
    return path


def test_every_kind_and_every_parameter_can_be_written() -> None:
    fields = FailureDescription.model_fields
    assert set(get_args(fields["kind"].annotation)) == {*KINDS, "tap"}
    for kind in KINDS.values():
        assert kind.parameters.keys() <= fields.keys()


def test_the_shipped_scenario_fits_the_demo_panel() -> None:
    scenario = load_scenario(ROOT / "config" / "scenarios" / "frost-at-brackmoor.toml", PANEL)
    assert scenario.name == "Frost at Brackmoor"
    ice = scenario.events[2]
    assert ice.failure is not None and ice.failure.parameters == {"over_s": 90.0}
    assert (ice.at_s, ice.until_s) == (150.0, 330.0)
    by_chance = scenario.events[-1]
    assert by_chance.at_s == 600.0 + drawn_s(11, 7, 3.0)


def test_chance_has_the_stated_rate_and_the_same_times_for_the_same_seed() -> None:
    """The waiting time of a Poisson process has the mean 1 / rate, and is longer than that with 1 / e."""
    drawn = [drawn_s(seed, 0, 6.0) for seed in range(4000)]
    assert drawn == [drawn_s(seed, 0, 6.0) for seed in range(4000)]
    assert sum(drawn) / len(drawn) == pytest.approx(600.0, rel=0.05)
    assert sum(each > 600.0 for each in drawn) / len(drawn) == pytest.approx(math.exp(-1.0), abs=0.025)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ('kind = "static_blockd"', "failures.0.kind: found 'static_blockd'"),
        ('kind = "suction_lots"', "Did you mean suction_lost"),
        ('kind = "suction_lost"\nover_s = 3', "suction_lost has no 'over_s'"),
        ('kind = "altimeter_misset"', "altimeter_misset needs by_inhg"),
        ('kind = "cold_air"\ndeviation_k = -500', "outside -80 to 50 K"),
        ('kind = "needle_sticks"', "needle_sticks needs pointer"),
        (
            'kind = "needle_sticks"\npointer = "altimeter.hundredz"',
            "failures.0.pointer: found 'altimeter.hundredz'; expected a driven pointer of the panel. "
            "Did you mean altimeter.hundreds",
        ),
        ('kind = "tap"\nuntil_s = 3', "a tap with until_s"),
        ('kind = "tap"\ntilt_deg = 3', "a tap has no tilt_deg"),
        ('kind = "suction_lost"\nat_s = 9\nuntil_s = 9', "until_s 9 at or before at_s 9"),
        ('kind = "suction_lost"\nboard = "left"', "a button half described"),
        ('kind = "suction_lost"\nboard = "left"\ninput = 3\nat_s = 1', "a button and a time"),
        ('kind = "suction_lost"\nboard = "lift"\ninput = 0', "failures.0.board: found 'lift'"),
        (
            'kind = "suction_lost"\nboard = "left"\ninput = 0',
            "failures.0.input: found 0; expected a button of that board. Buttons of left: none",
        ),
    ],
)
def test_what_is_wrong_is_named_with_its_place_and_its_cure(tmp_path: Path, text: str, found: str) -> None:
    with pytest.raises(DescriptionErrors) as caught:
        load_scenario(written(tmp_path, f"[[failures]]\n{text}"), PANEL)
    assert found in str(caught.value)


def test_a_file_without_failures_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DescriptionErrors, match="failures"):
        load_scenario(written(tmp_path, 'name = "nothing"'), PANEL)
