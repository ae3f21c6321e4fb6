"""A panel with every ready gauge, each pointer on a motor that suits it."""

from __future__ import annotations

from typing import Any

from bridge.panel.ready_gauges import ready_gauge, ready_names

_STEPPER = {"output": "step_dir", "homing": "index", "index": {"pin": "A0"}}
_SWEPT = {"output": "gauge_stepper", "homing": "sweep"}


def every_ready_gauge() -> dict[str, Any]:
    """The description as data: a board for each gauge, without pins, and nothing else that differs."""
    drives: dict[str, dict[str, Any]] = {
        "endless": {"motor": "geared-unipolar-5v", "microsteps": 2},
        "bounded": {"motor": "gauge-stepper-315"},
    }
    limits = {"speed_steps_s": 900, "acceleration_steps_s2": 4000}
    data: dict[str, Any] = {"boards": {}, "gauges": {}}
    data["drives"] = {name: drive | limits for name, drive in drives.items()}
    for name in ready_names():
        pointers = ready_gauge(name).described["pointers"]
        channels, own = {}, {}
        for number, (pointer, described) in enumerate(pointers.items()):
            bounded = described["kind"] == "bounded"
            channels[str(number)] = _SWEPT if bounded else {**_STEPPER, "index": {"pin": f"A{number}"}}
            own[pointer] = {"drive": described["kind"], "board": name, "channel": number}
            if bounded:
                own[pointer]["home_deg"] = min(angle for _, angle in described["scale"])
        data["boards"][name] = {"channels": channels}
        data["gauges"][name] = {"like": name, "pointers": own}
    speeds = ("stall_clean_kt", "normal_operating_kt", "never_exceed_kt")
    data["aircraft"] = dict(zip(speeds, (57, 121, 154), strict=True))
    return data
