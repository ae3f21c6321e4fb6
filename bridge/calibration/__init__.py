"""Calibration at the bench: captured points, the curve that they make, and the file that keeps it."""
