"""What is on a gauge's face: a few rules that compose. Nothing here is for a real aircraft.

Angles are degrees clockwise from 12 o'clock, lengths millimetres from the pointer's axis, x to the
right, y up. The place of a mark follows from the calibration curve of the pointer it belongs to.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, WithJsonSchema, model_validator

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


_WIDTH_SCHEMA = {"type": "number", "minimum": PRINTABLE_MM}
Width = Annotated[float, AfterValidator(_printable), WithJsonSchema(_WIDTH_SCHEMA)]


class Scale(StrictModel):
    """Marks and numerals for the readings from `low` to `high`.

    Marks are at whole multiples of the steps `major`, `medium`, `minor`, and major ones at the
    readings `at`; where several fall together the longest is drawn. Numerals are at multiples of
    `numerals` and at every reading that `names` mentions.
    """

    pointer: str | None = None
    """Whose readings they are; the gauge's first pointer where none is named, as in `"needle"`."""
    unit: str | None = None
    """A unit of its own, for a second scale, as in `"mph"`."""
    low: float
    """The first reading, as in `0`."""
    high: float
    """The last reading, as in `180`."""
    major: Positive | None = None
    """Step of the longest marks, as in `20`."""
    medium: Positive | None = None
    """Step of the middle ones, as in `10`."""
    minor: Positive | None = None
    """Step of the shortest ones, as in `5`."""
    at: tuple[float, ...] = ()
    """Readings that have a major mark besides, as in `[0, 3]`."""
    numerals: Positive | None = None
    """Step of the numerals, as in `20`."""
    numeral_divisor: Positive = 1.0
    """What a reading is divided by to be written, as in `100`."""
    names: dict[str, str] = {}
    """Words in place of numerals, by reading; "" leaves one out, as in `{ "90" = "E" }`."""
    signed: bool = True
    """Whether numerals of readings below zero have a minus sign."""
    radial: bool = False
    """Whether numerals are aligned with their radius, as on a compass card; else they are upright."""
    numeral_turn_deg: float = 0.0
    """Turns radial numerals, clockwise: by -90 they are upright in a window at 3 o'clock."""
    offset_deg: float = 0.0
    """Turns the scale against its pointer: a wing tip points 90 degrees off."""
    radius_mm: Positive | None = None
    """Outer end of the marks; just inside the edge where none is written, as in `36`."""
    lengths_mm: tuple[Positive, Positive, Positive] = (5.0, 3.6, 2.4)
    """Of major, medium and minor marks."""
    widths_mm: tuple[Width, Width, Width] = (0.8, 0.5, 0.3)
    """Of major, medium and minor marks."""
    dot_mm: Width | None = None
    """Makes the marks dots of this diameter, their middle at `radius_mm`, as in `1.4`."""
    numeral_mm: Positive = 5.0
    """Height of the numerals."""
    numeral_radius_mm: Positive | None = None
    """Middle of the numerals; just inside the marks where none is written, as in `28`."""
    colour: Colour | None = None
    """Of marks and numerals; the sheet's ink where none is written, as in `"yellow"`."""

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
    """Of the arc, as in `"green"`."""
    low: float
    """The reading at which it begins, as in `57`."""
    high: float
    """The reading at which it ends, as in `121`."""
    pointer: str | None = None
    """Whose readings they are; the gauge's first pointer where none is named, as in `"needle"`."""
    radius_mm: Positive | None = None
    """Its outer edge; just inside the sheet's edge where none is written, as in `38`."""
    width_mm: Width = 2.0
    """From its inner to its outer edge."""


class Limit(StrictModel):
    """A radial line at one reading, as long as a major mark; `radius_mm` is its outer end."""

    colour: Colour = "red"
    """Of the line."""
    at: float
    """The reading, as in `154`."""
    pointer: str | None = None
    """Whose reading it is; the gauge's first pointer where none is named, as in `"needle"`."""
    radius_mm: Positive | None = None
    """Its outer end; just inside the sheet's edge where none is written, as in `38`."""
    length_mm: Positive = 5.0
    """Along the radius."""
    width_mm: Width = 1.0
    """Across it."""


class SpeedMarks(StrictModel):
    """The marks of 14 CFR 23.1545 (before amendment 64) at the aircraft's speeds.

    Green and yellow lie with their outer edge at `radius_mm`, white just inside, the red line over both.
    """

    pointer: str | None = None
    """Whose readings the speeds are; the gauge's first pointer where none is named, as in `"needle"`."""
    radius_mm: Positive | None = None
    """Outer edge of the outer arcs; just inside the sheet's edge where none is written, as in `38`."""
    width_mm: Width = 2.0
    """Of each arc."""


class Letters(StrictModel):
    """One line of lettering, its middle at (x, y), capitals `height_mm` high."""

    text: str
    """One line of lettering, as in `"KNOTS"`."""
    x_mm: float = 0.0
    """Of its middle, to the right of the axis."""
    y_mm: float = 0.0
    """Of its middle, above the axis."""
    height_mm: Positive = 3.0
    """Of a capital."""
    turn_deg: float = 0.0
    """Clockwise, about its middle."""
    colour: Colour | None = None
    """The sheet's ink where none is written, as in `"orange"`."""


class Symbol(StrictModel):
    """A fixed mark."""

    shape: Literal["triangle", "bar", "aeroplane_above", "aeroplane_behind"]
    """A triangle that points up, a bar, an aeroplane from above or from behind."""
    size_mm: Positive
    """Height of a triangle, length of a bar or an aeroplane from above, span from behind, as in `4`."""
    x_mm: float = 0.0
    """To the right of the axis."""
    y_mm: float = 0.0
    """Above the axis."""
    turn_deg: float = 0.0
    """Clockwise, about its own place."""
    colour: Colour | None = None
    """The sheet's ink where none is written, as in `"orange"`."""


class Window(StrictModel):
    """A rectangular opening, its middle at (x, y)."""

    x_mm: float
    """Of its middle, to the right of the axis, as in `17.5`."""
    y_mm: float
    """Of its middle, above the axis, as in `0`."""
    width_mm: Positive
    """From side to side, as in `12`."""
    height_mm: Positive
    """From bottom to top, as in `5.5`."""


class SettingWindow(Window):
    """The window of the altimeter setting. The page shows the setting in it; behind a printed face there is
    room for a drum or a card, of a pointer that shows `altimeter_setting`."""

    unit: Literal["inHg", "hPa"] = "inHg"
    """In which the page shows it."""


class Slot(StrictModel):
    """An opening along an arc about the axis, clockwise from `from_deg` to `to_deg`."""

    from_deg: float
    """Where it begins, clockwise from 12 o'clock, as in `158`."""
    to_deg: float
    """Where it ends, as in `202`."""
    inner_mm: Positive
    """Radius of its inner edge, as in `21`."""
    outer_mm: Positive
    """Radius of its outer edge, as in `28`."""

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
    """Across it, as in `58`."""
    x_mm: float = 0.0
    """Of its middle, to the right of the axis."""
    y_mm: float = 0.0
    """Of its middle, above the axis."""


class Screws(StrictModel):
    """Screw holes at equal angles on a circle about the axis."""

    count: Annotated[int, Field(ge=1, le=12)] = 4
    """How many."""
    circle_mm: Positive
    """Diameter of the circle that they are on, as in `70`."""
    hole_mm: Positive = 3.0
    """Diameter of each hole."""
    first_deg: float = 45.0
    """Where the first one is, clockwise from 12 o'clock."""


class Flag(Slot):
    """The cross-hatched flag: a slot, and behind it a disc carried by `pointer`.

    The hatching shows while the reading is below `below` and has just gone at `below`; `low` is the
    lowest reading at which it must still fill the slot from its leading edge.
    """

    pointer: str
    """What carries the disc behind the slot, as in `"ten_thousands"`."""
    below: float = 10_000.0
    """The reading below which the hatching shows, in that pointer's unit."""
    low: float = -1_000.0
    """The lowest reading at which it still fills the slot."""


class Outline(StrictModel):
    """A pointer's outline to cut; its length is the pointer's `length_mm`.

    needle: a tapering blade to a point; sword: a broad blade with a point; bar: even to its end; rim: a
    thin arm with a triangle at its end; aeroplane: seen from behind, half its span the length; ball: a disc
    of `width_mm` on an arm behind the face, seen through a slot. Its axis is at `pivot_mm`, right and up
    of the face's middle; its scales, bands and limits are about the same place, radii from there.
    """

    shape: Literal["needle", "sword", "bar", "rim", "aeroplane", "ball"] = "needle"
    """Its form: see the pictures that `faces` draws."""
    width_mm: Positive = 3.0
    """At its widest; of a ball its diameter."""
    tail_mm: NotNegative = 10.0
    """Behind the axis."""
    hub_mm: Positive = 8.0
    """Diameter of the disc about the axis."""
    bore_mm: Positive = 1.5
    """Diameter of the hole for the arbor."""
    pivot_mm: tuple[float, float] = (0.0, 0.0)
    """Where its axis is, to the right and up from the face's middle, as in `[0, 30]`."""
    colour: Colour = "white"
    """What it is printed or painted in."""


class Sheet(StrictModel):
    """A printed disc: the face, or a card that a pointer carries behind it."""

    diameter_mm: Positive = 80.0
    """Across it."""
    colour: Colour = "black"
    """Of the ground."""
    ink: Colour = "white"
    """Of marks and lettering that name no colour."""
    centre_hole_mm: NotNegative = 4.0
    """Diameter of the hole at each axis; 0 for none."""
    scales: tuple[Scale, ...] = ()
    """Marks and numerals, as in `[{ low = 0, high = 180, major = 20, numerals = 20 }]`."""
    bands: tuple[Band, ...] = ()
    """Coloured arcs, as in `[{ colour = "green", low = 57, high = 121 }]`."""
    limits: tuple[Limit, ...] = ()
    """Radial lines, as in `[{ at = 154 }]`."""
    speeds: SpeedMarks | None = None
    """Arcs and red line at the aircraft's speeds, as in `{ radius_mm = 38 }`."""
    letters: tuple[Letters, ...] = ()
    """Lettering, as in `[{ text = "KNOTS", y_mm = 20 }]`."""
    symbols: tuple[Symbol, ...] = ()
    """Fixed marks, as in `[{ shape = "triangle", size_mm = 4 }]`."""
    windows: tuple[Window, ...] = ()
    """Rectangular openings, as in `[{ x_mm = 17.5, y_mm = 0, width_mm = 12, height_mm = 5.5 }]`."""
    slots: tuple[Slot, ...] = ()
    """Openings along an arc, as in `[{ from_deg = 158, to_deg = 202, inner_mm = 21, outer_mm = 28 }]`."""
    holes: tuple[Hole, ...] = ()
    """Round openings, as in `[{ diameter_mm = 58 }]`."""
    screws: Screws | None = None
    """Screw holes on a circle, as in `{ circle_mm = 70 }`."""

    @property
    def radius_mm(self) -> float:
        """Half the diameter."""
        return self.diameter_mm / 2


class Card(Sheet):
    """A disc that a pointer turns, or slides up and down when `crank_mm` is given.

    A turning card's marks come to 12 o'clock (plus the scale's `offset_deg`) at their reading. A sliding
    one hangs on a crank of that radius on the pointer's arbor, whose pin is at the face angle; its
    marks are level lines that come to the axis at their reading.
    """

    crank_mm: Positive | None = None
    """Makes it slide: radius of the crank on the pointer's arbor that it hangs on, as in `34`."""
    carried_by: str | None = None
    """The turning card that it slides on, as in `"bank"`."""
    lower: Colour | None = None
    """Colour of the lower half, as in `"brown"`."""


class Bezel(StrictModel):
    """A square frame in front of the face, with a round opening and four screw holes."""

    side_mm: Positive
    """Of the square, as in `86`."""
    opening_mm: Positive
    """Diameter of its opening, as in `76`."""
    circle_mm: Positive
    """Diameter of the circle of its four screw holes, as in `104`."""
    hole_mm: Positive = 4.0
    """Diameter of a screw hole."""


class Face(Sheet):
    """The printed face of one gauge, with the cards behind it and the outlines of its pointers."""

    backing: Sheet | None = None
    """A disc fixed behind everything, as in `{ colour = "white" }`."""
    overlay: tuple[Symbol, ...] = ()
    """Marks on clear film in front, as in `[{ shape = "aeroplane_above", size_mm = 26 }]`."""
    flag: Flag | None = None
    """The cross-hatched flag, as in `{ pointer = "hours", from_deg = 216, to_deg = 246, inner_mm = 12,
    outer_mm = 19 }`."""
    setting: SettingWindow | None = None
    """The window of the altimeter setting, as in `{ x_mm = 17.5, y_mm = 0, width_mm = 12, height_mm = 5.5
    }`."""
    cards: dict[str, Card] = {}
    """Discs behind the face by the name of the pointer that moves them, as in `{ card = { diameter_mm = 72 }
    }`."""
    pointers: dict[str, Outline] = {}
    """Outlines by the names of the gauge's pointers, as in `{ needle = { shape = "sword" } }`."""
    bezel: Bezel | None = None
    """A frame in front, as in `{ side_mm = 86, opening_mm = 76, circle_mm = 104 }`."""
