"""A scale in a unit that is not its quantity's: on the face, in the view and the check. Off the scale."""

from __future__ import annotations

from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.check.panel import pointer_case
from bridge.errors import DescriptionErrors
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.svg import part_svg
from bridge.flight.notice_log import NoticeLog
from bridge.flight.notices import OffScale
from bridge.flight.running_panel import RunningPanel
from bridge.panel.load import Panel, load_panel
from bridge.quantities.units import convert
from tests.faces.subjects import at, svg_lines
from tests.flight.one_gauge import one_gauge

FAHRENHEIT = (
    one_gauge("sweep")
    .replace("engine_speed", "oil_temperature")
    .replace("scale = [[0, 0], [3000, 270]]", 'unit = "degF"\nscale = [[100, 0], [250, 270]]\ntolerance = 2')
    + """
[[gauges.tachometer.face.scales]]
low = 100
high = 250
major = 50
[[gauges.tachometer.face.limits]]
at = 245
"""
)


def panel(folder: Path, text: str) -> Panel:
    file = folder / "panel.toml"
    file.write_text(text)
    return load_panel(file)


def fed(described: Panel, *readings: float) -> RunningPanel:
    (quantity,) = {p.indication for p in described.pointers}
    running = RunningPanel(described, frozenset({quantity}))
    for n, reading in enumerate(readings):
        running.feed(n / 20, {quantity: reading})
        running.tick(n / 20)
    return running


def test_the_needle_is_where_its_face_has_that_temperature(tmp_path: Path) -> None:
    """100 degC are 212 degF (NIST SP 811): 112 of 150 degF on a scale of 270 degrees."""
    described = panel(tmp_path, FAHRENHEIT)
    running = fed(described, 100.0)
    (pointer,) = running.snapshot(0.0).pointers
    assert pointer.indication == pytest.approx(212.0) and pointer.unit == "degF"
    angle = 112.0 / 150.0 * 270.0
    assert described.pointers[0].drive_deg(pointer.target_steps or 0.0) == pytest.approx(angle, abs=0.01)
    face = next(p for p in gauge_parts(panel_gauge(described, "tachometer")) if p.name == "face")
    x, y, *_ = svg_lines(part_svg(face))["scales.0 200"]
    assert (x, y) == pytest.approx(at(38.5, 100.0 / 150.0 * 270.0), abs=0.01)


def test_the_check_takes_what_it_knows_of_the_quantity_into_that_unit(tmp_path: Path) -> None:
    """A difference of 1 degC is one of 1.8 degF."""
    own = pointer_case(panel(tmp_path, FAHRENHEIT), panel(tmp_path, FAHRENHEIT).pointers[0])
    celsius = FAHRENHEIT.replace('unit = "degF"\n', "").replace(
        "[[100, 0], [250, 270]]", "[[0, 0], [100, 270]]"
    )
    its = panel(tmp_path, celsius)
    assert (own.unit, own.tolerance) == ("degF", 2.0)
    assert own.fastest == pytest.approx(1.8 * pointer_case(its, its.pointers[0]).fastest)


def test_another_unit_after_a_reload_moves_nothing_but_the_number(tmp_path: Path) -> None:
    running = fed(panel(tmp_path, FAHRENHEIT), 100.0)
    ends = [[round(convert(f, "degF", "degC"), 6), angle] for f, angle in ((100, 0), (250, 270))]
    text = (
        FAHRENHEIT.split("[[gauges")[0]
        .replace('unit = "degF"\n', "")
        .replace("[[100, 0], [250, 270]]", str(ends))
    )
    after = RunningPanel(panel(tmp_path, text), frozenset({"oil_temperature"}), before=running)
    (before,), (now,) = running.snapshot(0.0).pointers, after.snapshot(0.0).pointers
    assert now.indication == pytest.approx(100.0)
    assert now.target_steps == pytest.approx(before.target_steps, abs=0.01)


@pytest.mark.parametrize(("reading", "end_deg"), [(300.0, 270.0), (-20.0, 0.0)])
def test_a_reading_off_the_scale_pegs_the_needle_is_reported_once_and_counted(
    reading: float, end_deg: float, tmp_path: Path
) -> None:
    described = panel(tmp_path, FAHRENHEIT)
    running = fed(described, 100.0, reading, 100.0, reading)
    (pointer,) = running.snapshot(0.2).pointers
    assert pointer.off_scale and pointer.times_off_scale == 2
    assert described.pointers[0].drive_deg(pointer.target_steps or 0.0) == pytest.approx(end_deg, abs=0.2)
    notices = [notice for notice in running.take_notices() if isinstance(notice, OffScale)]
    assert [(n.pointer, n.low, n.high, n.unit) for n in notices] == [("tachometer.needle", 100, 250, "degF")]
    with capture_logs() as lines:
        NoticeLog().log(0.0, notices)
    assert lines[0]["event"] == "off scale" and lines[0]["scale"] == "100 to 250 degF"
    same = RunningPanel(described, frozenset({"oil_temperature"}), before=running)
    same.feed(0.3, {"oil_temperature": 100.0})
    same.feed(0.35, {"oil_temperature": reading})
    assert not [notice for notice in same.take_notices() if isinstance(notice, OffScale)]
    assert same.snapshot(0.4).pointers[0].times_off_scale == 3


def test_an_endless_pointer_has_no_end(tmp_path: Path) -> None:
    text = one_gauge("sweep").replace(
        'kind = "bounded"\nscale = [[0, 0], [3000, 270]]', 'kind = "endless"\nper_turn = 1000'
    )
    described = panel(tmp_path, text)
    assert not fed(described, 500.0, 9000.0).snapshot(0.1).pointers[0].off_scale


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'unit = "degF"',
            'unit = "kt"',
            "pointers.needle.unit: found 'degC' is a unit of temperature, 'kt' of speed",
        ),
        ('unit = "degF"', 'unit = "fahrenheit"', "pointers.needle.unit: found unknown unit 'fahrenheit'"),
    ],
)
def test_a_unit_of_something_else_is_refused(old: str, new: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(DescriptionErrors) as raised:
        panel(tmp_path, FAHRENHEIT.replace(old, new))
    assert words in str(raised.value)


def test_a_unit_over_a_ready_gauge_wants_its_readings_as_well(tmp_path: Path) -> None:
    start = one_gauge("sweep").split("[gauges.tachometer]")[0]
    needle = 'unit = "degF", drive = "sweep", board = "only", channel = 0'
    alone = f'{start}[gauges.oil]\nlike = "oil_temperature"\npointers.needle = {{ {needle} }}\n'
    with pytest.raises(DescriptionErrors) as raised:
        panel(tmp_path, alone)
    assert "pointers.needle.scale, face.scales, face.bands, face.limits of the ready gauge" in str(
        raised.value
    )
    whole = alone.replace(needle, f"scale = [[100, 0], [250, 200]], {needle}") + "face = false\n"
    assert panel(tmp_path, whole).pointers[0].unit == "degF"
