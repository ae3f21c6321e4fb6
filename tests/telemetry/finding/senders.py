"""Senders made at random: six quantities among constants, counters, noise, and numbers that change slowly.

`Flight` moves the aircraft between readings and types what a person reads off the dials; `envelope` has its
states: feet, knots, degrees, feet a minute.
"""

from __future__ import annotations

import json
import math
import random
import struct
from collections.abc import Callable, Mapping, Sequence

from pymavlink.dialects.v20 import common as mavlink

from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.finding.history import History
from bridge.telemetry.finding.readings import Reading, typed_readings
from bridge.telemetry.finding.search import Moment
from bridge.telemetry.finding.verdict import Result, best_result, judge
from bridge.telemetry.layout_description import CODES, ORDERS

State = Mapping[str, float]
Number = tuple[str, Callable[[State, float, int], float]]
"""How a number is packed, and its value by state, time (s) and count of datagrams."""

# Quantity: from, to, how far readings are apart at least, the step of the dial.
ENVELOPE = {
    "indicated_altitude": (500.0, 9000.0, 500.0, 20.0),
    "indicated_airspeed": (50.0, 200.0, 15.0, 1.0),
    "heading_magnetic": (0.0, 360.0, 40.0, 1.0),
    "pitch": (-18.0, 18.0, 9.0, 1.0),
    "bank": (-50.0, 50.0, 25.0, 1.0),
    "vertical_speed": (-1500.0, 1500.0, 750.0, 100.0),
}
_RADIANS = math.pi / 180
# How each may be sent: type, factor from the unit above, and the offset of a half turn.
_WAYS: Mapping[str, Sequence[tuple[str, float]]] = {
    "indicated_altitude": [
        ("float32", 0.3048), ("float64", 0.3048), ("float32", 1), ("int32", 1), ("int32", 30.48)
    ],
    "indicated_airspeed": [
        ("float32", 1), ("float32", 1852 / 3600), ("float64", 1.852), ("uint16", 185200 / 3600), ("int16", 10)
    ],
    "heading_magnetic": [
        ("float32", 1), ("float32", _RADIANS), ("uint16", 65536 / 360), ("float64", _RADIANS),
        ("int16", 65536 / 360),
    ],
    "pitch": [
        ("float32", 1), ("float32", -1), ("float64", _RADIANS), ("int16", 100), ("int16", 65536 / 360),
        ("float32", -_RADIANS),
    ],
    "bank": [
        ("float32", 1), ("float32", -1), ("float64", _RADIANS), ("int16", 100), ("int16", 65536 / 360),
        ("float32", -_RADIANS),
    ],
    "vertical_speed": [("float32", 1), ("float32", 1 / 60), ("float64", 0.00508), ("int16", 0.508)],
}  # fmt: skip


def _sent(quantity: str, draw: random.Random) -> Number:
    kind, factor = draw.choice(_WAYS[quantity])
    halved = quantity == "heading_magnetic" and draw.random() < 0.3  # from -180 to 180

    def value(state: State, time_s: float, count: int) -> float:
        here = state[quantity]
        return ((here + 180) % 360 - 180 if halved else here) * factor

    return kind, value


def _decoy(draw: random.Random, present: Sequence[str]) -> Number:
    kind = draw.choice(list(CODES))
    choice = draw.random()
    if choice < 0.3:
        constant = draw.uniform(-1000, 5000)
        return kind, lambda state, time_s, count: constant
    if choice < 0.45:
        step = draw.randrange(1, 100)
        return kind, lambda state, time_s, count: count * step
    if choice < 0.65:
        noise, size = random.Random(draw.random()), 10 ** draw.uniform(-2, 4)
        return kind, lambda state, time_s, count: noise.gauss(0, size)
    if choice < 0.92 or not present:
        size, pace, start = 10 ** draw.uniform(-1, 4), draw.uniform(0.01, 0.3), draw.uniform(0, 6)
        kind = draw.choice(["float32", "float64", "int16", "int32"])
        return kind, lambda state, time_s, count: size * math.sin(pace * time_s + start)
    quantity = draw.choice(present)
    aside = draw.choice([-5, -3, 3, 5]) * ENVELOPE[quantity][3]  # a target, another source of the same
    return "float32", lambda state, time_s, count: state[quantity] + aside


class Sender:
    """One that sends `fields` numbers, the six quantities but for the `absent` ones among them.

    `kind` is one of packed-little, packed-big, groups, columns, labelled, keyvalue, json, mavlink.
    """

    def __init__(self, draw: random.Random, kind: str, fields: int, absent: Sequence[str] = ()) -> None:
        self.kind = kind
        present = [quantity for quantity in ENVELOPE if quantity not in absent]
        numbers = [_sent(quantity, draw) for quantity in present]
        numbers += [_sent(quantity, draw) for quantity in draw.sample(present, min(2, len(present)))]
        numbers += [_decoy(draw, present) for _ in range(fields - len(numbers))]
        draw.shuffle(numbers)
        self._numbers = numbers
        self._count = 0
        self._draw = draw

    def datagrams(self, state: State, time_s: float) -> list[bytes]:
        """What is sent at this time; a groups sender varies the order of its groups."""
        self._count += 1
        values = [value(state, time_s, self._count) for _, value in self._numbers]
        if self.kind.startswith("packed"):
            order = ORDERS[self.kind.removeprefix("packed-")]
            return [
                b"".join(_packed(order, kind, v) for (kind, _), v in zip(self._numbers, values, strict=True))
            ]
        if self.kind == "groups":
            groups = [values[i : i + 4] for i in range(0, len(values) // 4 * 4, 4)]
            packed = [struct.pack(">H4f", 100 + 7 * i, *group) for i, group in enumerate(groups)]
            self._draw.shuffle(packed)
            return [b"GRP\x01" + b"".join(packed)]
        if self.kind == "mavlink":
            return _frames(state, self._count)
        texts = [f"{v:.3f}" for v in values]
        if self.kind == "columns":
            return [("DATA," + ",".join(texts) + "\r\n").encode()]
        if self.kind == "labelled":
            labels = ["<NAMES>", *(f"number {i}" for i in range(len(texts)))]
            named = [",".join(labels).encode()] if self._count % 50 == 1 else []
            return [*named, ",".join(texts).encode()]
        if self.kind == "keyvalue":
            return [("AIR " + ";".join(f"k{i}={text}" for i, text in enumerate(texts))).encode()]
        document = {"state": {"all": [round(v, 4) for v in values[::2]]}}
        return [json.dumps(document | {f"n{i}": v for i, v in enumerate(values[1::2])}).encode()]


def _frames(state: State, count: int) -> list[bytes]:
    """Messages as pymavlink makes them from the published definitions, each in a datagram of its own."""
    pitch, bank = math.radians(state["pitch"]), math.radians(state["bank"])
    heading, climb = state["heading_magnetic"], state["vertical_speed"] * 0.00508
    altitude_m, speed_m_s = state["indicated_altitude"] * 0.3048, state["indicated_airspeed"] * 1852 / 3600
    yaw = math.radians((heading + 180) % 360 - 180)
    sender = mavlink.MAVLink(None, srcSystem=7, srcComponent=1)
    messages = [
        mavlink.MAVLink_attitude_message(count, bank, pitch, yaw, 0.01, 0.02, 0.03),
        mavlink.MAVLink_vfr_hud_message(speed_m_s, speed_m_s * 1.2, round(heading), 60, altitude_m, climb),
        mavlink.MAVLink_global_position_int_message(
            count, 10, 20, round(altitude_m * 1000), 5000, 3, 4, round(-climb * 100), round(heading * 100)
        ),
    ]
    return [bytes(message.pack(sender)) for message in messages]


def _packed(order: str, kind: str, value: float) -> bytes:
    code = CODES[kind]
    if code in "fd":
        return struct.pack(order + code, value)
    bits = 8 * struct.calcsize(code)
    number = round(value) % (1 << bits)
    if not kind.startswith("u") and number >> (bits - 1):
        number -= 1 << bits
    return struct.pack(order + code, number)


class Flight:
    """A flight of as many readings, typed as a person reads dials, and all that the senders sent in it."""

    def __init__(self, draw: random.Random, *senders: Sender, readings: int = 3) -> None:
        self._senders = senders
        self.history = History()
        self.moments: list[Moment] = []
        self.states: list[State] = []
        time_s = 0.0
        state: State = {}
        for _ in range(readings):
            old, state = state, _apart_from(self.states, draw)
            self.states.append(state)
            for i in range(1, 26) if old else ():
                time_s += 1.0
                self._send({q: old[q] + (state[q] - old[q]) * i / 25 for q in state}, time_s)
            for _ in range(20):
                time_s += 0.1
                # Held as well as a pilot holds it.
                self._send({q: v + draw.gauss(0, ENVELOPE[q][3] / 10) for q, v in state.items()}, time_s)
            self.history.keep(time_s)
            self.moments.append(Moment(tuple(typed_readings(typed(state), CATALOGUE)), time_s))

    def _send(self, state: State, time_s: float) -> None:
        for port, sender in enumerate(self._senders, 4000):
            for datagram in sender.datagrams(state, time_s):
                self.history.add(f"127.0.0.1:{port}", datagram, time_s)

    def results(self) -> list[Result]:
        """Of each family."""
        found = (judge(family, self.moments, CATALOGUE) for family in self.history.families)
        return [result for result in found if result]

    def result(self) -> Result:
        """The one that fits best."""
        best = best_result(self.results())
        assert best is not None
        return best


def _apart_from(states: Sequence[State], draw: random.Random) -> State:
    """A state of which every quantity differs well from those before."""
    state: dict[str, float] = {}
    for quantity, (low, high, least, _) in ENVELOPE.items():
        while True:
            value = draw.uniform(low, high)
            if all(abs(value - before[quantity]) >= least for before in states):
                break
        state[quantity] = value
    return state


def typed(state: State) -> str:
    """What somebody types who reads the dials."""
    return ", ".join(
        f"{quantity} {round(state[quantity] / step) * step:g} {CATALOGUE[quantity].unit}"
        for quantity, (_, _, _, step) in ENVELOPE.items()
    )


def any_state(draw: random.Random) -> State:
    """Some state of the envelope."""
    return {quantity: draw.uniform(low, high) for quantity, (low, high, _, _) in ENVELOPE.items()}


def tolerance(moments: Sequence[Moment], quantity: str) -> float:
    """That of the readings of a quantity."""
    found: list[Reading] = [r for moment in moments for r in moment.readings if r.quantity == quantity]
    return max(reading.tolerance for reading in found)
