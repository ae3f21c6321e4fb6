"""The check of a whole panel, and of one case: which checks, in which order."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import combinations, pairwise
from math import hypot

from bridge.boards.homing import SPEED_SHARE
from bridge.check import defaults
from bridge.check.backlash import check_backlash
from bridge.check.case import Case, Load, load_of
from bridge.check.electrics import check_board, check_motor_electrics, check_output
from bridge.check.findings import Finding, at_most, measured, number
from bridge.check.gearing import Gearing, check_counted_teeth, check_gearing
from bridge.check.lamps import check_lamp
from bridge.check.resolution import check_resolution
from bridge.check.speed import check_speed
from bridge.check.torque import check_torque
from bridge.check.travel import check_travel
from bridge.errors import DescriptionErrors
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.flight.chain import Chain
from bridge.gauges.curve import Curve
from bridge.gauges.pointer import Pointer
from bridge.hardware.microcontrollers import PARTS
from bridge.panel.expected import longest_homing_s
from bridge.panel.face import Scale
from bridge.panel.gauge_description import GaugeDescription
from bridge.panel.load import Panel, shipped_motors
from bridge.wiring.sheet import board_sheet

_INTERVALS = 200
HOMING_GOOD_S, HOMING_BEARABLE_S = 30.0, 300.0
"""At each start somebody waits for it (common practice, no source)."""


def check_case(case: Case) -> Iterator[Finding]:
    """Everything about one drive but its electrics."""
    yield from check_travel(case)
    if case.motor.kind != "continuous_servo":  # without a place there is nothing to resolve or to lag
        yield from check_resolution(case)
        yield from check_speed(case)
        yield from check_backlash(case)
    yield from check_torque(case)


def check_panel(panel: Panel) -> list[Finding]:
    """All findings of a loaded panel: telemetry, then pointer by pointer, then motors and boards."""
    return [*_telemetry(panel), *_panel(panel)]


def _telemetry(panel: Panel) -> Iterator[Finding]:
    """What the gauges need and the panel's own sources don't provide, and what is assumed instead."""
    if not panel.layouts:
        return
    chain = Chain(panel, frozenset[str]().union(*(layout.given for layout in panel.layouts.values())))
    for gauge, why in chain.missing.items():
        cure = "Add the field to a layout, or the value under [fixed]."
        yield Finding(gauge, "telemetry", "failure", text=f"{why}.", cure=cure)
    for lamp, why in chain.missing_lamps().items():
        cure = "Add the field to a layout, or the value under [fixed]."
        yield Finding(f"lamp {lamp}", "telemetry", "failure", text=f"{why}.", cure=cure)
    for assumption in chain.readings.plan.assumptions:
        derived, origin = assumption.split(" ", 1)
        yield Finding(derived, "assumption", "note", text=f"Comes {origin}.")


def _panel(panel: Panel) -> Iterator[Finding]:
    description = panel.description
    for pointer in panel.pointers:
        case = pointer_case(panel, pointer)
        board = description.boards[pointer.board]
        yield from check_case(case)
        output = board.channels[pointer.channel].output
        yield from check_output(case.subject, case.drive, output)
        part = PARTS[board.part]
        yield from check_motor_electrics(case.subject, case.motor, output, board.supply_v, part)
    yield from _homing(panel)
    yield from _homing_together(panel)
    yield from _parking(panel)
    yield from _unused(panel)
    yield from _overlaps(panel)
    for name, gauge in description.gauges.items():
        for gearing in _gearings(panel, name, gauge):
            yield from check_gearing(gearing, description.teeth)
        yield from _face(panel, name)
    shipped = shipped_motors()
    for name, motor in description.motors.items():
        yield from check_counted_teeth(name, motor, shipped)
    for name, board in description.boards.items():
        yield from check_board(name, board, board_sheet(description, panel.motors, name))
        for lamp in panel.board_lamps(name):
            yield from check_lamp(lamp.name, board.lamps[lamp.number], board)


def _face(panel: Panel, gauge: str) -> Iterator[Finding]:
    """What keeps the gauge's face, cards and pointers from being drawn: `faces` would refuse them."""
    try:
        gauge_parts(panel_gauge(panel, gauge))
    except DescriptionErrors as faults:
        for number, fault in enumerate(faults.errors, 1):
            text = f"{fault.key}: found {fault.found}; expected {fault.expected}."
            check = f"face {number}" if len(faults.errors) > 1 else "face"
            yield Finding(gauge, check, "failure", text=text, cure=f"{fault.cure}.")


def _homing(panel: Panel) -> Iterator[Finding]:
    """How long each pointer looks for its home position, at the start and after a reset."""
    for board in panel.description.boards:
        for pointer in panel.board_pointers(board):
            longest_s = longest_homing_s(panel, board)[pointer.channel]
            if not longest_s:
                continue
            channel = panel.description.boards[board].channels[pointer.channel]
            speed = pointer.drive.speed_steps_s * SPEED_SHARE
            text = f"Homing by {channel.homing} takes at most {number(longest_s)} s."
            severity = at_most(longest_s, HOMING_GOOD_S, HOMING_BEARABLE_S)
            cure = ""
            if severity != "ok":
                cure = "Raise the drive's speed, gear it up, or put the sensor on a quicker arbor."
            formula = f"{number(longest_s * speed)} steps / {number(speed)} steps/s, a quarter of its speed"
            yield measured(
                pointer.key,
                "homing",
                severity,
                longest_s,
                HOMING_GOOD_S,
                "s",
                formula=formula,
                text=text,
                cure=cure,
            )


def _homing_together(panel: Panel) -> Iterator[Finding]:
    """How long the start takes at most: of a board, all channels are homed at once, and all boards too."""
    longest_s: dict[str, float] = {}
    for board in panel.description.boards:
        homing_s = {channel: s for channel, s in longest_homing_s(panel, board).items() if s}
        if homing_s:
            longest_s[board] = max(homing_s.values())
            text = f"All its pointers are at home after {number(longest_s[board])} s at most."
            formula = (
                f"the longest of {', '.join(f'{number(s)} s' for s in homing_s.values())}, homed at once"
            )
            yield Finding(
                f"board {board}", "homing", "ok", value=longest_s[board], unit="s", formula=formula, text=text
            )
    if longest_s:
        whole_s = max(longest_s.values())
        text = f"The whole panel is at home {number(whole_s)} s after its start at most."
        formula = ", ".join(f"{board} {number(s)} s" for board, s in longest_s.items())
        formula = f"the longest of {formula}, homed at once"
        yield Finding("panel", "homing", "note", value=whole_s, unit="s", formula=formula, text=text)


def _parking(panel: Panel) -> Iterator[Finding]:
    """Pointers without a described park position."""
    if panel.description.rest.behaviour != "park":
        return
    for pointer in panel.pointers:
        described = panel.description.gauges[pointer.gauge].pointers[pointer.name]
        if "park" not in described.model_fields_set:
            text = f"It parks at {number(described.park)} {pointer.unit}, since nothing else is written."
            yield Finding(pointer.key, "park", "note", text=text)


def _unused(panel: Panel) -> Iterator[Finding]:
    """What the description has and nothing uses: a stop of the motor for homing, buttons, knobs, a port."""
    description = panel.description
    setting = description.altimeter_setting
    for name, board in description.boards.items():
        for pointer in panel.board_pointers(name):
            drive = description.drives[description.gauges[pointer.gauge].pointers[pointer.name].drive]
            has_stop = panel.motors[drive.motor].kind == "gauge_stepper"
            if has_stop and board.channels[pointer.channel].homing == "last":
                text = "Homed by 'last', it asks at every start where its needle is; its motor has a stop."
                cure = "Write homing = 'sweep', and home_deg for the face angle at that stop."
                yield Finding(pointer.key, "homing", "warning", text=text, cure=cure)
        used = {lamp.knob.input for lamp in panel.lamps if lamp.knob and lamp.knob.board == name}
        used |= {control.input for control in description.controls.values() if control.board == name}
        for place, given in board.inputs.items():
            if place in used:
                continue
            if setting.source == "knob" and (setting.board, setting.input) == (name, place):
                continue
            text = f"Nothing uses the {given.kind} at input {place}."
            yield Finding(f"board {name}", "input", "note", text=text)
        if board.is_virtual and (board.port is not None or board.topic is not None):
            key, link = ("topic", "mqtt") if board.port is None else ("port", "serial")
            text = f"It has a {key} and is virtual all the same: nothing is sent there."
            cure = f"Write link = '{link}' beside its {key}, or delete that."
            yield Finding(f"board {name}", "link", "warning", text=text, cure=cure)


def _overlaps(panel: Panel) -> Iterator[Finding]:
    """Gauges whose places on the panel leave no room for both: square bezels, or round faces without."""
    gauges = panel.description.gauges
    overlapped: dict[str, list[str]] = {}
    for (name, gauge), (other_name, other) in combinations(gauges.items(), 2):
        if gauge.place is None or other.place is None:
            continue
        across, down = (abs(a - b) for a, b in zip(gauge.place, other.place, strict=True))
        are_round = gauge.face.bezel is None and other.face.bezel is None
        apart_mm = hypot(across, down) if are_round else max(across, down)
        if apart_mm < (_across_mm(gauge) + _across_mm(other)) / 2:
            overlapped.setdefault(name, []).append(other_name)
    for name, others in overlapped.items():
        text = f"Overlaps {', '.join(others)} where their places are."
        yield Finding(name, "place", "note", text=text, cure="Move one of them, or correct its place.")


def _across_mm(gauge: GaugeDescription) -> float:
    bezel = gauge.face.bezel
    return gauge.face.diameter_mm if bezel is None else bezel.side_mm


def pointer_case(panel: Panel, pointer: Pointer) -> Case:
    """What one pointer of a panel asks of its drive."""
    gauge = panel.description.gauges[pointer.gauge]
    described = gauge.pointers[pointer.name]
    drive = panel.description.drives[described.drive]
    channel = panel.description.boards[pointer.board].channels[pointer.channel]
    quantity = panel.catalogue[pointer.indication]
    curve = pointer.rising
    unit_per_deg, deg_per_unit = slopes(curve, *_marked(gauge, pointer))
    span = curve.period or curve.high - curve.low
    stops = described.stops_deg or (curve.angles[0], curve.angles[-1])
    share = pointer.unit_share  # what is known of a quantity is in its own unit
    fastest, fastest_from = defaults.fastest_per_s(quantity, span / share)
    given, own = panel.description.aircraft.fastest.get(pointer.indication), described.fastest
    if own is not None:
        fastest, fastest_from = own / share, "fastest of this pointer"
    if given is not None:
        fastest, fastest_from = given, "aircraft.fastest"
    allowed, allowed_from = defaults.tolerance(quantity, span / share, pointer.endless)
    return Case(
        subject=pointer.key,
        motor_name=drive.motor,
        motor=panel.motors[drive.motor],
        drive=drive,
        load=sum(_carried(gauge, pointer.name), start=load_of(described)),
        unit=pointer.unit,
        endless=pointer.endless,
        span=span,
        span_deg=360.0 if pointer.endless else abs(stops[1] - stops[0]),
        unit_per_deg=unit_per_deg,
        deg_per_unit=deg_per_unit,
        fastest=fastest * share,
        fastest_from=fastest_from,
        tolerance=described.tolerance or allowed * share,
        tolerance_from="tolerance" if described.tolerance else allowed_from,
        length_mm=described.length_mm,
        altitude=pointer.indication.endswith("altitude") and span == _finest(gauge),
        two_way=pointer.falling is not pointer.rising,
        smallest_mark=_smallest_mark(gauge, pointer.name),
        index_mark=channel.index is not None,
        fastest_cure="" if given else _fastest_cure(pointer, quantity.unit),
    )


def _fastest_cure(pointer: Pointer, unit: str) -> str:
    return (
        f" If it never changes so fast, write under [aircraft] fastest = {{ {pointer.indication} = ... }},"
        f" in {unit} per s."
    )


def slopes(curve: Curve, low: float, high: float) -> tuple[float, float]:
    """The most that a degree is worth (unit/deg), and the most degrees that a unit takes, low to high."""
    width = (high - low) / _INTERVALS
    angles = [curve(low + i * width) for i in range(_INTERVALS + 1)]
    turned = [abs(after - before) for before, after in pairwise(angles)]
    return width / min(turned), max(turned) / width


def _carried(gauge: GaugeDescription, driven: str) -> Iterator[Load]:
    """The loads of the pointers that wheels turn from this one, as it feels them."""
    for name, geared in gauge.geared.items():
        if gauge.driven_by(name) == driven:
            yield load_of(geared).behind(gauge.turns_of_root(name))


def _gearings(panel: Panel, gauge_name: str, gauge: GaugeDescription) -> Iterator[Gearing]:
    for name, geared in gauge.geared.items():
        above = gauge.geared.get(geared.geared_to) or gauge.pointers[geared.geared_to]
        root = next(p for p in panel.pointers if p.key == f"{gauge_name}.{gauge.driven_by(name)}")
        quantity, share = panel.catalogue[root.indication], root.unit_share
        assert above.per_turn is not None  # the description lets an endless pointer only be geared to
        allowed, _ = defaults.tolerance(quantity, geared.per_turn / share, True)
        yield Gearing(
            subject=f"{gauge_name}.{name}",
            driver=geared.geared_to,
            driven=name,
            gears=geared.gears,
            needed=Fraction(str(geared.per_turn)) / Fraction(str(above.per_turn)),
            per_turn=geared.per_turn,
            unit=root.unit,
            tolerance=geared.tolerance or allowed * share,
            backlash_deg=geared.backlash_deg,
        )


def _finest(gauge: GaugeDescription) -> float | None:
    """The change of reading for one turn of the gauge's quickest endless pointer."""
    return min((pointer.per_turn for pointer in gauge.pointers.values() if pointer.per_turn), default=None)


def _scales(gauge: GaugeDescription, name: str) -> Iterator[Scale]:
    """The scales in this pointer's own unit, on the face and on its card."""
    first = next(iter(gauge.pointers))
    card = gauge.face.cards.get(name)
    for own, sheet in ((first, gauge.face), (name, card)):
        for scale in sheet.scales if sheet else ():
            if scale.unit is None and (scale.pointer or own) == name:
                yield scale


def _smallest_mark(gauge: GaugeDescription, name: str) -> float | None:
    """The finest marks that the face, or this pointer's card, has for it."""
    steps = (s for scale in _scales(gauge, name) for s in (scale.major, scale.medium, scale.minor) if s)
    return min(steps, default=None)


def _marked(gauge: GaugeDescription, pointer: Pointer) -> tuple[float, float]:
    """The readings that the face has marks for: beyond them nobody reads. The whole curve without marks."""
    curve = pointer.rising
    scales = list(_scales(gauge, pointer.name))
    if not scales or curve.period is not None:
        return curve.low, curve.high
    low = max(curve.low, min(scale.low for scale in scales))
    high = min(curve.high, max(scale.high for scale in scales))
    return (low, high) if low < high else (curve.low, curve.high)
