"""Whole altimeters on a virtual board: printed pressures in, the needle behind its linkage read.

Tolerances: 14 CFR Part 43, Appendix E, and the builder's 10 ft (what builders ask of a good one: common
practice, no source).
"""

from __future__ import annotations

import pytest

from bridge.flight.dry_run import DryRun
from bridge.proof.evaluation import Evaluation
from bridge.proof.virtual import set_knob
from tests.calibration.crooked import CrookedLinkage
from tests.proof.altimeter import KNOB, TRUE_STEPS_PER_TURN, Eye, altimeter, proved

TABLE_I = "App. E Table I, scale error"
TABLE_IV = "App. E Table IV, barometric scale"
OWN_SCALE, OWN_HYSTERESIS, OWN_AFTER = "scale error, own", "hysteresis (reversal B), own", "after effect, own"

pytestmark = pytest.mark.slow


def failed(evaluation: Evaluation) -> set[str]:
    assert {result.verdict for result in evaluation.results} <= {"pass", "fail"}
    return {result.test for result in evaluation.results if result.verdict == "fail"}


def test_an_honest_gauge_with_a_crooked_linkage_and_backlash_passes_every_test() -> None:
    """Calibrated both ways; its setting is turned by a knob."""
    linkage = CrookedLinkage(3.0, 3.0)
    panel = altimeter(linkage, KNOB)
    plan, evaluation = proved(panel, lambda pointer: Eye(pointer, linkage))
    assert failed(evaluation) == set()
    assert evaluation.verdict == "pass"
    assert len(evaluation.results) == 9
    assert evaluation.looks == ()
    # Table I from its printed pressures, and Table IV: to what printing and rounding leave over.
    assert max(abs(check.error) for result in evaluation.results for check in result.checks) < 3.0
    assert len(plan.steps) == 2 + 2 * 16 + 2 * 7 + 8


def test_an_honest_gauge_of_higher_flight_passes_every_row_to_50000_ft() -> None:
    """All 23 rows of Table I, and all 12 of Table III."""
    linkage = CrookedLinkage(3.0, 3.0)
    _, evaluation = proved(altimeter(linkage), lambda pointer: Eye(pointer, linkage), top_ft=50_000)
    assert failed(evaluation) == set()
    places = {result.test: {check.at for check in result.checks} for result in evaluation.results}
    assert len(places[TABLE_I]) == 23 and "50,000 ft rising" in places[TABLE_I]
    assert len(places["App. E Table III, friction"]) == 12
    assert places["App. E Table II, hysteresis"] == {"25,000 ft", "20,000 ft"}
    # A pressure as printed, to 0.001 inHg, is uncertain by up to 3 ft at 50,000 ft.
    assert max(abs(check.error) for result in evaluation.results for check in result.checks) < 4.0


def test_a_bent_pointer_fails_the_scale_error_test_alone() -> None:
    """10 degrees of a 1,000 ft turn are 27.8 ft: beyond the 20 ft that Table I has up to 1,000 ft."""
    linkage = CrookedLinkage(3.0, 3.0)
    _, evaluation = proved(altimeter(linkage), lambda pointer: Eye(pointer, linkage, bent_deg=10.0))
    assert failed(evaluation) == {TABLE_I, OWN_SCALE}
    assert any("bent" in look for look in evaluation.looks)


def test_a_wrong_gear_fails_the_scale_error_test_by_the_builders_tolerance_and_is_named() -> None:
    """2,048 for 2,037.89 adds 0.496 % on every turn: 10 ft at 2,000 ft, and 99 ft at 20,000 ft, where the
    regulation itself permits 130."""
    linkage = CrookedLinkage(0.0, 0.0)
    panel = altimeter(motor="wrong")
    _, evaluation = proved(panel, lambda p: Eye(p, linkage, steps_per_turn=TRUE_STEPS_PER_TURN))
    assert failed(evaluation) == {OWN_SCALE}
    (look,) = evaluation.looks
    assert "4,075." in look and "would fit" in look and "the panel has 4,096.0" in look
    worst = next(result.worst for result in evaluation.results if result.test == OWN_SCALE)
    turns = 21  # from -1,000 ft, to which it went the short way, up to 20,000 ft
    assert worst is not None and worst.error == pytest.approx(1000 * turns * (2048 / 2037.89 - 1), abs=2.0)


def test_ten_degrees_of_backlash_fail_the_hysteresis_test() -> None:
    """27.8 ft between up and down: within the regulation's 75 ft, beyond the builder's 10. The pointer is
    pressed on so that it is right going up."""
    linkage = CrookedLinkage(0.0, 10.0)
    _, evaluation = proved(altimeter(), lambda pointer: Eye(pointer, linkage, bent_deg=10.0))
    assert failed(evaluation) == {OWN_HYSTERESIS, OWN_AFTER}
    assert any("play between motor and pointer" in look for look in evaluation.looks)


def test_a_loose_setting_fails_the_barometric_scale_test_alone() -> None:
    """The altimeter's own scale shows what was asked for; the shaft behind it slips by a tenth of the way."""

    def slipping(dry_run: DryRun, setting_inhg: float) -> None:
        now_inhg = dry_run.running.knob_setting_inhg
        assert now_inhg is not None
        set_knob(dry_run, now_inhg + 0.9 * (setting_inhg - now_inhg))

    linkage = CrookedLinkage(0.0, 0.0)
    _, evaluation = proved(altimeter(setting=KNOB), lambda pointer: Eye(pointer, linkage), slipping)
    assert failed(evaluation) == {TABLE_IV}
    assert any("what is set slips" in look for look in evaluation.looks)
