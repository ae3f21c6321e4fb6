"""What a motor can reach from its stop: refused where it can't, kept by virtual boards, spared a reflash."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.boards.compatibility import incompatibility
from bridge.boards.messages import Introduction
from bridge.errors import DescriptionErrors
from bridge.flight.dry_run import virtual_board
from bridge.panel.expected import expected_channels
from bridge.panel.load import Panel, load_panel


def changed(config: Path, file: str, old: str, new: str) -> Panel:
    text = (config / file).read_text()
    assert old in text
    (config / file).write_text(text.replace(old, new, 1))
    return load_panel(config / "panel.toml")


def with_a_motor_without_stops(config: Path) -> None:
    """The airspeed needle on a geared motor that finds home by an index mark."""
    text = (config / "panel.toml").read_text()
    text = text.replace(
        '0 = { output = "gauge_stepper", pins = ["D2", "D3", "D4", "D5"], homing = "sweep" }',
        '0 = { output = "four_wire", pins = ["D2", "D3", "D4", "D5"], homing = "index", '
        'index = { pin = "D12" } }',
    )
    text = text.replace(
        'drive = "sweep"\nboard = "right"\nchannel = 0', 'drive = "geared"\nboard = "right"\nchannel = 0'
    )
    (config / "panel.toml").write_text(text)


@pytest.mark.parametrize(
    ("home", "words"), [("", "from a motor|takes 307 to 1269|108 to 116"), ("home_deg = 120\n", "takes -12")]
)
def test_a_scale_that_the_motor_can_not_reach_from_its_stop_is_refused_with_what_serves(
    home: str, words: str, config: Path
) -> None:
    """A 315-degree gauge stepper makes 945 steps from stop to stop; the scale spans 116 to 423 degrees."""
    with pytest.raises(DescriptionErrors) as raised:
        changed(config, "panel.toml", "home_deg = 115\n", home)
    said = str(raised.value)
    assert "vertical_speed.pointers.needle.home_deg" in said
    assert any(word in said for word in words.split("|"))
    assert "0 to 945 steps, which the motor can do" in said


def test_a_board_keeps_the_motors_own_stops(config: Path) -> None:
    panel = load_panel(config / "panel.toml")
    limits = [channel.limits for channel in expected_channels(panel, "right")]
    assert [(one.low, one.high) for one in limits[:2]] == [(0, 945)] * 2
    assert (limits[3].low, limits[3].high) == (500, 2400)  # the servo's own range of pulses


@pytest.mark.parametrize(
    ("old", "new"),
    [("[180, 310, 309.5]", "[180, 310, 314.0]"), ("[180, 310, 309.5]", "[170, 305, 300.0]")],
)
def test_an_end_of_the_scale_can_be_calibrated_without_new_firmware(old: str, new: str, config: Path) -> None:
    before = virtual_board(load_panel(config / "panel.toml"), "right")
    introduction = Introduction(
        before.board_id, 1, 0, 500, tuple(channel.limits for channel in before.described)
    )
    panel = changed(config, "calibration/airspeed.toml", old, new)
    assert incompatibility(introduction, expected_channels(panel, "right"), None, "") is None


def test_a_pointer_on_a_motor_without_stops_has_room_beyond_its_scale(config: Path) -> None:
    with_a_motor_without_stops(config)
    panel = load_panel(config / "panel.toml")
    needle = next(p for p in panel.pointers if p.gauge == "airspeed")
    assert needle.high_steps is not None and needle.reach_high_steps is not None
    assert needle.face.angles[-1] == 310.0
    assert needle.drive.angle_deg(needle.reach_high_steps) == pytest.approx(320.0)
    assert needle.reach_low_steps == 0.0
    for end_deg in (303.0, 318.0):  # it is the face's: a calibrated end does not move it
        panel = changed(config, "calibration/airspeed.toml", "[180, 310, 309.5]", f"[180, 310, {end_deg}]")
        moved = next(p for p in panel.pointers if p.gauge == "airspeed")
        assert moved.high_steps != needle.high_steps
        assert moved.reach_high_steps == needle.reach_high_steps
        changed(config, "calibration/airspeed.toml", f"[180, 310, {end_deg}]", "[180, 310, 309.5]")


def test_stops_inside_the_scale_are_refused(config: Path) -> None:
    with pytest.raises(
        DescriptionErrors, match=r"stops_deg: found stops at 40 and 300 degrees; expected stops outside"
    ):
        changed(config, "panel.toml", "[180, 310]]\n", "[180, 310]]\nstops_deg = [40, 300]\n")


@pytest.mark.parametrize(
    ("old", "new", "needed"),
    [
        ("[180, 310, 309.5]", "[180, 310, 325.0]", "0 to 325"),
        ("[0, 0, 0.0]", "[0, 0, -12.0]", "-12 to 309.5"),
    ],
)
def test_a_calibration_beyond_that_room_is_refused_lest_it_take_a_whole_board_out(
    old: str, new: str, needed: str, config: Path
) -> None:
    with_a_motor_without_stops(config)
    with pytest.raises(DescriptionErrors) as raised:
        changed(config, "calibration/airspeed.toml", old, new)
    said = str(raised.value)
    assert "airspeed.pointers.needle.stops_deg" in said
    assert f"a calibration from {needed} degrees; expected -10 to 320 degrees" in said
    text = (config / "panel.toml").read_text()
    (config / "panel.toml").write_text(
        text.replace(
            'drive = "geared"\nboard = "right"', 'drive = "geared"\nstops_deg = [-15, 330]\nboard = "right"'
        )
    )
    needle = next(p for p in load_panel(config / "panel.toml").pointers if p.gauge == "airspeed")
    assert needle.reach_high_steps == pytest.approx(needle.drive.steps(330.0))
