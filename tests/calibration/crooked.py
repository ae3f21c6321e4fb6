"""A linkage with an eccentric arbor and backlash, as a builder's needle might have, and an eye for it."""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, sin


@dataclass(slots=True)
class CrookedLinkage:
    """The needle behind a drive: late by `backlash_deg` on the way back, and bent by an eccentric arbor.

    The needle's angle is f(arm), f(x) = x + eccentric sin(x), and the arm follows the drive with play: it is
    pushed clockwise by one side of a slot and counter-clockwise by the other. Angles in degrees.
    """

    eccentric_deg: float
    backlash_deg: float
    arm_deg: float = 0.0

    def drive_to(self, drive_deg: float) -> None:
        """Turn the drive to this angle; the arm stays while the drive moves inside its play."""
        self.arm_deg = min(max(self.arm_deg, drive_deg - self.backlash_deg), drive_deg)

    @property
    def needle_deg(self) -> float:
        """Where the needle is on the face."""
        return self.arm_deg + self.eccentric_deg * sin(radians(self.arm_deg))

    def drive_for(self, needle_deg: float, falling: bool) -> float:
        """The drive angle at which the needle, coming from below or from above, is at this angle."""
        low, high = needle_deg - 20.0, needle_deg + 20.0
        for _ in range(80):
            middle = (low + high) / 2
            if middle + self.eccentric_deg * sin(radians(middle)) < needle_deg:
                low = middle
            else:
                high = middle
        # Clockwise is rising here: the arm trails the drive by the play on the way up.
        return (low + high) / 2 + (self.backlash_deg if not falling else 0.0)
