"""What is on a gauge's face: a few rules that compose. Nothing here is for a real aircraft.

Angles are degrees clockwise from 12 o'clock, lengths millimetres from the pointer's axis, x to the
right, y up. The place of a mark follows from the calibration curve of the pointer it belongs to.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.panel.hardware import NotNegative, Positive

PRINTABLE_MM = 0.1
"""The finest mark and the finest gap that an office printer keeps (common practice, no source)."""

_MOST_MARKS = 1000

Colour = Literal["white", "black", "grey", "red", "orange", "yellow", "green", "blue", "violet", "brown"]


def _printable(value: float) -> float:
    if value < PRINTABLE_MM:
        raise MistakeError(
            f"{value:g} mm", f"{PRINTABLE_MM:g} mm or more", "A printer loses finer marks: widen it"
        )
    return value


Width = Annotated[float, AfterValidator(_printable)]


class Scale(StrictModel):
    """Marks and numerals for the readings from `low` to `high`.

    Marks are at whole multiples of the steps `major`, `medium`, `minor`, and major ones at the
    readings `at`; where several fall together the longest is drawn. Numerals are at multiples of
    `numerals` and at every reading that `names` mentions; the text is the name ("" leaves it out),
    or the reading over `numeral_divisor`. `unit` makes a second scale: readings in another unit.
    `offset_deg` turns the scale against the pointer's angle (a wing tip points 90 degrees off).
    `dot_mm` makes the marks dots of that diameter, their middle at `radius_mm`.
    `radius_mm` is the marks' outer end; lengths and widths are of major, medium and minor marks.
    `radial` numerals are aligned with their radius, as on a compass card; the others stay upright.
    """

    pointer: str | None = None
    unit: str | None = None
    low: float
    high: float
    major: Positive | None = None
    medium: Positive | None = None
    minor: Positive | None = None
    at: tuple[float, ...] = ()
    numerals: Positive | None = None
    numeral_divisor: Positive = 1.0
    names: dict[str, str] = {}
    signed: bool = True
    radial: bool = False
    offset_deg: float = 0.0
    radius_mm: Positive | None = None
    lengths_mm: tuple[Positive, Positive, Positive] = (5.0, 3.6, 2.4)
    widths_mm: tuple[Width, Width, Width] = (0.8, 0.5, 0.3)
    dot_mm: Width | None = None
    numeral_mm: Positive = 5.0
    numeral_radius_mm: Positive | None = None
    colour: Colour | None = None

    @model_validator(mode="after")
    def _spans(self) -> Scale:
        if not self.low < self.high:
            raise MistakeError(
                f"low {self.low:g}, high {self.high:g}", "low below high", "Swap or correct them"
            )
        for step in (self.major, self.medium, self.minor, self.numerals):
            if step and (self.high - self.low) / step > _MOST_MARKS:
                raise MistakeError(
                    f"a step of {step:g}", f"at most {_MOST_MARKS} marks", "Take a larger step"
                )
        for name in self.names:
            try:
                Fraction(name)
            except ValueError:
                raise MistakeError(repr(name), 'a reading, as in { "90" = "E" }', "Write a number") from None
        return self


class Band(StrictModel):
    """A coloured arc over the readings from `low` to `high`; `radius_mm` is its outer edge."""

    colour: Colour
    low: float
    high: float
    pointer: str | None = None
    radius_mm: Positive | None = None
    width_mm: Width = 2.0


class Limit(StrictModel):
    """A radial line at one reading, as long as a major mark; `radius_mm` is its outer end."""

    colour: Colour = "red"
    at: float
    pointer: str | None = None
    radius_mm: Positive | None = None
    length_mm: Positive = 5.0
    width_mm: Width = 1.0


class SpeedMarks(StrictModel):
    """The marks of 14 CFR 23.1545 (before amendment 64) at the aircraft's speeds.

    Green and yellow lie with their outer edge at `radius_mm`, white just inside, the red line over both.
    """

    pointer: str | None = None
    radius_mm: Positive | None = None
    width_mm: Width = 2.0


class Letters(StrictModel):
    """One line of lettering, its middle at (x, y), capitals `height_mm` high."""

    text: str
    x_mm: float = 0.0
    y_mm: float = 0.0
    height_mm: Positive = 3.0
    turn_deg: float = 0.0
    colour: Colour | None = None


class Symbol(StrictModel):
    """A fixed mark: triangle (point up), bar, aeroplane from above or from behind.

    `size_mm` is the height of a triangle, the length of a bar, the length of an aeroplane seen from above,
    the span of one seen from behind. `turn_deg` turns it about its own place.
    """

    shape: Literal["triangle", "bar", "aeroplane_above", "aeroplane_behind"]
    size_mm: Positive
    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0
    colour: Colour | None = None


class Window(StrictModel):
    """A rectangular opening, its middle at (x, y)."""

    x_mm: float
    y_mm: float
    width_mm: Positive
    height_mm: Positive


class Slot(StrictModel):
    """An opening along an arc about the axis, clockwise from `from_deg` to `to_deg`."""

    from_deg: float
    to_deg: float
    inner_mm: Positive
    outer_mm: Positive

    @model_validator(mode="after")
    def _open(self) -> Slot:
        if not self.inner_mm < self.outer_mm:
            raise MistakeError(
                f"inner {self.inner_mm:g}, outer {self.outer_mm:g}", "inner below outer", "Swap them"
            )
        if not 0 < self.to_deg - self.from_deg < 360:
            raise MistakeError(
                f"from {self.from_deg:g} to {self.to_deg:g} degrees",
                "to_deg above from_deg by less than a turn",
                "Angles run clockwise from 12 o'clock",
            )
        return self


class Hole(StrictModel):
    """A round opening, its middle at (x, y)."""

    diameter_mm: Positive
    x_mm: float = 0.0
    y_mm: float = 0.0


class Screws(StrictModel):
    """Screw holes at equal angles on a circle about the axis."""

    count: Annotated[int, Field(ge=1, le=12)] = 4
    circle_mm: Positive
    hole_mm: Positive = 3.0
    first_deg: float = 45.0


class Flag(Slot):
    """The cross-hatched flag: a slot, and behind it a disc carried by `pointer`.

    The hatching shows while the reading is below `below` and has just gone at `below`; `low` is the
    lowest reading at which it must still fill the slot from its leading edge.
    """

    pointer: str
    below: float = 10_000.0
    low: float = -1_000.0


class Outline(StrictModel):
    """A pointer's outline to cut; its length is the pointer's `length_mm`.

    needle: a tapering blade to a point; sword: a broad blade with a point; bar: even to its end; rim: a
    thin arm with a triangle at its end; aeroplane: seen from behind, half its span the length; ball: a disc
    of `width_mm` on an arm behind the face, seen through a slot. Its axis is at `pivot_mm`, right and up
    of the face's middle; its scales, bands and limits are about the same place, radii from there.
    """

    shape: Literal["needle", "sword", "bar", "rim", "aeroplane", "ball"] = "needle"
    width_mm: Positive = 3.0
    tail_mm: NotNegative = 10.0
    hub_mm: Positive = 8.0
    bore_mm: Positive = 1.5
    pivot_mm: tuple[float, float] = (0.0, 0.0)
    colour: Colour = "white"


class Sheet(StrictModel):
    """A printed disc: the face, or a card that a pointer carries behind it.

    `colour` is the ground, `ink` what marks and lettering are printed in where they name no colour.
    """

    diameter_mm: Positive = 80.0
    colour: Colour = "black"
    ink: Colour = "white"
    centre_hole_mm: NotNegative = 4.0
    scales: tuple[Scale, ...] = ()
    bands: tuple[Band, ...] = ()
    limits: tuple[Limit, ...] = ()
    speeds: SpeedMarks | None = None
    letters: tuple[Letters, ...] = ()
    symbols: tuple[Symbol, ...] = ()
    windows: tuple[Window, ...] = ()
    slots: tuple[Slot, ...] = ()
    holes: tuple[Hole, ...] = ()
    screws: Screws | None = None

    @property
    def radius_mm(self) -> float:
        """Half the diameter."""
        return self.diameter_mm / 2


class Card(Sheet):
    """A disc that a pointer turns, or slides up and down when `crank_mm` is given.

    A turning card's marks come to 12 o'clock (plus the scale's `offset_deg`) at their reading. A sliding
    one hangs on a crank of that radius on the pointer's arbor, whose pin is at the face angle; its
    marks are level lines that come to the axis at their reading. `carried_by` names the turning card
    that it rides on. `lower` colours the lower half.
    """

    crank_mm: Positive | None = None
    carried_by: str | None = None
    lower: Colour | None = None


class Bezel(StrictModel):
    """A square frame in front of the face, with a round opening and four screw holes."""

    side_mm: Positive
    opening_mm: Positive
    circle_mm: Positive
    hole_mm: Positive = 4.0


class Face(Sheet):
    """The printed face of one gauge, with the cards behind it and the outlines of its pointers.

    `backing` is fixed behind everything, `overlay` is printed on clear film and fixed in
    front. `cards` and `pointers` go by the names of the gauge's pointers.
    """

    backing: Sheet | None = None
    overlay: tuple[Symbol, ...] = ()
    flag: Flag | None = None
    cards: dict[str, Card] = {}
    pointers: dict[str, Outline] = {}
    bezel: Bezel | None = None
