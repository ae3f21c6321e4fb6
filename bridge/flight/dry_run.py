"""A recorded flight on virtual boards, in the flight's own time.

The time base is the log's: readings are taken at their times, a tick comes every 1/tick_hz seconds
from the first row on, and virtual boards run on the same clock. Nothing here waits or reads a
clock, so a flight yields the same frames, byte for byte, however fast it is asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from bridge.boards.messages import Homing
from bridge.boards.runner import InstantBoard
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.channel import VirtualChannelSpec
from bridge.flight.chain import homes
from bridge.flight.notice_log import NoticeLog
from bridge.flight.running_panel import RunningPanel
from bridge.gauges.pointer import Pointer
from bridge.instruments.failures.scenario import Scenario
from bridge.panel.expected import expected_channels, expected_lamps, longest_homing_s
from bridge.panel.load import Panel
from bridge.telemetry.source import Arrival

_GLIDE_S = 30.0
"""After homing, pointers get this long to glide to the first row."""
_PREPARE_FEED_TICKS = 10


def virtual_board(panel: Panel, name: str) -> VirtualBoard:
    """A virtual board that has just what this board is described with."""
    described = panel.description.boards[name]
    channels = []
    for expected, pointer in zip(expected_channels(panel, name), panel.board_pointers(name), strict=True):
        marked = described.channels[pointer.channel].index is not None
        turn = pointer.mark_steps if marked else None
        at_home = expected.limits.homing == Homing.LAST_POSITION  # there is no user to look where it is
        pointer_at = 0.0 if at_home else -20.0
        channels.append(VirtualChannelSpec(expected.limits, turn, pointer_at, _own_stops(panel, pointer)))
    board_id = bytes.fromhex(described.id) if described.id else name.encode()[:8].ljust(8, b"\0")
    return VirtualBoard(channels, board_id, described.watchdog_ms, expected_lamps(panel, name))


def _own_stops(panel: Panel, pointer: Pointer) -> tuple[float, float] | None:
    """Where the pointer's motor can't turn on, in steps from home; without homing, the ends of the scale."""
    described = panel.description
    motor = panel.motors[described.drives[described.gauges[pointer.gauge].pointers[pointer.name].drive].motor]
    low, high = pointer.drive.low_steps, pointer.drive.high_steps
    if motor.travel_deg and described.boards[pointer.board].channels[pointer.channel].homing == "last":
        low, high = pointer.reach_low_steps, pointer.reach_high_steps
    return None if low is None or high is None else (low, high)


class DryRun:
    """Flies rows of readings through a running panel and its virtual boards.

    `arrivals` come in rising time (seconds), which is the time base; `given` names the quantities
    in them, `assumed` those of them that the log lacks, `scenario` has the failures of the flight.
    """

    def __init__(
        self,
        panel: Panel,
        given: frozenset[str],
        arrivals: Iterable[Arrival],
        assumed: frozenset[str] = frozenset(),
        scenario: Scenario | None = None,
    ) -> None:
        self.running = RunningPanel(
            panel, given, homes(panel), replayed=True, assumed=assumed, scenario=scenario
        )
        self.boards = {
            name: InstantBoard(session, virtual_board(panel, name))
            for name, session in self.running.sessions.items()
        }
        self._arrivals = iter(arrivals)
        self._time_s = 0.0
        self._notice_log = NoticeLog()

    def read_again(self, given: frozenset[str], assumed: frozenset[str]) -> None:
        """The log has these quantities from now on, of which those in `assumed` it lacks."""
        before = self.running
        self.running = RunningPanel(before.panel, given, homes(before.panel), before, assumed=assumed)

    def reload(self, panel: Panel) -> None:
        """Swap the description; boards that it leaves as they are go on, others restart."""
        before = self.running
        self.running = RunningPanel(panel, before.chain.given, homes(panel), before)
        for name, session in self.running.sessions.items():
            if before.sessions.get(name) is not session:
                self.boards[name] = InstantBoard(session, virtual_board(panel, name))
                self.boards[name].start(self._time_s)
        for name in self.boards.keys() - self.running.sessions.keys():
            del self.boards[name]

    def ticks(self) -> Iterator[float]:
        """Fly; yields the time after each tick. Homing comes first, and yields nothing."""
        arrival = next(self._arrivals, None)
        if arrival is None:
            return
        start_s = arrival.arrival_s
        self._prepare(start_s, arrival.readings)
        tick_s = 1.0 / self.running.panel.description.tick_hz
        ticks = 0
        while arrival is not None:
            time_s = start_s + ticks * tick_s  # no sum, so nothing accumulates
            while arrival is not None and arrival.arrival_s <= time_s + 1e-9:
                self.running.feed(
                    arrival.arrival_s, arrival.readings, arrival.jumped, between=arrival.between
                )
                arrival = next(self._arrivals, None)
            self._tick(time_s)
            yield time_s
            ticks += 1
            if tick_s != 1.0 / self.running.panel.description.tick_hz:  # a new description
                tick_s = 1.0 / self.running.panel.description.tick_hz
                start_s, ticks = time_s, 1

    def _prepare(self, start_s: float, readings: Mapping[str, float]) -> None:
        """Home the pointers and set them to the first row, in the seconds before it."""
        panel = self.running.panel
        tick_s = 1.0 / panel.description.tick_hz
        homing_s = (s for board in panel.description.boards for s in longest_homing_s(panel, board).values())
        prepare_s = max(homing_s, default=0.0) + _GLIDE_S
        time_s = start_s - prepare_s
        for board in self.boards.values():
            board.start(time_s)
        for tick in range(round(prepare_s / tick_s)):
            time_s = start_s - prepare_s + tick * tick_s
            if tick % _PREPARE_FEED_TICKS == 0:
                self.running.prepare(time_s, readings)
            self._tick(time_s)

    def _tick(self, time_s: float) -> None:
        self._time_s = time_s
        moves = self.running.tick(time_s)
        self._notice_log.log(time_s, self.running.take_notices())
        for name, positions, velocities in moves:
            self.boards[name].move(time_s, positions, velocities)
        for name, levels in self.running.lights():
            self.boards[name].light(time_s, levels)
