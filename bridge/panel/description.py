"""The panel description as a person writes it: one TOML file and the calibration files it names."""

from __future__ import annotations

import ipaddress
import re
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.panel.face import Face
from bridge.panel.hardware import (
    MOST_DEGREES,
    BoardDescription,
    Degrees,
    DriveDescription,
    Motor,
    NotNegative,
    Positive,
    Ratio,
)
from bridge.quantities.catalogue import Quantity

MOST_MM = 5000.0
"""No panel is wider or higher."""
Pairs = tuple[tuple[float, float], ...]
PlaceMm = Annotated[float, Field(ge=0, le=MOST_MM)]
Points = tuple[tuple[float, Degrees], ...]
"""Readings with their angles."""

_HOST = re.compile(r"[A-Za-z0-9._:%\[\]-]{1,255}")
_PORT = re.compile(r"[0-9]{1,5}")


class DeclaredQuantity(StrictModel):
    """A quantity of the builder's own, beside the catalogue; `stepped` for a switch or a selector."""

    unit: str
    low: float
    high: float
    meaning: str = ""
    circular: bool = False
    stepped: bool = False

    def named(self, name: str) -> Quantity:
        """As an entry of the catalogue; raises ValueError for an unknown unit or an empty range."""
        return Quantity(name, self.unit, self.low, self.high, self.meaning, self.circular, self.stepped)


class Aircraft(StrictModel):
    """The aircraft whose instruments these are: speeds for the face, limits for the drive check.

    Speeds are indicated airspeeds: stall in landing configuration and clean, flaps extended,
    normal operating limit, never exceed. `position_error` pairs indicated with calibrated airspeed.
    `fastest` is, per quantity, the greatest rate of change in its unit per second.
    """

    name: str = "aircraft"
    stall_landing_kt: Positive | None = None
    stall_clean_kt: Positive | None = None
    flaps_extended_kt: Positive | None = None
    normal_operating_kt: Positive | None = None
    never_exceed_kt: Positive | None = None
    position_error: Pairs = ()
    fastest: dict[str, Positive] = {}


class PortDescription(StrictModel):
    """One UDP port.

    `listen` is host:port; loopback unless the builder names another. `allow` lists senders
    (addresses or networks) that are heard; without it only this machine is.
    """

    listen: str
    allow: tuple[str, ...] = ("127.0.0.0/8", "::1/128")

    @field_validator("listen")
    @classmethod
    def _address(cls, value: str) -> str:
        host, _, port = value.rpartition(":")
        if not _HOST.fullmatch(host) or not _PORT.fullmatch(port) or int(port) > 65_535:
            expected = 'host:port, the port from 0 to 65535, as in "127.0.0.1:58226"'
            raise MistakeError(repr(value), expected, "Correct it")
        return value

    @field_validator("allow")
    @classmethod
    def _networks(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for item in value:
            try:
                ipaddress.ip_network(item, strict=False)
            except ValueError:
                raise MistakeError(
                    repr(item), 'an address or network, as in "192.168.1.20"', "Correct it"
                ) from None
        return value

    @property
    def host(self) -> str:
        """The address to listen on, without the brackets of IPv6."""
        return self.listen.rpartition(":")[0].strip("[]")

    @property
    def port(self) -> int:
        """The port to listen on; 0 lets the system choose one."""
        return int(self.listen.rpartition(":")[2])


class UdpSourceDescription(PortDescription):
    """One UDP port and the layouts of the datagrams that arrive there."""

    layouts: Annotated[tuple[str, ...], Field(min_length=1)]


class AltimeterSetting(StrictModel):
    """Where the altimeter setting comes from: telemetry, a fixed value, or a knob of a board.

    `inhg` is the fixed value, or what the knob starts from the first time; later it goes on from where it
    was left.
    """

    source: Literal["telemetry", "fixed", "knob"] = "telemetry"
    inhg: Annotated[float, Field(ge=25.0, le=33.0)] = 29.92
    board: str | None = None
    input: int = 0
    inhg_per_count: float = 0.01

    @model_validator(mode="after")
    def _knob(self) -> AltimeterSetting:
        if self.source == "knob" and self.board is None:
            raise MistakeError(
                "a knob without its board", "board = the board with the encoder", "Name the board"
            )
        return self


class RestDescription(StrictModel):
    """What the needles do when telemetry stops: hold at once, and after `after_s` the named behaviour.

    `hold` leaves them where they are; `park` glides each pointer to its `park` reading.
    """

    after_s: Positive = 10.0
    behaviour: Literal["hold", "park"] = "hold"


class PointerBody(StrictModel):
    """The moving part of a pointer with its arbor: what a drive must turn, and what is drawn."""

    length_mm: Positive = 30.0
    mass_g: Positive = 1.0
    inertia_g_mm2: NotNegative | None = None
    unbalance_g_mm: NotNegative = 0.0
    friction_mnm: NotNegative = 0.1
    tolerance: Positive | None = None


class PointerDescription(PointerBody):
    """One driven pointer of a gauge.

    An `endless` pointer turns without end: `per_turn` is the change of reading for one turn,
    `zero_deg` the face angle at reading zero. A `bounded` pointer runs between stops: `scale` lists
    (reading, face angle) and `stops_deg` the angles it must never pass (the scale's ends when left
    out). `home_deg` is the face angle at which the index mark or the homing stop is. `park` is
    the reading at which it rests, `tolerance` the error allowed, both in the indication's unit.
    """

    indication: str
    kind: Literal["endless", "bounded"]
    per_turn: Positive | None = None
    zero_deg: Degrees = 0.0
    scale: Points = ()
    stops_deg: tuple[Degrees, Degrees] | None = None
    home_deg: Degrees = 0.0
    park: float = 0.0
    drive: str
    board: str
    channel: int

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

    `gears` are the turns of the pointer `geared_to` for one turn of this one, stage by stage, written
    as teeth over teeth; they must make `per_turn` over that pointer's. `backlash_deg` is at this pointer.
    """

    geared_to: str
    gears: Annotated[tuple[Ratio, ...], Field(min_length=1)]
    per_turn: Positive
    zero_deg: Degrees = 0.0
    backlash_deg: NotNegative = 0.0


class GaugeDescription(StrictModel):
    """One gauge: the instrument that it shows, its pointers, calibration and face.

    `like` names the ready gauge that fills in what is not written here. `place` is where its pointers' axis
    is on the panel: mm right of and below the panel's top left corner.
    """

    like: str | None = None
    instrument: str
    options: dict[str, Any] = {}
    place: tuple[PlaceMm, PlaceMm] | None = None
    calibration: str | None = None
    pointers: Annotated[dict[str, PointerDescription], Field(min_length=1)]
    geared: dict[str, GearedPointer] = {}
    face: Face = Face()

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
    points: Annotated[
        tuple[Annotated[tuple[float, ...], Field(min_length=2, max_length=3)], ...], Field(min_length=2)
    ]
    falling: Points = ()

    @field_validator("points")
    @classmethod
    def _angles(cls, points: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
        for _, *angles in points:
            for angle in angles:
                if abs(angle) > MOST_DEGREES:
                    expected = f"an angle from {-MOST_DEGREES:g} to {MOST_DEGREES:g} degrees"
                    raise MistakeError(f"{angle:g}", expected, "Measure that point again")
        return points


class PanelDescription(StrictModel):
    """The whole panel. `teeth` are the sizes of gear wheel at hand, for the trains that `check` proposes."""

    name: str = "panel"
    tick_hz: Annotated[float, Field(ge=20.0, le=500.0)] = 100.0
    sources: tuple[UdpSourceDescription, ...] = ()
    altimeter_setting: AltimeterSetting = AltimeterSetting()
    fixed: dict[str, float] = {}
    rest: RestDescription = RestDescription()
    aircraft: Aircraft = Aircraft()
    quantities: dict[str, DeclaredQuantity] = {}
    motors: dict[str, Motor] = {}
    teeth: tuple[Annotated[int, Field(ge=4, le=1000)], ...] = ()
    drives: dict[str, DriveDescription]
    boards: Annotated[dict[str, BoardDescription], Field(min_length=1)]
    gauges: Annotated[dict[str, GaugeDescription], Field(min_length=1)]
