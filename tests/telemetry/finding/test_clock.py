"""The sender's own clock is found by running as fast as ours, and is written into the layout."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable

import pytest

from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.decoder import Decoded
from bridge.telemetry.finding.history import History
from bridge.telemetry.finding.readings import typed_readings
from bridge.telemetry.finding.search import Moment
from bridge.telemetry.finding.verdict import Result, judge
from bridge.telemetry.finding.written import layout_text
from tests.telemetry.written import layout_of

Send = Callable[[float, float, int], bytes]
"""A datagram by the sender's clock (s), the altitude (ft) and the count of datagrams."""


def flown(send: Send, runs: float = 1.0) -> Result:
    """Ten seconds, of which the simulator is paused for two; two altitudes are read, datagrams come late."""
    draw, rate_hz = random.Random(3), 20
    history, moments = History(), []
    clock_s, start_s = 40.0, 700.0
    for count in range(10 * rate_hz):
        time_s = start_s + count / rate_hz
        if not 4 * rate_hz <= count < 6 * rate_hz:
            clock_s += runs / rate_hz
        altitude_ft = 3000.0 if count < 6 * rate_hz else 5000.0
        history.add("a", send(clock_s, altitude_ft, count), time_s + draw.uniform(0.0, 0.02))
        if count in (6 * rate_hz - 1, 10 * rate_hz - 1):
            history.keep(time_s + 0.1)
            moments.append(
                Moment(tuple(typed_readings(f"altitude {altitude_ft:.0f} ft", CATALOGUE)), time_s + 0.1)
            )
    [family] = history.families
    result = judge(family, moments, CATALOGUE)
    assert result is not None
    return result


@pytest.mark.parametrize(
    ("send", "clock"),
    [
        (lambda t, a, n: struct.pack("<IIdff", n, n * 50, t, a, 7.5), "float64 at 8, s"),
        (lambda t, a, n: struct.pack(">HfIHf", n, a, round(t * 1e3) + 9, n, t // 1), "uint32 at 6, ms"),
        (lambda t, a, n: struct.pack("<fQf", a, round(t * 1e6), 7.5), "uint64 at 4, s x 1e-06"),
        (lambda t, a, n: f"alt={a};n={n};t={t:.3f}".encode(), "key t, s"),
        (lambda t, a, n: f"{n},{a},{t / 3600:.7f},7".encode(), "column 3, h"),
        (lambda t, a, n: f'{{"sim": {{"ms": {t * 1e3:.0f}, "alt": {a}}}}}'.encode(), "path sim.ms, ms"),
    ],
)
def test_the_clock_is_found_and_decoded(send: Send, clock: str) -> None:
    result = flown(send)
    assert str(result.clock) == clock
    decoded = layout_of(layout_text(result)).decoder().decode(send(61.25, 4000.0, 9))
    assert isinstance(decoded, Decoded) and decoded.source_time_s is not None
    assert decoded.source_time_s == pytest.approx(61.25, abs=0.01)
    assert decoded.readings["indicated_altitude"] == pytest.approx(4000.0, abs=1.0)


@pytest.mark.parametrize(
    ("send", "runs"),
    [
        (lambda t, a, n: f"alt={a};n={n};t={t // 1}".encode(), 1.0),  # whole seconds
        (lambda t, a, n: f"alt={a};n={n};t={t}".encode(), 1.5),  # faster than ours
        (lambda t, a, n: f"alt={a};n={n};t={-t}".encode(), 1.0),  # it counts down
        (lambda t, a, n: f"alt={a};n={n};t={t % 3.0}".encode(), 1.0),  # it starts anew
    ],
)
def test_what_is_no_clock_for_needles_is_not_taken_for_one(send: Send, runs: float) -> None:
    result = flown(send, runs)
    assert result.clock is None and "time" not in layout_text(result)
