"""`calibrate` in a terminal: a crooked needle calibrated by keys, read off the screen as a person would."""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bridge.gauges.pointer import Pointer
from bridge.panel.load import load_panel
from tests.calibration.crooked import CrookedLinkage
from tests.commands.started import command, environment
from tests.conftest import PATIENCE_S

pexpect = pytest.importorskip("pexpect", reason="a terminal is needed", exc_type=ImportError)

KEYS = {10: "\x1b[A", -10: "\x1b[B", 1: "\x1b[C", -1: "\x1b[D"}
AT_REST = r"mark ([-\d.]+) kt, from (below|above): [^\r\n]*\s+drive at ([-\d.]+) deg, ([-\d]+) steps, at rest"


def needle(config: Path) -> Pointer:
    panel = load_panel(config / "panel.toml")
    return next(pointer for pointer in panel.pointers if pointer.gauge == "airspeed")


Seen = tuple[float, str, float, int]
"""Mark, side, drive angle (deg) and steps."""


def at_rest(child: Any, is_so: Callable[[Seen], bool]) -> Seen:
    """What the screen shows once the needle is at rest and this is so."""
    while True:
        child.expect(AT_REST)
        mark, side, drive_deg, steps = child.match.groups()
        seen = float(mark), str(side), float(drive_deg), int(steps)
        if is_so(seen):
            return seen


@pytest.mark.slow
def test_a_crooked_needle_is_calibrated_by_keys_and_saved(config: Path, tmp_path: Path) -> None:
    """The eye of this test sees a needle 3 degrees out of true with 3 degrees of backlash."""
    before = needle(config)
    linkage = CrookedLinkage(-3.0, 3.0, arm_deg=-50.0)
    child = pexpect.spawn(
        sys.executable,
        ["-m", "bridge.cli", "calibrate", "airspeed", "--panel", str(config / "panel.toml")],
        env=environment(tmp_path),
        dimensions=(24, 80),
        timeout=PATIENCE_S,
        encoding="utf-8",
    )
    try:
        pressed = captures = 0
        seen = at_rest(child, lambda seen: True)
        while captures < 16:
            reading, side, drive_deg, steps = seen
            # The way short of the mark and back, which the bench has just made, takes the play up.
            linkage.drive_to(drive_deg - 8 if side == "below" else drive_deg + 8)
            linkage.drive_to(drive_deg)
            off_deg = before.face(reading) - linkage.needle_deg
            pressed += 1
            if abs(off_deg) > 0.2:
                jog = (10 if abs(off_deg) > 2.4 else 1) * (1 if off_deg > 0 else -1)
                child.send(KEYS[jog])
                seen = at_rest(child, lambda seen, to=steps + jog: seen[3] == to)  # type: ignore[misc]
            else:
                captures += 1
                child.send("\r")
                if captures < 16:
                    seen = at_rest(child, lambda seen, mark=seen[:2]: seen[:2] != mark)  # type: ignore[misc]
        child.expect(r"  40   from below +[-+.\d]+   from above +[-+.\d]+   backlash \+[23]\.\d\d")
        child.expect("every mark is captured")
        child.send("s")
        child.expect(r"saved: airspeed\.toml")
        child.send("q")
        child.expect(pexpect.EOF)
    finally:
        child.close(force=True)
    assert child.exitstatus == 0
    assert pressed <= 5 * 16
    made = replace(needle(config), low_steps=None, high_steps=None)
    linkage.drive_to(-40.0)
    step_deg = made.drive.angle_deg(1)
    for falling, readings in ((False, range(40, 181, 5)), (True, range(175, 39, -5))):
        for speed in readings:
            linkage.drive_to(made.drive_deg(round(made.position(speed, falling))))
            assert abs(linkage.needle_deg - made.face(speed)) <= step_deg + 0.02
    written = tomllib.loads((config / "calibration" / "airspeed.toml").read_text())
    assert len(written["needle"]["falling"]) >= 8
    assert (config / "calibration" / "airspeed.toml.before").exists()


@pytest.mark.slow
def test_a_needle_is_sent_to_a_reading_swept_and_stopped_by_keys(config: Path, tmp_path: Path) -> None:
    child = pexpect.spawn(
        sys.executable,
        ["-m", "bridge.cli", "calibrate", "airspeed", "--panel", str(config / "panel.toml")],
        env=environment(tmp_path),
        dimensions=(24, 80),
        timeout=PATIENCE_S,
        encoding="utf-8",
    )
    pointer = needle(config)
    try:
        at_rest(child, lambda seen: seen[0] == 40.0)
        child.send("g1X0")
        child.expect("go to 10_ kt")
        child.send("0\r")
        seen = at_rest(child, lambda seen: seen[0] == 100.0)
        assert seen[3] == round(pointer.position(100.0))
        child.send("g999\r")
        child.expect("found a reading of 999 kt; expected 0 to 180 kt")
        child.send("g-.-\r")
        child.expect("found '-.-'; expected a number of kt")
        child.send("w")
        child.expect("moving")
        child.send("x")
        child.expect("all needles are stopped: x to go on")
        stopped = at_rest(child, lambda seen: True)
        child.send("n")
        child.expect("all needles are stopped by the terminal")
        assert at_rest(child, lambda seen: True)[3] == stopped[3]
        child.send("\x1b")
        child.expect("put the needle on it")
        child.send("n")
        at_rest(child, lambda seen: seen[0] == 120.0)
        child.send("q")
        child.expect(pexpect.EOF)
    finally:
        child.close(force=True)
    assert child.exitstatus == 0


@pytest.mark.slow
def test_without_a_terminal_it_states_what_it_needs(config: Path, tmp_path: Path) -> None:
    result = command(tmp_path, "calibrate", "airspeed", "--panel", config / "panel.toml")
    assert result.returncode == 2
    assert "found no terminal to read keys from" in result.stderr


def test_an_unknown_gauge_is_answered_with_the_list(config: Path, tmp_path: Path) -> None:
    result = command(tmp_path, "calibrate", "airspede", "--panel", config / "panel.toml")
    assert result.returncode == 2
    assert "Known: airspeed, altimeter, attitude" in result.stderr
