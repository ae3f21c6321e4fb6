"""The scenario file: which instruments fail in a flight, and when; its model, and how it is loaded."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from bridge.description import MistakeError, StrictModel, load, near, raise_faults
from bridge.errors import DescriptionError, DescriptionErrors, OutOfRangeError
from bridge.instruments.failures.kinds import KINDS, Failure, make_failure
from bridge.instruments.failures.scenario import Event, Scenario, drawn_s
from bridge.panel.load import Panel

NotNegative = Annotated[float, Field(ge=0.0)]
Card = tuple[
    tuple[Annotated[float, Field(ge=0.0, le=360.0)], Annotated[float, Field(ge=-90.0, le=90.0)]], ...
]


class FailureDescription(StrictModel):
    """One failure or normal error, or a tap: its kind, when, and what only some kinds have.

    It comes at `at_s`, or by chance, or by a button of a board, which switches it on and off by turns;
    without any of them it is there from the start. What each kind has is under [failures](#failures).
    """

    kind: Literal[
        "pitot_blocked",
        "pitot_drain_blocked",
        "pitot_leak",
        "static_blocked",
        "static_leak",
        "alternate_static",
        "suction_lost",
        "attitude_not_erected",
        "electrical_lost",
        "altimeter_misset",
        "needle_sticks",
        "compass_errors",
        "heading_drift",
        "attitude_errors",
        "cold_air",
        "position_error",
        "tap",
    ]
    """What fails; `tap` is a tap on the glass of a needle that sticks."""
    at_s: NotNegative | None = None
    """Time of the flight at which it comes: of the log, or since the first telemetry, as in `300`."""
    until_s: NotNegative | None = None
    """Time of the flight at which it is undone, as in `420`."""
    per_hour: Annotated[float, Field(gt=0.0, le=3600.0)] | None = None
    """By chance after `at_s`: how often in an hour on the average, as in `2`."""
    board: str | None = None
    """The board with the button that switches it, as in `"left"`."""
    input: int | None = None
    """The number of the button on that board, as in `1`."""
    pointer: str | None = None
    """The needle that sticks, or is tapped, by its gauge and name, as in `"altimeter.hundreds"`."""
    over_s: float | None = None
    """Of what is blocked: time in which it closes, as ice does, as in `120`."""
    leak_s: float | None = None
    """Of a leak: time constant with which a closed line follows the cabin, as in `10`."""
    cabin_below_hpa: float | None = None
    """Of a leak or the alternate source: how far the cabin is below the air outside, hPa, as in `1.25`."""
    tilt_deg: float | None = None
    """Of a gyro that is not erected, as in `20`."""
    toward_deg: float | None = None
    """Where that gyro's top leans, clockwise from the nose, as in `45`."""
    by_inhg: float | None = None
    """What the altimeter's scale shows more than it should, as in `0.30`."""
    friction: float | None = None
    """Of a needle that sticks: what pulls it along, in the unit of its quantity, as in `70`."""
    latitude_deg: float | None = None
    """Of the place, north positive, for compass and heading gyro, as in `47`."""
    dip_deg: float | None = None
    """Of the earth's field, down positive, for the compass; else by the rule of thumb, as in `63`."""
    nut_latitude_deg: float | None = None
    """For which the heading gyro's latitude nut is set, as in `45`."""
    deviation: Card = ()
    """The compass's card: heading with deviation, east positive, degrees, as in `[[0, 2], [180, -1]]`."""
    deviation_k: float | None = None
    """Of cold air: how far the column is from standard, K, as in `-20`."""
    station_ft: float | None = None
    """Of cold air: pressure altitude of the station below, as in `1500`."""

    @property
    def failure(self) -> Failure | None:
        """What fails; None for a tap. Raises `OutOfRangeError` for what its kind has not, or needs."""
        names = {name for kind in KINDS.values() for name in kind.parameters}
        stated = {name: value for name in names if (value := getattr(self, name)) is not None}
        if self.kind == "tap":
            if stated or self.deviation:
                raise OutOfRangeError(f"a tap has no {', '.join(sorted(stated) or ['deviation'])}")
            return None
        return make_failure(self.kind, stated, self.pointer or "", self.deviation)

    @model_validator(mode="after")
    def _complete(self) -> FailureDescription:
        try:
            _ = self.failure
        except OutOfRangeError as error:
            expected = "what this kind has, in its range"
            raise MistakeError(str(error), expected, "Correct it; the reference lists all kinds") from None
        if (self.board is None) != (self.input is None):
            raise MistakeError("a button half described", "board and input", "Name both")
        if self.board is not None and not (self.at_s is self.until_s is self.per_hour is None):
            raise MistakeError("a button and a time", "one of the two", "Write two failures")
        if self.kind == "tap" and self.until_s is not None:
            raise MistakeError("a tap with until_s", "a moment", "Take until_s out")
        if self.until_s is not None and self.until_s <= (self.at_s or 0.0):
            found = f"until_s {self.until_s:g} at or before at_s {self.at_s or 0.0:g}"
            raise MistakeError(found, "a later time", "Correct one of them")
        return self


class ScenarioDescription(StrictModel):
    """A scenario: the failures of one flight, for training. Nothing here is for a real aircraft."""

    name: str = "scenario"
    """Of the scenario."""
    seed: Annotated[int, Field(ge=0, le=2**53)] = 0
    """Of chance: the same seed draws the same times."""
    failures: Annotated[tuple[FailureDescription, ...], Field(min_length=1, max_length=100)]
    """What fails, as in `[{ kind = "static_blocked", at_s = 300 }]`."""


def load_scenario(path: Path, panel: Panel) -> Scenario:
    """The scenario in this file for this panel; raises `DescriptionErrors` with every mistake found."""
    try:
        described = load(ScenarioDescription, path)
    except DescriptionError as error:
        raise DescriptionErrors([error]) from None
    faults = [
        (f"failures.{number}.{key}", wrong)
        for number, each in enumerate(described.failures)
        for key, wrong in _faults(each, panel)
    ]
    raise_faults(str(path), faults)
    return Scenario(
        described.name,
        tuple(_event(each, number, described.seed) for number, each in enumerate(described.failures)),
    )


def _faults(each: FailureDescription, panel: Panel) -> list[tuple[str, MistakeError]]:
    found = []
    known = [pointer.key for pointer in panel.pointers]
    if each.pointer is not None and each.pointer not in known:
        wrong = MistakeError(repr(each.pointer), "a driven pointer of the panel", near(each.pointer, known))
        found.append(("pointer", wrong))
    if each.board is not None:
        boards = panel.description.boards
        if each.board not in boards:
            found.append(
                ("board", MistakeError(repr(each.board), "a board of the panel", near(each.board, boards)))
            )
        else:
            buttons = [
                n for n, each_input in boards[each.board].inputs.items() if each_input.kind == "button"
            ]
            if each.input not in buttons:
                cure = f"Buttons of {each.board}: {', '.join(map(str, buttons)) or 'none'}"
                found.append(("input", MistakeError(str(each.input), "a button of that board", cure)))
    return found


def _event(each: FailureDescription, number: int, seed: int) -> Event:
    at_s = each.at_s or 0.0
    if each.per_hour is not None:
        at_s += drawn_s(seed, number, each.per_hour)
    button = None if each.board is None or each.input is None else (each.board, each.input)
    until_s = float("inf") if each.until_s is None else each.until_s
    failure = each.failure
    tapped = each.pointer or "" if failure is None else ""
    return Event(failure, at_s, until_s, button, tapped)
