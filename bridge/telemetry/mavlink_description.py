"""What a person writes in a layout of MAVLink, for datagrams and for recordings alike."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from bridge.description import MistakeError, near
from bridge.telemetry.layout_description import MOST_FIELDS, Fault, FieldDescription, LayoutDescription
from bridge.telemetry.mavlink_messages import MESSAGES


class MavlinkNumber(FieldDescription):
    """A number by its message and its name there, as the published message definitions have them.

    In the sender's time since its start, `time_boot_ms`, where the message has that.
    """

    message: str
    """Of those that are known here, as in `"ATTITUDE"`."""
    field: str
    """Its name in the message, as in `"roll"`."""


def _usual(message: str, field: str, quantity: str, unit: str, scale: float = 1.0) -> MavlinkNumber:
    return MavlinkNumber(message=message, field=field, quantity=quantity, unit=unit, scale=scale)


USUAL_NUMBERS = (
    _usual("SCALED_PRESSURE", "press_abs", "static_pressure", "hPa"),
    _usual("GLOBAL_POSITION_INT", "alt", "geometric_altitude", "m", 0.001),
    _usual("VFR_HUD", "airspeed", "indicated_airspeed", "m/s"),
    _usual("VFR_HUD", "climb", "vertical_speed", "m/s"),
    _usual("ATTITUDE", "roll", "bank", "rad"),
    _usual("ATTITUDE", "pitch", "pitch", "rad"),
    _usual("ATTITUDE", "yaw", "heading_true", "rad"),
    _usual("ATTITUDE", "rollspeed", "roll_rate", "rad/s"),
    _usual("ATTITUDE", "pitchspeed", "pitch_rate", "rad/s"),
    _usual("ATTITUDE", "yawspeed", "yaw_rate", "rad/s"),
    _usual("GPS_RAW_INT", "cog", "track_true", "deg", 0.01),
    _usual("HIGHRES_IMU", "yacc", "lateral_acceleration", "m/s2"),
)


class Mavlink(LayoutDescription):
    """MAVLink 1 and 2: whole frames in each datagram, or a recording of them.

    Signed frames, whose key is not known here, and frames with unknown flags are refused. Without `fields`
    these numbers are taken: `SCALED_PRESSURE.press_abs` (static pressure), `GLOBAL_POSITION_INT.alt`
    (geometric altitude), `VFR_HUD.airspeed` (indicated airspeed), `VFR_HUD.climb` (vertical speed),
    `ATTITUDE.roll`, `ATTITUDE.pitch` and `ATTITUDE.yaw` (bank, pitch, true heading), `ATTITUDE.rollspeed`,
    `ATTITUDE.pitchspeed` and `ATTITUDE.yawspeed` (the rates), `GPS_RAW_INT.cog` (true track),
    `HIGHRES_IMU.yacc` (lateral acceleration).
    """

    kind: Literal["mavlink"]
    """MAVLink frames."""
    system: Annotated[int, Field(ge=1, le=255)] | None = None
    """Whose frames are followed, else the first that sends one of the numbers, as in `1`."""
    component: Annotated[int, Field(ge=1, le=255)] = 1
    """Of that system; 1 is its autopilot."""
    fields: Annotated[list[MavlinkNumber], Field(max_length=MOST_FIELDS)] = []
    """Numbers to take instead of the usual, as in `[{ quantity = "pitch", unit = "rad", message = "ATTITUDE",
    field = "pitch" }]`."""

    @model_validator(mode="before")
    @classmethod
    def _usual(cls, written: dict[str, Any]) -> dict[str, Any]:
        return written if written.get("fields") else {**written, "fields": list(USUAL_NUMBERS)}

    @property
    def described(self) -> Mapping[str, FieldDescription]:
        """The fields by dotted key."""
        return {f"fields.{i}": field for i, field in enumerate(self.fields)}

    def faults(self) -> Iterator[Fault]:
        """As `LayoutDescription.faults`: unknown messages and fields, and `time`, which is taken anyway."""
        for i, field in enumerate(self.fields):
            message = MESSAGES.get(field.message)
            if message is None:
                found, cure = f"an unknown message '{field.message}'", near(field.message, MESSAGES)
                yield f"fields.{i}.message", MistakeError(found, "a message that is known here", cure)
            elif field.field not in message.fields:
                found, cure = f"an unknown field '{field.field}'", near(field.field, message.fields)
                yield f"fields.{i}.field", MistakeError(found, f"a field of {field.message}", cure)
            if field.quantity == "time":
                found, cure = "time, which is taken from time_boot_ms anyway", "Take it out"
                yield f"fields.{i}.quantity", MistakeError(found, "any other quantity", cure)
