"""From a reading to an exact motor position: calibration curve, drive, pointer."""
