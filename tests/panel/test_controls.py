"""Controls and commands that can't be: each is named with its place, what was expected, and the cure."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import DescriptionErrors
from tests.flight.controlled import controlled


def command(**keys: str) -> str:
    written = {"to": '"127.0.0.1:58300"', "text": '"gear"', **keys}
    return "\n[commands.other]\n" + "".join(f"{key} = {value}\n" for key, value in written.items() if value)


def control(**keys: str) -> str:
    written = {"board": '"left"', "input": "1", "on": '"press"', "send": '"gear"', **keys}
    return "\n[controls.other]\n" + "".join(f"{key} = {value}\n" for key, value in written.items() if value)


FIELD = '[{ name = "n", quantity = "altimeter_setting", unit = "inHg" }]'


@pytest.mark.parametrize(
    ("more", "key", "found"),
    [
        (command(to='"192.168.1.20:58300"'), "commands.other.to", "another machine"),
        (command(to='"127.0.0.1:58226"'), "commands.other.to", "on which this panel listens"),
        (command(to='"239.1.2.3:58300"', beyond_this_machine="true"), "commands.other.to", "nobody's own"),
        (command(to='"0.0.0.0:58300"', beyond_this_machine="true"), "commands.other.to", "nobody's own"),
        (command(to='"simulator:58300"'), "commands.other.to", "simulator:58300"),
        (command(to='"127.0.0.1:0"'), "commands.other.to", "127.0.0.1:0"),
        (command(text='"{m}"', fields=FIELD), "commands.other", "{m}"),
        (command(text='"{n:.3f}"', fields=FIELD), "commands.other", "{n:.3f}"),
        (command(text='"{n.__class__}"', fields=FIELD), "commands.other", "{n.__class__}"),
        (command(text='"{"', fields=FIELD), "commands.other", "'{'"),
        (command(text='"gear"', fields=FIELD), "commands.other", "without a place"),
        (command(text=""), "commands.other", "an empty datagram"),
        (command(text="", fields=FIELD), "commands.other", "without its type"),
        (command(text='"{n}"', fields=FIELD.replace("inHg", "ft")), "commands.other.fields.0.unit", "'ft'"),
        (control(board='"lefft"'), "controls.other.board", "lefft"),
        (control(input="0"), "controls.other.input", "input 0"),
        (control(on='"turn"'), "controls.other.input", "input 1"),
        (control(send='"geer"'), "controls.other.send", "geer"),
        (control(send=""), "controls.other", "nothing to do"),
        (control(quantity='"bank"', by="1", send=""), "controls.other.quantity", "which telemetry has"),
        (control(quantity='"bank"'), "controls.other", "neither or both of by and set"),
        (control(by="1"), "controls.other", "by or set without a quantity"),
        (control(fast="{ times = 5 }"), "controls.other", "nothing that is turned"),
        (
            control(switch='{ gauge = "altimeter", quantities = ["pitch", "bank"] }'),
            "controls.other.switch.quantities",
            "no one quantity",
        ),
    ],
)
def test_a_mistake_is_named(config: Path, more: str, key: str, found: str) -> None:
    with pytest.raises(DescriptionErrors) as raised:
        controlled(config, more=more)
    (error,) = raised.value.errors
    assert error.key == key
    assert found in error.found
    assert error.expected and error.cure


def test_another_machine_may_be_named_where_that_is_meant(config: Path) -> None:
    panel = controlled(config, more=command(to='"192.168.1.20:58300"', beyond_this_machine="true"))
    assert panel.commands["other"].host == "192.168.1.20"
