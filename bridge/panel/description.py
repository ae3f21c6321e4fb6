"""The panel description as a person writes it: one TOML file and the calibration files it names."""

from __future__ import annotations

import ipaddress
import re
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.panel.broker import BrokerDescription, checked_topic
from bridge.panel.conditional import Conditional
from bridge.panel.control_description import CommandDescription, ControlDescription
from bridge.panel.face import Colour, Face, Window
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
    """One of the known units, as in `"%"`."""
    low: float
    """The least that makes sense: less is dropped, as in `0`."""
    high: float
    """The most that makes sense, as in `100`."""
    meaning: str = ""
    """What it is, with its sign, as in `"opening of the cowl flaps"`."""
    circular: bool = False
    """Whether `high` is the same direction as `low`."""
    stepped: bool = False
    """Whether it changes at once, so that nothing lies between two values and it may be sent on change."""

    def named(self, name: str) -> Quantity:
        """As an entry of the catalogue; raises ValueError for an unknown unit or an empty range."""
        return Quantity(name, self.unit, self.low, self.high, self.meaning, self.circular, self.stepped)


class Aircraft(StrictModel):
    """The aircraft whose instruments these are: speeds for the face, limits for the drive check.

    Speeds are indicated airspeeds.
    """

    name: str = "aircraft"
    """Of the aircraft."""
    stall_landing_kt: Positive | None = None
    """Stalling speed in landing configuration, indicated, as in `46`."""
    stall_clean_kt: Positive | None = None
    """Stalling speed clean, indicated, as in `57`."""
    flaps_extended_kt: Positive | None = None
    """Highest speed with flaps extended, indicated, as in `88`."""
    normal_operating_kt: Positive | None = None
    """Highest speed of normal operation, indicated, as in `121`."""
    never_exceed_kt: Positive | None = None
    """Never to be exceeded, indicated, as in `154`."""
    position_error: Pairs = ()
    """Indicated with calibrated airspeed, kt, as in `[[40, 46], [60, 62], [100, 99]]`."""
    fastest: dict[str, Positive] = {}
    """Greatest change of a quantity in a second, in its unit, for the check, as in `{ bank = 90 }`."""


class PortDescription(StrictModel):
    """One UDP port."""

    listen: str
    """Address and port; of this machine alone unless another is named, as in `"127.0.0.1:58226"`."""
    allow: tuple[str, ...] = ("127.0.0.0/8", "::1/128")
    """Senders that are heard, addresses or networks, as in `["192.168.1.20"]`."""

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


class SourceDescription(PortDescription):
    """Where telemetry comes from: a UDP port with the layouts of the datagrams that arrive there, or the
    readings that another panel publishes at the broker."""

    kind: Literal["udp", "mqtt"] = "udp"
    """Whether it is a UDP port here, or a topic at the broker."""
    listen: str = ""
    """Of a UDP port, its address; of this machine alone unless another is named, as in
    `"127.0.0.1:58226"`."""
    layouts: tuple[str, ...] = ()
    """Of a UDP port, files that describe the datagrams; paths start at this file, as in
    `["layouts/own.toml"]`."""
    topic: str | None = None
    """At the broker, where the other panel publishes, as in `"class/readings"`."""

    @field_validator("topic")
    @classmethod
    def _plain(cls, value: str | None) -> str | None:
        return None if value is None else checked_topic(value)

    @model_validator(mode="after")
    def _of_its_kind(self) -> SourceDescription:
        needed = _NEEDED[self.kind]
        for key in needed:
            if not getattr(self, key):
                raise MistakeError(f"a source of kind {self.kind} without {key}", key, f"Add {key}")
        for key in {key for keys in _NEEDED.values() for key in keys} - set(needed):
            if getattr(self, key):
                found = f"a source of kind {self.kind} with {key}"
                raise MistakeError(found, ", ".join(needed), f"Take {key} out, or change kind")
        return self


_NEEDED = {"udp": ("listen", "layouts"), "mqtt": ("topic",)}
"""What a source of each kind must have, and no other may."""


class AltimeterSetting(StrictModel):
    """Where the altimeter setting comes from: telemetry, a fixed value, or a knob of a board.

    `inhg` is the fixed value, or what the knob starts from the first time; later it goes on from where it
    was left.
    """

    source: Literal["telemetry", "fixed", "knob"] = "telemetry"
    """Where it comes from: the simulator, this file, or a knob on a board."""
    inhg: Annotated[float, Field(ge=25.0, le=33.0)] = 29.92
    """The fixed value, or what a knob starts from the first time."""
    board: str | None = None
    """The board with the knob, as in `"left"`."""
    input: int = 0
    """The number of the knob's encoder on that board."""
    inhg_per_count: float = 0.01
    """For each detent, clockwise; a minus sign turns its sense."""

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
    """How long after telemetry stopped."""
    behaviour: Literal["hold", "park"] = "hold"
    """What pointers do then: stay, or glide to their `park` reading."""


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

    @field_validator("points")
    @classmethod
    def _angles(cls, points: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
        for _, *angles in points:
            for angle in angles:
                if abs(angle) > MOST_DEGREES:
                    expected = f"an angle from {-MOST_DEGREES:g} to {MOST_DEGREES:g} degrees"
                    raise MistakeError(f"{angle:g}", expected, "Measure that point again")
        return points


Share = Annotated[float, Field(ge=0, le=1)]


class LampKnob(StrictModel):
    """A knob that sets a lamp's brightness."""

    board: str
    """The board with the knob, as in `"left"`."""
    input: int = 0
    """The number of the knob's encoder on that board."""
    per_count: Annotated[float, Field(ge=-1, le=1)] = 0.05
    """Brightness for each detent, clockwise; a minus sign turns its sense."""


class LampDescription(Conditional):
    """A lamp, or the magnet of a flag: lit always, or while a condition holds.

    A brightness is what the eye sees, in even steps from 0 (dark) to 1; half of it takes 18 % of the current.
    """

    board: str
    """One of `[boards]`, as in `"left"`."""
    lamp: int
    """The number of the board's lamp output, as in `0`."""
    when: str = ""
    """While this holds it is lit, always where nothing is written: a quantity, `<` or `>`, and a limit, as
    in `"suction < 4.5 inHg"`."""
    brightness: Share | str = 1.0
    """When lit: from 0 to 1, what a knob starts from, or the quantity that sets it: dark at its lowest value,
    full at its highest, as in `"panel_lighting"`."""
    knob: LampKnob | None = None
    """A knob that sets the brightness, as in `{ board = "left", input = 1 }`."""
    fade_s: Annotated[float, Field(ge=0, le=10)] = 0.0
    """How long a dimmed one takes from dark to full."""
    when_lost: Share = 0.0
    """Its brightness while the reading that it follows is not there, and while its board hears no host."""


class PanelDescription(StrictModel):
    """The whole panel."""

    name: str = "panel"
    """Of the panel."""
    tick_hz: Annotated[float, Field(ge=20.0, le=500.0)] = 100.0
    """Steps of the motion, and frames to each board, in a second."""
    sources: tuple[SourceDescription, ...] = ()
    """Where telemetry comes from, as in `[{ listen = "127.0.0.1:58226", layouts = ["own.toml"] }]`."""
    broker: BrokerDescription | None = None
    """For boards and readings over MQTT, as in `{ host = "192.168.1.20", prefix = "hobnail" }`."""
    altimeter_setting: AltimeterSetting = AltimeterSetting()
    """Where it comes from, as in `{ source = "fixed", inhg = 29.92 }`."""
    fixed: dict[str, float] = {}
    """Readings that telemetry lacks, by quantity, as in `{ magnetic_variation = 4 }`."""
    rest: RestDescription = RestDescription()
    """What happens when telemetry stops, as in `{ behaviour = "park" }`."""
    aircraft: Aircraft = Aircraft()
    """Its speeds and limits, as in `{ name = "Hobnail" }`."""
    quantities: dict[str, DeclaredQuantity] = {}
    """Quantities of the builder's own by name, as in `{ cowl_flaps = { unit = "%", low = 0, high = 9 } }`."""
    motors: dict[str, Motor] = {}
    """Motors of the builder's own by name, as in `{ mine = { name = "mine", source = "its sheet",
    kind = "bipolar", rotor_steps_per_turn = 200 } }`."""
    teeth: tuple[Annotated[int, Field(ge=4, le=1000)], ...] = ()
    """Sizes of gear wheel at hand, for the trains that `check` proposes, as in `[10, 20, 50]`."""
    drives: dict[str, DriveDescription]
    """Drives by name, as in `{ sweep = { motor = "gauge-stepper-315", speed_steps_s = 900,
    acceleration_steps_s2 = 6000 } }`."""
    boards: Annotated[dict[str, BoardDescription], Field(min_length=1)]
    """Boards by name, as in `{ left = { channels = { 0 = { output = "servo", pins = ["D9"] } } } }`."""
    lamps: dict[str, LampDescription] = {}
    """Lamps and coils by name, as in `{ suction = { board = "left", lamp = 0, when = "suction < 4.5" } }`."""
    commands: dict[str, CommandDescription] = {}
    """Datagrams to the simulator by name, as in `{ gear = { to = "127.0.0.1:58227", text = "gear" } }`."""
    controls: dict[str, ControlDescription] = {}
    """What knobs and buttons do, by name, as in `{ gear = { board = "left", input = 1, on = "press",
    send = "gear" } }`."""
    gauges: Annotated[dict[str, GaugeDescription], Field(min_length=1)]
    """Gauges by name, as in `{ asi = { like = "airspeed", pointers = { needle = { drive = "sweep",
    board = "left", channel = 0 } } } }`."""
