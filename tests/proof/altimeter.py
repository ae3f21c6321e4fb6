"""An altimeter with one pointer behind a crooked linkage, its faults, and an eye that reads it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel, load_panel
from bridge.proof.evaluation import Evaluation, evaluate
from bridge.proof.plan import Plan, make_plan
from bridge.proof.run import ProofRun
from bridge.proof.virtual import Hand, fly, set_knob
from tests.calibration.crooked import CrookedLinkage

_PANEL = """
tick_hz = 20
[altimeter_setting]
SETTING
[motors.wrong]           # its teeth were not counted: 64 times 32 steps are 2,048
name = "a motor said to have 2,048 steps a turn"
source = "a common mistake"
kind = "unipolar"
rotor_steps_per_turn = 32
gear_train = ["64/1"]
[drives.geared]
motor = "MOTOR"
microsteps = 2
speed_steps_s = 4000
acceleration_steps_s2 = 20000
[boards.only]
[boards.only.channels]
0 = { output = "four_wire", pins = ["D2", "D3", "D4", "D5"], homing = HOMING }
[boards.only.inputs]
0 = { kind = "encoder", pins = ["A3", "A4"] }
[gauges.altimeter]
instrument = "altimeter"
CALIBRATION
[gauges.altimeter.pointers.hundreds]
indication = "indicated_altitude"
kind = "endless"
per_turn = 1000
tolerance = 10
drive = "geared"
board = "only"
channel = 0
"""
KNOB = 'source = "knob"\nboard = "only"\ninput = 0\ninhg = 29.92'
TRUE_STEPS_PER_TURN = 2 * 32 * (32 / 9) * (22 / 11) * (26 / 9) * (31 / 10)
"""Of the geared motor in half steps: 2 x 2,037.89 (common practice, counted teeth)."""


def altimeter(
    linkage: CrookedLinkage | None = None,
    setting: str = 'source = "telemetry"',
    motor: str = "geared-unipolar-5v",
    homing: str = '"last"',
) -> Panel:
    """The panel, calibrated for this linkage, or with its face's own curve."""
    with TemporaryDirectory() as folder:
        text = _PANEL.replace("SETTING", setting).replace("MOTOR", motor).replace("HOMING", homing)
        if linkage is not None:
            (Path(folder) / "cal.toml").write_text(_calibration(linkage))
        text = text.replace("CALIBRATION", 'calibration = "cal.toml"' if linkage else "")
        file = Path(folder) / "panel.toml"
        file.write_text(text)
        return load_panel(file)


def _calibration(linkage: CrookedLinkage) -> str:
    """What a builder would have captured: drive angles each 50 ft, from below and from above."""
    up = [linkage.drive_for(0.36 * feet, falling=False) for feet in range(0, 1000, 50)]
    down = [linkage.drive_for(0.36 * feet, falling=True) for feet in range(0, 1000, 50)]
    points = [[50 * n, 18.0 * n, round(angle, 4)] for n, angle in enumerate(up)]
    falling = [[50 * n, round(angle, 4)] for n, angle in enumerate(down)]
    points.append([1000, 360.0, points[0][2] + 360.0])
    falling.append([1000, falling[0][1] + 360.0])
    return f'[hundreds]\nunit = "ft"\npoints = {points}\nfalling = {falling}\n'


@dataclass(slots=True)
class Eye:
    """Reads the needle behind a linkage: `bent_deg` off its arbor; `steps_per_turn` is what the
    motor really takes."""

    pointer: Pointer
    linkage: CrookedLinkage
    bent_deg: float = 0.0
    steps_per_turn: float | None = None
    _began: bool = field(default=False)

    def saw(self, place_steps: float, falling: bool) -> None:
        drive_deg = self.pointer.drive_deg(place_steps)
        if self.steps_per_turn is not None:
            drive_deg = place_steps * 360.0 / self.steps_per_turn
        self.linkage.drive_to(drive_deg)

    def read(self, place_steps: float, falling: bool) -> float:
        return self.pointer.face.inverse(self.linkage.needle_deg + self.bent_deg)


UNCERTAINTY_FT = 0.5


def proved(
    panel: Panel,
    eye: Callable[[Pointer], Eye],
    hand: Hand = set_knob,
    cycles: int = 1,
    top_ft: float | None = None,
) -> tuple[Plan, Evaluation]:
    """The whole test, flown on the panel's virtual board and read by this eye."""
    (pointer,) = panel.pointers
    plan = make_plan(panel, pointer, cycles, hold_s=0.2, top_ft=top_ft)
    per_step = 1000.0 / float(pointer.drive.steps_per_turn)
    asks = panel.description.altimeter_setting.source == "knob"
    run = ProofRun(plan, [], per_step, per_step * pointer.drive.speed_steps_s, asks)
    looks = eye(pointer)
    for _ in fly(panel, pointer, run, looks.read, looks.saw, hand):
        pass
    return plan, evaluate(plan, pointer, run.taken, UNCERTAINTY_FT)
