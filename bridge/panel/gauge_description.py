"""A gauge as a person writes it: its pointers, driven and geared, flags, and calibration points."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.panel.conditional import Conditional
from bridge.panel.face import Colour, Face, Window
from bridge.panel.hardware import MOST_DEGREES, Degrees, NotNegative, Positive, Ratio

MOST_MM = 5000.0
"""No panel is wider or higher."""
PlaceMm = Annotated[float, Field(ge=0, le=MOST_MM)]
Points = tuple[tuple[float, Degrees], ...]
"""Readings with their angles."""


class PointerBody(StrictModel):
    """The moving part of a pointer with its arbor: what a drive must turn, and what is drawn."""

    length_mm: Positive = 30.0
    """From the axis to the tip."""
    mass_g: Positive = 1.0
    """Of the pointer."""
    inertia_g_mm2: NotNegative | None = None
    """About the axis; that of a rod of its mass where none is written, as in `300`."""
    unbalance_g_mm: NotNegative = 0.0
    """How much heavier one side is."""
    friction_mnm: NotNegative = 0.1
    """At its arbor."""
    tolerance: Positive | None = None
    """The error allowed, in the unit of its indication, as in `10`."""


class PointerDescription(PointerBody):
    """One driven pointer of a gauge.

    An `endless` pointer turns without end, a `bounded` one runs between stops. Readings are in `unit`, on its
    face too; where none is written, in the unit of the quantity that it shows.
    """

    indication: str
    """The quantity that it shows, one of its instrument's, as in `"indicated_airspeed"`."""
    kind: Literal["endless", "bounded"]
    """Whether it turns without end, or between stops."""
    unit: str | None = None
    """Of all its readings, where it is not the unit of its quantity, as in `"degF"`."""
    per_turn: Positive | None = None
    """Of an endless one: change of reading for a turn, in its unit, as in `1000`."""
    zero_deg: Degrees = 0.0
    """Of an endless one: face angle at reading zero."""
    scale: Points = ()
    """Of a bounded one: readings with face angles, as in `[[0, 0], [40, 28], [180, 310]]`."""
    stops_deg: tuple[Degrees, Degrees] | None = None
    """Face angles that it must never pass; the motor's own where none are written, as in `[0, 315]`."""
    fastest: Positive | None = None
    """The fastest change that it follows, in its unit per second, where `fastest` under `[aircraft]` has none
    for its indication, as in `10`."""
    home_deg: Degrees = 0.0
    """Face angle at the index mark or the stop."""
    park: float = 0.0
    """The reading at which it rests, in its unit."""
    drive: str
    """One of `[drives]`, as in `"sweep"`."""
    board: str
    """One of `[boards]`, as in `"left"`."""
    channel: int
    """The number of the board's channel, as in `0`."""

    @model_validator(mode="after")
    def _shape(self) -> PointerDescription:
        if self.kind == "endless" and self.per_turn is None:
            raise MistakeError(
                "an endless pointer without per_turn", "the change of reading per turn", "Add per_turn"
            )
        if self.kind == "endless" and self.scale:
            found = "an endless pointer with a scale"
            raise MistakeError(found, "per_turn alone", "Take scale out, or write kind = 'bounded'")
        if self.kind == "bounded" and self.per_turn is not None:
            found = "a bounded pointer with per_turn"
            raise MistakeError(found, "a scale alone", "Take per_turn out, or write kind = 'endless'")
        if self.kind == "bounded" and len(self.scale) < 2:
            raise MistakeError(
                "a bounded pointer without a scale", "at least two (reading, degrees) points", "Add scale"
            )
        return self


class GearedPointer(PointerBody):
    """A pointer without a motor: wheels turn it from another pointer of its gauge, as in a clock.

    Its `gears`, written as teeth over teeth, must make `per_turn` over that of the pointer it is geared to.
    """

    geared_to: str
    """The pointer of this gauge whose arbor turns it, as in `"hundreds"`."""
    gears: Annotated[tuple[Ratio, ...], Field(min_length=1)]
    """Turns of that pointer for one of this, stage by stage, as in `["50/10", "20/10"]`."""
    per_turn: Positive
    """Change of reading for a turn of this one, in its unit, as in `10000`."""
    zero_deg: Degrees = 0.0
    """Face angle at reading zero."""
    backlash_deg: NotNegative = 0.0
    """Of the wheels, at this pointer, as in `1`."""


class FlagDescription(Conditional):
    """A flag of a gauge: in sight while what its pointers follow is not there, and by a condition.

    It is so before the first reading, while telemetry is silent, while a quantity that its pointers follow
    or that `when` names is lost, and while the condition holds.
    """

    when: str = ""
    """A condition that brings it in sight as well: a quantity, `<` or `>`, and a limit, as in
    `"suction < 4.5 inHg"`."""
    pointer: str | None = None
    """The pointer that it is about; all of the gauge's where none is named, as in `"bank"`."""
    window: Window | None = None
    """The opening in the face behind which it is; without one it is reported and not drawn, as in
    `{ x_mm = 15, y_mm = 15, width_mm = 12, height_mm = 5 }`."""
    text: str = ""
    """What is on it; its name in capitals where nothing is written, as in `"OFF"`."""
    colour: Colour = "red"
    """Of its ground."""


class GaugeDescription(StrictModel):
    """One gauge: the instrument that it shows, its pointers, calibration and face."""

    like: str | None = None
    """The ready gauge that fills in what is not written here, as in `"airspeed"`."""
    instrument: str
    """Whose indications it shows, as in `"airspeed"`."""
    options: dict[str, Any] = {}
    """Of the instrument, as in `{ lag_s = 2.5 }`."""
    place: tuple[PlaceMm, PlaceMm] | None = None
    """Of its face's middle, right of and below the panel's top left corner, mm, as in `[50, 50]`."""
    calibration: str | None = None
    """A file of measured points; its path starts at this file, as in `"calibration/own.toml"`."""
    pointers: Annotated[dict[str, PointerDescription], Field(min_length=1)]
    """Driven pointers by name, as in `{ needle = { indication = "pitch", kind = "endless", per_turn = 90,
    drive = "sweep", board = "left", channel = 0 } }`."""
    geared: dict[str, GearedPointer] = {}
    """Pointers that wheels turn, by name, as in `{ hours = { geared_to = "minutes", gears = [12], per_turn =
    12 } }`."""
    flags: dict[str, FlagDescription] = {}
    """Flags by name, as in `{ off = { when = "suction < 4.5 inHg" } }`."""
    face: Face = Face()
    """What is drawn, as in `{ diameter_mm = 57 }`."""

    @model_validator(mode="after")
    def _trains(self) -> GaugeDescription:
        for name in self.geared:
            if name in self.pointers:
                raise MistakeError(
                    f"{name} both driven and geared", "one of the two", "Take one away, or rename it"
                )
            self.driven_by(name)
        return self

    def driven_by(self, name: str) -> str:
        """The driven, endless pointer at the root of this geared one's wheels; raises `MistakeError`."""
        chain = [name]
        while chain[-1] in self.geared:
            root = self.geared[chain[-1]].geared_to
            if root in chain:
                raise MistakeError(
                    f"{' geared to '.join([*chain, root])}",
                    "one driven pointer at the end",
                    "Break the circle",
                )
            chain.append(root)
        if chain[-1] not in self.pointers or self.pointers[chain[-1]].kind != "endless":
            found = f"{chain[-2]} geared to {chain[-1]}"
            raise MistakeError(found, "an endless pointer of this gauge", "Name one under its pointers")
        return chain[-1]

    def turns_of_root(self, name: str) -> Fraction:
        """Turns of the driven pointer at the root of the wheels for one turn of this geared one, exact."""
        turns = Fraction(1)
        while name in self.geared:
            for ratio in self.geared[name].gears:
                turns *= ratio
            name = self.geared[name].geared_to
        return turns


class CalibrationPoints(StrictModel):
    """One pointer's calibration curve, in a calibration file under the pointer's name.

    Each point is (reading, face angle) or (reading, face angle, drive angle): where the pointer
    is and, if the linkage is crooked, where the drive must be for it. `falling` pairs
    readings with the drive angle when the reading comes down; without it one curve serves both ways.
    """

    unit: str
    """Of the readings, as in `"kt"`."""
    points: Annotated[
        tuple[Annotated[tuple[float, ...], Field(min_length=2, max_length=3)], ...], Field(min_length=2)
    ]
    """Reading, face angle and, where it differs, drive angle, as in `[[0, 0], [40, 28, 29.5]]`."""
    falling: Points = ()
    """Reading with drive angle when the reading comes down, as in `[[0, 0.5], [40, 30]]`."""
    captured: date | None = None
    """Day of the capture, for the acceptance sheet; saving at the bench writes it, as in `2026-11-26`."""

    @field_validator("points")
    @classmethod
    def _angles(cls, points: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
        for _, *angles in points:
            for angle in angles:
                if abs(angle) > MOST_DEGREES:
                    expected = f"an angle from {-MOST_DEGREES:g} to {MOST_DEGREES:g} degrees"
                    raise MistakeError(f"{angle:g}", expected, "Measure that point again")
        return points
