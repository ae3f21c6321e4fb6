"""A short flight through the failures alone: readings in, what instruments feel out."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.instruments.failures.kinds import Failure
from bridge.instruments.failures.stage import Failures

LEVEL = {
    "pressure_altitude": 5000.0, "altimeter_setting": 29.92126, "indicated_altitude": 5000.0,
    "calibrated_airspeed": 100.0, "indicated_airspeed": 100.0, "true_airspeed": 107.7, "vertical_speed": 0.0,
    "heading_magnetic": 90.0, "compass_heading": 90.0, "heading_true": 90.0, "pitch": 2.0, "bank": 0.0,
    "turn_rate": 0.0, "roll_rate": 0.0, "suction": 5.0, "bus_voltage": 28.0, "electrical_power": 100.0,
    "fuel_quantity": 80.0,
}  # fmt: skip


class Flown:
    """Failures, the readings, and the time so far; `fly` feeds ten readings a second."""

    def __init__(self, **readings: float) -> None:
        self.readings: dict[str, float] = {**LEVEL, **readings}
        self.failures = Failures(self.readings)
        self.time_s = 0.0
        self.felt: Mapping[str, float] = {}
        self.fly(1.0)

    def fail(self, *failures: Failure) -> None:
        for failure in failures:
            self.failures.switch_on(self.time_s, failure)

    def fly(self, seconds: float, **readings: float) -> Mapping[str, float]:
        """Hold these readings for so long; what is felt at the end."""
        self.readings |= readings
        for _ in range(round(seconds * 10)):
            self.time_s += 0.1
            self.felt = self.failures.feel(self.time_s, dict(self.readings))
        return self.felt
