"""What shows something by a condition on a reading, as a person writes it."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from bridge.description import StrictModel
from bridge.instruments.condition import Condition, parse_condition
from bridge.quantities.catalogue import Catalogue

LONGEST_DELAY_S = 600.0


class Conditional(StrictModel):
    """A condition on a reading, with its hysteresis and its delay."""

    when: str
    """A quantity, `<` or `>`, and a limit, in the quantity's unit unless one is named, as in
    `"suction < 4.5 inHg"`."""
    hysteresis: Annotated[float, Field(ge=0)] = 0.0
    """How far the reading must be back over the limit until it holds no more, in the unit of `when`."""
    delay_s: Annotated[float, Field(ge=0, le=LONGEST_DELAY_S)] = 0.0
    """For how long it must have changed until that is shown, either way."""

    def condition(self, catalogue: Catalogue) -> Condition:
        """The condition in the quantity's own unit; raises `MistakeError`, see `parse_condition`."""
        return parse_condition(self.when, self.hysteresis, self.delay_s, catalogue)
