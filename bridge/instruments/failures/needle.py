"""A needle that sticks: dry friction between the instrument and what its pointer shows."""

from __future__ import annotations

from bridge.instruments.filters import difference
from bridge.quantities.catalogue import Quantity


class StuckNeedle:
    """Shows `shown`, in the unit of its quantity, until it is pulled along or tapped free.

    It sticks again where a tap has let it go. `friction` is the difference that pulls it along;
    None: none does.
    """

    __slots__ = ("_friction", "_shown", "_tapped")

    def __init__(self, friction: float | None) -> None:
        self._friction = friction
        self._shown: float | None = None
        self._tapped = False

    def tap(self) -> None:
        """Tap its glass: the next indication is shown."""
        self._tapped = True

    def show(self, indication: float, quantity: Quantity) -> float:
        """What the needle shows when its instrument has this indication."""
        if self._shown is None or self._tapped:
            self._shown, self._tapped = indication, False
            return indication
        off = difference(quantity, indication, self._shown)
        if self._friction is not None and abs(off) > self._friction:
            pulled = off - self._friction if off > 0 else off + self._friction
            self._shown = quantity.wrap(self._shown + pulled)
        return self._shown
