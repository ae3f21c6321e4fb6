"""A test flown on virtual boards, in its own time: hours of holding still take seconds."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from bridge.errors import BridgeError
from bridge.flight.dry_run import DryRun
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel
from bridge.proof.feed import Feed
from bridge.proof.run import ProofRun, needle_of
from bridge.telemetry.source import Arrival

FEED_S = 0.05
_LONGEST_STEP_S = 600.0

Hand = Callable[[DryRun, float], None]
"""Turns the altimeter's knob until the altimeter is set to this (inHg)."""

Saw = Callable[[float, bool], None]
"""Called at every tick with where the motor really is (steps), and whether the reading comes down."""


class NotSettledError(BridgeError):
    """A needle that never came to rest where it was to be read."""


def set_knob(dry_run: DryRun, setting_inhg: float) -> None:
    """Turn the knob of the altimeter setting until it is set to this, as nearly as its detents allow."""
    described = dry_run.running.panel.description.altimeter_setting
    now_inhg = dry_run.running.knob_setting_inhg
    assert described.board is not None and now_inhg is not None, "the setting is a knob's"
    clicks = round((setting_inhg - now_inhg) / described.inhg_per_count)
    dry_run.boards[described.board].board.turn_knob(described.input, clicks)


def fly(
    panel: Panel,
    pointer: Pointer,
    run: ProofRun,
    read: Callable[[float, bool], float | None],
    saw: Saw | None = None,
    hand: Hand = set_knob,
) -> Iterator[float | None]:
    """Go through the test; yields each reading, which `run` has taken already.

    `read` is called with where the motor is (steps) and whether the reading comes down; it may find nothing
    to read. Raises
    NotSettledError for a needle that does not come to rest within ten minutes.
    """
    feed = Feed(panel, pointer)

    def arrivals() -> Iterator[Arrival]:
        n = 0
        while run.step is not None:
            yield Arrival(n * FEED_S, feed.readings(run.place))
            n += 1

    dry_run = DryRun(panel, feed.given, arrivals())
    address = pointer.board, pointer.channel
    since_s = 0.0
    for time_s in dry_run.ticks():
        running = dry_run.running
        falling = running.chain.pointers[address].direction.falling
        place = dry_run.boards[pointer.board].board.channel(pointer.channel).place
        if saw is not None:
            saw(place, falling)
        if (setting := run.asked_setting) is not None:
            hand(dry_run, setting)
            run.confirm_setting()
        run.tick(time_s, needle_of(running, address))
        if run.due:
            reading = read(place, falling)
            run.take(reading)
            since_s = time_s
            yield reading
        elif time_s - since_s > _LONGEST_STEP_S and run.step is not None:
            state = running.sessions[pointer.board].channels[pointer.channel]
            raise NotSettledError(
                f"{pointer.key}: not at rest at {run.step.wanted:g} {pointer.unit} after "
                f"{_LONGEST_STEP_S:g} s (channel {state.phase.value} {state.detail})"
            )
