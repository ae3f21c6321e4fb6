"""Which motion is nearest to the truth? Followers, play-out and prediction, measured on known flights.

Run from the project's folder: `python -m tests.benchmarks.motion_study`

Telemetry: 20 samples a second, each arriving 0 to 30 ms late, 2 % lost, 1 % doubled, 0.5 % overtaken by
later ones; all from one seed. "source": a sample carries the time it belongs to; "arrival": it does not, and
its time of arrival stands for it. Needles are compared with the truth of the same moment, 100 times a second:
    RMS, max   of the error
    rough      RMS of the needle's velocity less its own mean over 0.21 s: what the eye sees as twitching
Truths are our own shapes, and the recorded flights of replay_logs/ where they are there.
"""

from __future__ import annotations

import csv
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import inf, pi, sin, sqrt
from pathlib import Path as File
from time import perf_counter
from typing import Protocol

from bridge.boards.virtual.follower import Follower
from bridge.motion.motion import Motion
from bridge.motion.path import Limits, Path
from bridge.motion.prediction import Prediction

TICK_S = 0.01
SETTLED_S = 1.0  # errors count from here
LOGS = File(__file__).parents[2] / "replay_logs"

HUNDREDS = Limits(600.0, 4_000.0)  # 2,038 steps a turn of 1,000 ft
SWEEP = Limits(900.0, 6_000.0)


@dataclass(frozen=True, slots=True)
class Truth:
    """What a needle should show: a function of time (s) in the gauge's unit, and the drive behind it."""

    name: str
    at: Callable[[float], float]
    duration_s: float
    limits: Limits
    steps_per_unit: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """Errors in the gauge's unit, roughness in units/s."""

    rms: float
    worst: float
    rough: float


class DrivenPointer(Protocol):
    """What a candidate must do: the two calls of Motion."""

    def target(self, time_s: float, position_steps: float) -> None: ...
    def step(self, time_s: float) -> tuple[float, float]: ...


class Candidate:
    """A needle that follows a goal of its own making."""

    def __init__(self, limits: Limits, position: float, settle_s: float) -> None:
        self.path = Path(limits, position, 0.0, settle_s)
        self.time_s = 0.0

    def goal(self, time_s: float) -> tuple[float, float]:
        raise NotImplementedError

    def step(self, time_s: float) -> tuple[float, float]:
        if time_s > self.time_s:
            self.path.advance(time_s - self.time_s, *self.goal(time_s))
            self.time_s = time_s
        return self.path.position, self.path.velocity


class HoldLast:
    """What a board does without a plan: go to the last target at once, with all that the drive can do."""

    def __init__(self, limits: Limits, position: float) -> None:
        self.board = Follower(
            limits.speed_steps_s, limits.acceleration_steps_s2, -inf, inf, position, time_s=0.0
        )

    def target(self, time_s: float, position_steps: float) -> None:
        self.board.follow(position_steps, 0.0)

    def step(self, time_s: float) -> tuple[float, float]:
        self.board.advance(time_s)
        return self.board.position, self.board.velocity


class PlayOut(Candidate):
    """Shows what was `delay_s` ago, on straight lines between targets; holds the last when it runs out."""

    def __init__(self, limits: Limits, position: float, delay_s: float, settle_s: float) -> None:
        super().__init__(limits, position, settle_s)
        self.delay_s = delay_s
        self.targets = [(-1.0, position)]

    def target(self, time_s: float, position_steps: float) -> None:
        if time_s > self.targets[-1][0]:
            self.targets = [*self.targets[-30:], (time_s, position_steps)]

    def goal(self, time_s: float) -> tuple[float, float]:
        for (then_s, there), (next_s, thence) in pairwise(self.targets):
            if then_s <= time_s - self.delay_s < next_s:
                rate = (thence - there) / (next_s - then_s)
                return there + rate * (time_s - self.delay_s - then_s), rate
        return self.targets[-1][1], 0.0


class Predicted(Candidate):
    """Motion's own prediction and path, with other constants."""

    def __init__(self, limits: Limits, position: float, window_s: float, settle_s: float) -> None:
        super().__init__(limits, position, settle_s)
        self.prediction = Prediction(position, window_s)

    def target(self, time_s: float, position_steps: float) -> None:
        if time_s > self.prediction.time_s:
            self.prediction.add(time_s, position_steps)

    def goal(self, time_s: float) -> tuple[float, float]:
        return self.prediction.at(time_s)


def _climb_ft(time_s: float) -> float:
    """1,500 ft/min, with ripples as of turbulence that make it 2,100 at the most."""
    ripples = ((1.5, 0.31, 0.0), (0.6, 0.83, 1.0), (0.25, 1.7, 2.0), (0.1, 2.9, 3.0))
    return 2_000 + 25.0 * time_s + sum(ft * sin(2 * pi * hz * time_s + start) for ft, hz, start in ripples)


def _levels_ft(time_s: float) -> float:
    """Climbs and descents at 2,000 ft/min, begun and ended within 1.5 s, with level flight between."""
    turns_s = ((2, 1), (14, -1), (25, -1), (40, 1))
    climb_ft_s, change_s = 2_000 / 60, 1.5
    feet = 4_500.0
    for start_s, sign in turns_s:
        since_s = max(time_s - start_s, 0.0)
        changing_s = min(since_s, change_s)
        feet += sign * climb_ft_s * (changing_s**2 / (2 * change_s) + since_s - changing_s)
    return feet


def _waves_ft(time_s: float) -> float:
    """A sine of 50 ft that climbs at 2,000 ft/min at the most."""
    return 3_000 + 50 * sin(2_000 / 60 / 50 * time_s)


def _turn_deg(time_s: float) -> float:
    """Heading in a standard-rate turn, yawing a little."""
    return 3.0 * time_s + 0.3 * sin(2 * pi * 0.7 * time_s)


def _rolls_deg(time_s: float) -> float:
    """Rolled to 30 degrees of bank and back, each within 1.5 s, in rough air."""

    def eased(part: float) -> float:
        part = max(0.0, min(1.0, part))
        return part * part * (3 - 2 * part)

    since_s = time_s % 12
    rough = 0.8 * sin(2 * pi * 0.9 * time_s) + 0.3 * sin(2 * pi * 2.1 * time_s + 1)
    return 30 * (eased(since_s / 1.5) - eased((since_s - 6) / 1.5)) + rough


def truths() -> list[Truth]:
    """Our own shapes: three of a hundreds pointer (ft), a compass card and a bank pointer (deg)."""
    return [
        Truth("climb, ft", _climb_ft, 60.0, HUNDREDS, 2.038),
        Truth("levels, ft", _levels_ft, 50.0, HUNDREDS, 2.038),
        Truth("waves, ft", _waves_ft, 60.0, HUNDREDS, 2.038),
        Truth("turn, deg", _turn_deg, 60.0, HUNDREDS, 2_038 / 360),
        Truth("rolls, deg", _rolls_deg, 60.0, SWEEP, 3.0),
    ]


def recorded() -> list[Truth]:
    """Stretches of the recorded flights, by cubic interpolation (Catmull-Rom) between rows."""
    stretches = [
        ("circuit", "pressure_altitude[ft]", 250.0, HUNDREDS, 2.038),
        ("go-around", "pressure_altitude[ft]", 100.0, HUNDREDS, 2.038),
        ("go-around", "calibrated_airspeed[kt]", 100.0, SWEEP, 945 / 170),
        ("go-around", "bank[deg]", 100.0, SWEEP, 3.0),
    ]
    flown = []
    for flight, column, start_s, limits, steps_per_unit in stretches:
        file = LOGS / f"{flight}.csv"
        if file.exists():
            with file.open(newline="", encoding="utf-8") as lines:
                rows = [(float(row["time[s]"]), float(row[column])) for row in csv.DictReader(lines)]
            quantity, _, unit = column.rstrip("]").partition("[")
            name = f"{flight} {quantity.split('_')[-1]}, {unit}"
            flown.append(Truth(name, _between(rows, start_s), 240.0, limits, steps_per_unit))
    return flown


def _between(rows: list[tuple[float, float]], start_s: float) -> Callable[[float], float]:
    first_s = rows[0][0]
    row_s = (rows[-1][0] - first_s) / (len(rows) - 1)

    def at(time_s: float) -> float:
        whole, part = divmod((time_s + start_s - first_s) / row_s, 1.0)
        i = max(1, min(int(whole), len(rows) - 3))
        a, b, c, d = (value for _, value in rows[i - 1 : i + 3])
        return b + 0.5 * part * (c - a + part * (2 * a - 5 * b + 4 * c - d + part * (3 * (b - c) + d - a)))

    return at


def telemetry(truth: Truth, hz: float = 20.0, seed: int = 1) -> list[tuple[float, float, float]]:
    """Samples as (time of arrival, time they belong to, value), in the order of arrival."""
    chance = random.Random(seed)
    samples = []
    for n in range(int(truth.duration_s * hz)):
        source_s = (n + 0.3) / hz
        arrival_s = source_s + chance.uniform(0.0, 0.030)
        lost, doubled, overtaken = (chance.random() for _ in range(3))
        if lost < 0.02:
            continue
        if overtaken < 0.005:
            arrival_s += 1.2 / hz
        samples.append((arrival_s, source_s, truth.at(source_s)))
        if doubled < 0.01:
            samples.append((arrival_s + chance.uniform(0.0, 0.020), source_s, truth.at(source_s)))
    return sorted(samples)


def fly(
    truth: Truth,
    make: Callable[[Limits, float], DrivenPointer],
    stamped: bool,
    hz: float = 20.0,
    seed: int = 1,
) -> Outcome:
    """Let a needle show this truth; `stamped` when samples carry the time they belong to."""
    scale = truth.steps_per_unit
    needle = make(truth.limits, truth.at(0.0) * scale)
    samples = telemetry(truth, hz, seed)
    shown: list[float] = []
    squares = worst = 0.0
    taken = counted = 0
    for n in range(int(truth.duration_s / TICK_S)):
        now_s = n * TICK_S
        while taken < len(samples) and samples[taken][0] <= now_s:
            arrival_s, source_s, value = samples[taken]
            needle.target(source_s if stamped else arrival_s, value * scale)
            taken += 1
        position = needle.step(now_s)[0] / scale
        if now_s >= SETTLED_S:
            error = position - truth.at(now_s)
            squares += error * error
            worst = max(worst, abs(error))
            counted += 1
            shown.append(position)
    return Outcome(sqrt(squares / counted), worst, roughness(shown))


def roughness(path: list[float], half: int = 10) -> float:
    """RMS of the rate of change less its own mean over `half` ticks before and after, units/s."""
    rates = [(b - a) / TICK_S for a, b in pairwise(path)]
    window = sum(rates[: 2 * half + 1])
    squares = 0.0
    for middle in range(half, len(rates) - half - 1):
        squares += (rates[middle] - window / (2 * half + 1)) ** 2
        window += rates[middle + half + 1] - rates[middle - half]
    return sqrt(squares / (len(rates) - 2 * half - 1))


def candidates() -> dict[str, Callable[[Limits, float], DrivenPointer]]:
    """Every candidate by name; the last one is what the product does."""
    made: dict[str, Callable[[Limits, float], DrivenPointer]] = {"hold last, at once": HoldLast}
    for delay_s in (0.05, 0.08, 0.1, 0.15):
        made[f"play-out {delay_s:.2f} s"] = lambda limits, start, delay_s=delay_s: PlayOut(  # type: ignore[misc]
            limits, start, delay_s, 0.03
        )
    for window_s, settle_s in (
        (0.15, 0.03),
        (0.20, 0.03),
        (0.25, 0.03),
        (0.30, 0.02),
        (0.30, 0.05),
        (0.40, 0.03),
        (0.40, 0.08),
    ):
        made[f"predict {window_s:.2f}, settle {settle_s:.2f}"] = (
            lambda limits, start, window_s=window_s, settle_s=settle_s: Predicted(  # type: ignore[misc]
                limits, start, window_s, settle_s
            )
        )
    made["Motion"] = Motion
    return made


def costs() -> Iterator[tuple[str, float]]:
    """Microseconds of one call, on this machine: what, and how long."""
    chance = random.Random(1)
    for hz in (20, 60):
        targets = [(n / hz, 60.0 * n / hz + chance.random()) for n in range(20_000)]
        motion = Motion(HUNDREDS, 0.0)
        begun = perf_counter()
        for time_s, position in targets:
            motion.target(time_s, position)
        yield f"target() at {hz} Hz", (perf_counter() - begun) / len(targets) * 1e6
    times = [n * TICK_S for n in range(50_000)]
    for what in ("following", "gliding", "still"):
        motion = Motion(HUNDREDS, 0.0)
        if what == "gliding":
            motion.glide_to(1e6)
        spent = 0.0
        for n in range(0, len(times), 5):
            if what == "following":
                motion.target(times[n], 60.0 * times[n] + chance.random())
            begun = perf_counter()
            for time_s in times[n : n + 5]:
                motion.step(time_s)
            spent += perf_counter() - begun
        yield f"step(), {what}", spent / len(times) * 1e6


def main() -> None:
    """Print the tables."""
    for flights in (truths(), recorded()):
        for stamped, hz in ((False, 20.0), (True, 20.0), (False, 60.0)):
            print("\n" + f"{'source' if stamped else 'arrival'} time, {hz:.0f} Hz".ljust(26), end="")
            print("".join(f"{truth.name:>24}" for truth in flights))
            print(" " * 26 + "      RMS    max   rough" * len(flights))
            for name, make in candidates().items():
                row = [fly(truth, make, stamped, hz) for truth in flights]
                print(f"{name:26}" + "".join(f"{o.rms:9.2f}{o.worst:7.2f}{o.rough:8.2f}" for o in row))
    print()
    for what, microseconds in costs():
        print(f"{what:26}{microseconds:7.2f} us")


if __name__ == "__main__":
    main()
