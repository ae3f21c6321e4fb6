"""Pointer Bridge: flight simulator telemetry in, instrument needles out."""
