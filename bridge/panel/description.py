"""The whole panel as a person writes it, in one TOML file; gauges, sources, lamps have modules beside it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.panel.broker import BrokerDescription
from bridge.panel.control_description import CommandDescription, ControlDescription
from bridge.panel.gauge_description import GaugeDescription
from bridge.panel.hardware import BoardDescription, DriveDescription, Motor, Positive
from bridge.panel.lamp_description import LampDescription
from bridge.panel.source_description import SourceDescription
from bridge.quantities.catalogue import Quantity

Pairs = tuple[tuple[float, float], ...]


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
