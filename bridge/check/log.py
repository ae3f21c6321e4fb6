"""A recorded flight: what a panel can fly of it, and what is assumed of what it lacks."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.check.findings import Finding
from bridge.flight.chain import Chain
from bridge.flight.log_defaults import assumed_in
from bridge.panel.load import Panel
from bridge.telemetry.log_contents import contents, summary
from bridge.telemetry.recorded import RecordedFlight


def check_log(panel: Panel, log: RecordedFlight) -> Iterator[Finding]:
    """What `replay` would make of this log, completed with its defaults; reads it to its end."""
    subject = f"log {log.path.name}"
    found = contents(log)
    text = f"It has {summary(log, found)}: {', '.join(sorted(found.seen)) or 'no reading'}."
    yield Finding(
        subject, "contents", "note" if found.seen else "failure", text=text, cure=_no_reading(found.seen)
    )
    for number, assumption in enumerate(log.assumptions, 1):
        yield Finding(
            subject, f"assumption {number}", "note", text=f"{assumption[:1].upper()}{assumption[1:]}."
        )
    chain = Chain(panel, frozenset(found.seen), replayed=True, assumed=assumed_in(log))
    cure = "Fly it without, take a log that has it, or state the value under [fixed]."
    for gauge, why in chain.missing.items():
        yield Finding(gauge, "log", "warning", text=f"{why}.", cure=cure)
    for lamp, why in chain.missing_lamps().items():
        yield Finding(f"lamp {lamp}", "log", "warning", text=f"{why}.", cure=cure)
    for assumption in chain.readings.plan.assumptions:
        derived, origin = assumption.split(" ", 1)
        yield Finding(derived, "log", "note", text=f"Comes {origin}.")


def _no_reading(seen: object) -> str:
    return (
        "" if seen else "Look at the lines that the log names as bad, or describe it in a layout (--layout)."
    )
