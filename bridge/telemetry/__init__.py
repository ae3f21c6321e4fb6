"""Telemetry sources: datagram layouts, UDP, flight logs and their replay."""
