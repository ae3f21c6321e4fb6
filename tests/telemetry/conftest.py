"""Property tests without a time limit per example: a loaded machine is no mistake of a parser."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("sources", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("sources")
