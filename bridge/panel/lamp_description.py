"""A lamp as a person writes it, and the knob that sets its brightness."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from bridge.description import StrictModel
from bridge.panel.conditional import Conditional

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
