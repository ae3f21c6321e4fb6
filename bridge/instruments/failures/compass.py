"""The magnetic compass: it shows the part of the earth's field in the plane of its card.

Method: the card hangs by the apparent vertical. With heading h, the card banked by b and tipped forward by a,
and the field dipping by d, the field has in the card's plane
    forward  cos h cos a + tan d sin a,    right  -sin h cos b + tan d sin b,
and the compass shows the angle from it to the nose. So it lags on turns through north, leads through south,
shows a turn to north on acceleration eastward or westward, and the other way round in the south.

The FAA's rule (Instrument Flying Handbook, the magnetic compass; read in excerpt) is that at 15 to 18 degrees
of bank the error on north and south is about the latitude. `rule_dip_deg` is the dip at which this method is
so; it is steeper by some degrees than that of the field, as the rule is a rule of thumb. All angles in
degrees.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence

_RULE_BANK_DEG = 16.5


def rule_dip_deg(latitude_deg: float) -> float:
    """The dip by which the error on north at 16.5 degrees of bank is the latitude, south negative."""
    return math.degrees(
        math.atan(math.tan(math.radians(latitude_deg)) / math.sin(math.radians(_RULE_BANK_DEG)))
    )


def compass_heading_deg(
    heading_magnetic_deg: float, bank_deg: float, tipped_deg: float, dip_deg: float
) -> float:
    """What a compass without deviation shows; `tipped_deg` is the card's, forward end down."""
    heading, bank, tipped = map(math.radians, (heading_magnetic_deg, bank_deg, tipped_deg))
    steep = math.tan(math.radians(dip_deg))
    forward = math.cos(heading) * math.cos(tipped) + steep * math.sin(tipped)
    right = -math.sin(heading) * math.cos(bank) + steep * math.sin(bank)
    return math.degrees(math.atan2(-right, forward)) % 360.0


def deviation_deg(card: Sequence[tuple[float, float]], heading_deg: float) -> float:
    """Deviation at this heading by a card of (heading, deviation), joined by straight lines all round."""
    if not card:
        return 0.0
    points = sorted(card)
    (first, at_first), (last, at_last) = points[0], points[-1]
    points = [(last - 360.0, at_last), *points, (first + 360.0, at_first)]
    i = bisect.bisect_right([heading for heading, _ in points], heading_deg % 360.0)
    (low, at_low), (high, at_high) = points[i - 1], points[min(i, len(points) - 1)]
    if high == low:
        return at_low
    return at_low + (heading_deg % 360.0 - low) / (high - low) * (at_high - at_low)
