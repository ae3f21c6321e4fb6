"""What knobs and buttons do, as a person writes it: controls, and the commands that they send."""

from __future__ import annotations

import string
from typing import Annotated, Literal

from pydantic import Field, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.panel.hardware import Positive
from bridge.telemetry.layout_description import FieldDescription, Marker, NumberType, Text

COUNT = "count"
"""Beside the quantities: clicks (clockwise positive) or presses since the last datagram."""
MOST_TEXT = 1000


class SentNumber(FieldDescription):
    """A number of a command: a quantity as it is now, or as the control has just set it.

    `count` in place of a quantity, in the unit `"1"`, is the number of clicks (clockwise positive) or presses
    since the last datagram. What is sent is the value in `unit`, divided by `scale`.
    """

    name: Text | None = None
    """Of its place in `text`, as in `"setting"`."""
    decimals: Annotated[int, Field(ge=0, le=9)] = 2
    """In a text."""
    type: NumberType | None = None
    """In a packed command, as in `"float32"`."""


class CommandDescription(StrictModel):
    """A datagram to the simulator: a text, or packed numbers one after the other."""

    to: str
    """Address and port of the simulator, as in `"127.0.0.1:58227"`."""
    beyond_this_machine: bool = False
    """Whether that address may be another machine's."""
    text: Annotated[str, Field(max_length=MOST_TEXT)] | None = None
    """The whole datagram with `{name}` for each number, as in `"set altimeter {setting}\\n"`."""
    begins: Marker = ""
    """Of a packed command, its first bytes; hexadecimal after 0x, as in `"0x434d4431"`."""
    byte_order: Literal["little", "big"] = "little"
    """Of a packed command: which byte of a number comes first."""
    fields: tuple[SentNumber, ...] = ()
    """Its numbers, as in `[{ name = "setting", quantity = "altimeter_setting", unit = "hPa" }]`."""
    most_hz: Annotated[float, Field(ge=1, le=50)] = 20.0
    """No more datagrams are sent in a second; the newest value waits."""

    @model_validator(mode="after")
    def _complete(self) -> CommandDescription:
        if self.text is None:
            if any(field.type is None for field in self.fields):
                raise MistakeError("a packed number without its type", "type", 'Add type = "float32"')
            if not self.fields and not self.begins:
                raise MistakeError("an empty datagram", "text, begins or fields", "Write what is sent")
            return self
        names = [field.name for field in self.fields]
        try:
            placed = [
                (name, form) for _, name, form, _ in string.Formatter().parse(self.text) if name is not None
            ]
        except ValueError as error:
            raise MistakeError(str(error), "{name} for a number, {{ for a brace", "Correct text") from None
        if any(name not in names or form for name, form in placed):
            found = ", ".join("{" + name + (f":{form}" if form else "") + "}" for name, form in placed)
            raise MistakeError(found, "the name of a field in each pair of braces", "Correct text or name")
        if {name for name, _ in placed} != set(names) or len(set(names)) < len(names):
            raise MistakeError(
                "a field without a place in text", "{name} of each field", "Correct text or name"
            )
        return self


class Acceleration(StrictModel):
    """A knob that is turned fast steps further: from `clicks_s` clicks a second on `times` as far."""

    clicks_s: Positive = 8.0
    """How fast is fast."""
    times: Annotated[int, Field(ge=2, le=100)] = 10
    """How much further each click then steps."""


class Switch(StrictModel):
    """A gauge that shows another quantity at each press, in turn."""

    gauge: str
    """One with the option `quantity`, as in `"fuel"`."""
    quantities: Annotated[tuple[str, ...], Field(min_length=2, max_length=20)]
    """In the order in which they are shown, as in `["fuel_quantity_left", "fuel_quantity_right"]`."""


class ControlDescription(StrictModel):
    """What happens when a hand turns a knob or presses a button.

    A quantity that the panel has itself (under `[fixed]`, or a knob's altimeter setting) is stepped here; one
    of telemetry is stepped from where it is, and the simulator is asked to follow by `send`.
    """

    board: str
    """The board with the knob or the button, as in `"left"`."""
    input: Annotated[int, Field(ge=0, le=7)]
    """Its number on that board, as in `0`."""
    on: Literal["turn", "press", "hold", "release"]
    """Turned, pressed (at once, also where it is then held), held for 0.8 s, or let go (the last two need
    firmware 2.3)."""
    quantity: str | None = None
    """What is stepped or set, as in `"altimeter_setting"`."""
    by: float | None = None
    """How far, in its unit, for each click clockwise or each press, as in `0.01`."""
    set: float | None = None
    """What it is set to instead, in its unit, as in `29.92`."""
    fast: Acceleration | None = None
    """For a knob that steps further when it is turned fast, as in `{ clicks_s = 8, times = 10 }`."""
    send: str | None = None
    """The command that is sent, one of `[commands]`, as in `"altimeter"`."""
    switch: Switch | None = None
    """The gauge whose source is switched, as in `{ gauge = "fuel", quantities = ["fuel_quantity_left",
    "fuel_quantity_right"] }`."""
    record: str | None = None
    """A folder beside this file: a recording begins there, or ends, as in `"flights"`."""

    @model_validator(mode="after")
    def _one_thing(self) -> ControlDescription:
        if not (self.quantity or self.send or self.switch or self.record):
            raise MistakeError("nothing to do", "quantity, send, switch or record", "Add what it does")
        if self.quantity is not None and (self.by is None) == (self.set is None):
            raise MistakeError("neither or both of by and set", "one of them", "Write how far, or to what")
        if self.quantity is None and (self.by is not None or self.set is not None):
            raise MistakeError("by or set without a quantity", "the quantity that is stepped", "Add quantity")
        if self.on == "turn" and (self.switch or self.record or self.set is not None):
            raise MistakeError(
                "a knob that is turned", "a button for set, switch and record", "Take a button"
            )
        if self.fast is not None and (self.on != "turn" or self.by is None):
            raise MistakeError("fast, with nothing that is turned", 'on = "turn" with by', "Take it out")
        return self
