"""Permitted errors of real instruments, by value, each with its source and how far that was read.

Used to compare a simulator's gauge with; where no free source has a number there is none here.
"""

from __future__ import annotations

from dataclasses import dataclass

NOT_AIRWORTHY = (
    "This is not an airworthiness document. It is the sheet of a toy for a simulator: nothing in it "
    "certifies anything for a real aircraft, its maintenance or its test."
)

INHG_HPA = 33.86389
"""Hectopascal in a conventional inch of mercury (NIST SP 811, appendix B)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Permitted errors, in the unit of the reading, at the readings of a table that rises.

    `source` names it; `seen` is how far its text was read.
    """

    name: str
    source: str
    seen: str
    rows: tuple[tuple[float, float], ...]
    """Reading and permitted error of each row, by rising reading."""

    def at(self, reading: float) -> float | None:
        """The permitted error at a reading of the table, None between its rows: nothing is made up."""
        return next((limit for row, limit in self.rows if abs(row - reading) < 1e-6), None)


_APP_E = "14 CFR Part 43, Appendix E"
_READ = "the text itself was read"
_EXCERPT = "read in excerpt only"

SCALE_ERROR = Limits(
    "App. E Table I, scale error",
    f"{_APP_E}, Table I",
    _READ,
    (
        (-1000, 20), (0, 20), (500, 20), (1000, 20), (1500, 25), (2000, 30), (3000, 30), (4000, 35),
        (6000, 40), (8000, 60), (10_000, 80), (12_000, 90), (14_000, 100), (16_000, 110), (18_000, 120),
        (20_000, 130), (22_000, 140), (25_000, 155), (30_000, 180), (35_000, 205), (40_000, 230),
        (45_000, 255), (50_000, 280),
    ),
)  # fmt: skip

PRESSURES_INHG = dict(zip(
    (row for row, _ in SCALE_ERROR.rows),
    (
        31.018, 29.921, 29.385, 28.856, 28.335, 27.821, 26.817, 25.842, 23.978, 22.225, 20.577, 19.029,
        17.577, 16.216, 14.942, 13.750, 12.636, 11.104, 8.885, 7.041, 5.538, 4.355, 3.425,
    ),
    strict=True,
))  # fmt: skip
"""The pressure at each altitude of Table I, as printed there."""

FRICTION = Limits(
    "App. E Table III, friction",
    f"{_APP_E}, Table III",
    _READ,
    (
        (1000, 70), (2000, 70), (3000, 70), (5000, 70), (10_000, 80), (15_000, 90), (20_000, 100),
        (25_000, 120), (30_000, 140), (35_000, 160), (40_000, 180), (50_000, 250),
    ),
)  # fmt: skip
FRICTION_RATE_FT_MIN = 750.0
"""At which the pressure falls before a reading for Table III."""

SETTINGS: tuple[tuple[float, float], ...] = (
    (28.10, -1727), (28.50, -1340), (29.00, -863), (29.50, -392), (29.92, 0), (30.50, 531), (30.90, 893),
    (30.99, 974),
)  # fmt: skip
"""Table IV: setting (inHg), and by how much it moves the reading (ft) at constant pressure."""
STANDARD_INHG = 29.92
SETTING_ERROR_FT = 25.0
SETTING_SOURCE = f"{_APP_E}, Table IV and paragraph (b)(1)(vi) ({_READ})"

HYSTERESIS_FT = 75.0
"""At a half and at two fifths of the greatest altitude: coming down less going up."""
AFTER_EFFECT_FT = 30.0
HYSTERESIS_SHARES = (0.5, 0.4)
TABLE_II = f"{_APP_E}, Table II ({_READ})"
TOP_FT = 20_000.0
"""As far as a light aircraft's altimeter is tested here, unless another of these is asked for."""
TOPS_FT = tuple(row for row, _ in SCALE_ERROR.rows if row >= 4000)
"""Up to where an altimeter can be tested: Table I has marks enough below."""

_AIRSPEEDS = (
    (150.0, "MS28045", ((40, 3), (60, 3), (80, 3), (100, 3), (120, 3), (140, 3))),
    (
        250.0, "MS28021",
        (
            (40, 5), (60, 3), (80, 3), (100, 4), (120, 4), (140, 5), (160, 5), (180, 5), (200, 5), (220, 5),
            (240, 5),
        ),
    ),
    (
        400.0, "MS28046",
        (
            (40, 4), (60, 3), (80, 3), (100, 3), (120, 3), (140, 4), (160, 4), (180, 4), (200, 5), (220, 5),
            (240, 5), (260, 5), (280, 5), (300, 5), (320, 6), (340, 6), (360, 6), (380, 6), (400, 6),
        ),
    ),
)  # fmt: skip


def airspeed_limits(top_kt: float) -> Limits | None:
    """Permitted errors of the indicator whose scale reaches nearest above this; None beyond all of them."""
    for reach, model, rows in _AIRSPEEDS:
        if top_kt <= reach:
            source = f"US Army TM 1-1500-204-23-4, Table 4-1, {model} (columns assigned by their row lengths)"
            return Limits("TM 1-1500-204-23-4 Table 4-1, scale error", source, _EXCERPT, rows)
    return None


_CLIMBS = ((500, 100), (1000, 200), (2000, 300), (3000, 300), (4000, 400), (5000, 500))
VERTICAL_SPEED = Limits(
    "TB 9-4920-457 Table 5, test-set indicator",
    "US Army TB 9-4920-457-35, Table 5, vertical speed indicators of pitot-static test sets, model 6",
    _EXCERPT,
    (*((-rate, limit) for rate, limit in reversed(_CLIMBS)), *_CLIMBS),
)

HEADING = Limits(
    "Instrument Flying Handbook, heading against a known direction",
    "FAA Instrument Flying Handbook, preflight check of the heading indicator: within 5 degrees",
    _EXCERPT,
    tuple((float(heading), 5.0) for heading in range(0, 360, 30)),
)

LEVEL = Limits(
    "Instrument Flying Handbook, level",
    "FAA Instrument Flying Handbook, preflight check of the attitude indicator: within 5 degrees of level",
    _EXCERPT,
    ((0.0, 5.0),),
)
