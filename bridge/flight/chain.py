"""From readings to the path of every pointer: all that lies between telemetry and boards.

    readings -> derivation -> failures -> instruments -> pointers -> motion

Pure: no I/O, no clock; times are seconds on one time base that the caller chooses. The same
arrivals and steps at the same times yield the same positions, bit for bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial

from bridge.flight.ages import Losses, age_of
from bridge.flight.conditions import Conditions
from bridge.flight.driven_pointer import DrivenPointer, driven_pointer
from bridge.flight.lamps import Lamps
from bridge.flight.readings import NOTHING, Readings
from bridge.flight.training import Training
from bridge.instruments.derivation import Plan, make_plan
from bridge.instruments.failures.kinds import Failure
from bridge.instruments.failures.scenario import Scenario
from bridge.instruments.failures.stage import IN_LINES
from bridge.instruments.instruments import Instrument
from bridge.panel.load import Panel

PointerAddress = tuple[str, int]
"""Board and channel."""


def _made_alike(gauge: str, instrument: Instrument, before: Panel, after: Panel) -> bool:
    """Whether the panel after would make the same instrument for this gauge as the panel before has."""
    was, now = before.description.gauges[gauge], after.description.gauges[gauge]
    names = (*instrument.needs, *instrument.uses)
    return (was.instrument, was.options) == (now.instrument, now.options) and all(
        before.catalogue.get(name) == after.catalogue.get(name) for name in names
    )


def homes(panel: Panel) -> dict[PointerAddress, float]:
    """The position of each pointer at its home position, in steps."""
    return {(p.board, p.channel): p.drive.zero_steps for p in panel.pointers}


@dataclass(frozen=True, slots=True)
class _Gauge:
    """One gauge at work: its instrument, the pointers that follow it now, the quantities that it rests on,
    and the readings that it follows."""

    instrument: Instrument
    pointers: tuple[DrivenPointer, ...]
    rests_on: frozenset[str]
    follows: frozenset[str]


class Chain:
    """The panel's pointers, driven by readings.

    `given` names the quantities that will arrive. With `before`, a chain that ran until now, pointers keep
    their positions and gauges with the same instrument keep its dynamics: that is how a new
    description takes over while flying.

    The altimeter setting of a knob starts from `setting_inhg`, what it was last, or else from the
    description. In a `replayed` flight a log that holds the setting moves it instead of the knob; what of it
    is in `assumed` (that of `before` where it is None) the log does not have.
    `scenario` has the failures of the flight.
    """

    def __init__(
        self,
        panel: Panel,
        given: frozenset[str],
        before: Chain | None = None,
        *,
        setting_inhg: float | None = None,
        replayed: bool = False,
        assumed: frozenset[str] | None = None,
        scenario: Scenario | None = None,
    ) -> None:
        described = panel.description
        self.panel = panel
        self.given = given
        self.replayed: bool = before.replayed if before else replayed
        if assumed is None:
            assumed = before.assumed if before else frozenset()
        self.assumed: frozenset[str] = assumed
        self._instruments = {gauge: panel.instrument(gauge) for gauge in described.gauges}
        own = dict(described.fixed)
        self.setting_source = self._setting_source()
        if self.setting_source == "knob":
            last = before.readings.values.get("altimeter_setting") if before else setting_inhg
            own["altimeter_setting"] = described.altimeter_setting.inhg if last is None else last
        elif described.altimeter_setting.source == "fixed":
            own["altimeter_setting"] = described.altimeter_setting.inhg
        self.set_by_hand: dict[str, float] = self._kept(before)
        """Readings of the panel's own that a hand has set since they were described."""
        own |= self.set_by_hand
        self._own = frozenset(own)
        self._conditions: Conditions = Conditions(panel.conditions, before._conditions if before else None)
        self.lamps: Lamps = Lamps(panel.lamps, before.lamps if before else None)
        self.losses: Losses = Losses(before.losses if before else None)
        self.readings: Readings = Readings(
            self._plan, given, own, before.readings if before else None, self.losses.quantities
        )
        self.training: Training = before.training if before else Training(scenario)
        """The failures in force; those that come and go are its."""
        self._felt_with: Mapping[str, Failure] = before._felt_with if before else self.training.in_force
        """What was in force when the readings were felt last; it is switched between two arrivals, too."""
        self.felt: Mapping[str, float] = self.readings.values
        """The readings as instruments feel them; the true ones themselves while nothing is in force."""
        self._sound: dict[str, Instrument] = {}
        """While failures are in force, for each gauge an instrument that follows the true readings."""
        self._begun_s: float | None = before._begun_s if before else None
        self._plan_failures()
        self.pointers = {(p.board, p.channel): driven_pointer(p) for p in panel.pointers}
        self.missing = self._missing()
        """For each gauge that can't show all of its indications: why not."""
        self.switched: dict[PointerAddress, tuple[str, ...]] = {}
        """For each pointer whose indication is derived in another way now, what it rested on and has lost."""
        self.parked: set[PointerAddress] = set()
        """Pointers that have been sent to their resting place because a quantity of theirs is lost."""
        self._time_s = 0.0
        self._flight_s: float | None = None
        """The flight's own time at the last arrival, where it runs at another pace than the caller's time."""
        if before is not None:
            self._take_instruments(before)
        self._rest_on_readings()
        if before is not None:
            self._take_pointers(before)
        self.felt = self._feel(self._time_s)
        self._show_own()
        self._conditions.update(self._time_s, self.felt)

    def _kept(self, before: Chain | None) -> dict[str, float]:
        """What a hand has set of the readings that this description states as the one before did."""
        if before is None:
            return {}
        now, was = self.panel.description, before.panel.description
        same = {name for name, value in now.fixed.items() if was.fixed.get(name) == value}
        if now.altimeter_setting == was.altimeter_setting and now.altimeter_setting.source != "telemetry":
            same.add("altimeter_setting")
        return {name: value for name, value in before.set_by_hand.items() if name in same}

    @property
    def own(self) -> frozenset[str]:
        """The readings that the panel has itself: fixed ones, and the altimeter setting of a knob."""
        return self._own

    def _setting_source(self) -> str:
        """Where the altimeter setting comes from, as `SettingSnapshot` has it."""
        described = self.panel.description
        source = described.altimeter_setting.source
        if source == "knob" and self.replayed and "altimeter_setting" in self.given - self.assumed:
            return "flight log"
        if source != "telemetry":
            return source
        if "altimeter_setting" in described.fixed:
            return "fixed"
        if "altimeter_setting" in self.assumed:
            return "default"
        return "telemetry" if "altimeter_setting" in self.given else "derived"

    def _plan(self, given: Iterable[str]) -> Plan:
        wanted = [name for gauge in self._instruments for name in self._wanted(gauge)]
        wanted += sorted(self._conditions.quantities)
        wanted += sorted(self.lamps.quantities)
        return make_plan(given, wanted, self.panel.catalogue, self.panel.position_error)

    def _plan_failures(self) -> None:
        plan = self.readings.full_plan
        had = plan.given.union(rule.output for rule in plan.rules)
        self.training.failures.plan(had, self.panel.position_error, self.panel.catalogue)

    def _feel(self, time_s: float) -> Mapping[str, float]:
        """The readings as instruments feel them at this time, of the flight where there is one."""
        if self._begun_s is None:  # before the first arrival nothing has begun
            return self.readings.values
        return self.training.feel(time_s - self._begun_s, self.readings.values)

    def _missing(self) -> dict[str, str]:
        missing = self.readings.full_plan.missing
        lacking = {
            gauge: [missing[name] for name in self._wanted(gauge) if name in missing]
            for gauge in self._instruments
        }
        for gauge, described in self.panel.description.gauges.items():
            for name in described.flags:
                condition = self.panel.conditions.get(f"gauges.{gauge}.flags.{name}")
                if condition is not None and condition.quantity in missing:
                    lacking[gauge].append(f"flag {name}: {missing[condition.quantity]}")
        return {gauge: "; ".join(whys) for gauge, whys in lacking.items() if whys}

    def _wanted(self, gauge: str) -> list[str]:
        """The readings of which this gauge makes something: of those that add an indication only what its
        pointers show."""
        instrument = self._instruments[gauge]
        pointers = self.panel.description.gauges[gauge].pointers.values()
        shown = {name for pointer in pointers for name in instrument.follows(pointer.indication)}
        return [*instrument.needs, *(name for name in instrument.uses if name in shown)]

    def holds(self, key: str) -> bool | None:
        """Whether the condition of this key in the description holds; None while its reading is not known.

        Raises KeyError for a key that has none.
        """
        quantity = self.panel.conditions[key].quantity
        if self.readings.rests_on.get(quantity, frozenset()) & self.losses.quantities:
            return None
        return self._conditions.held(key)

    def missing_lamps(self) -> dict[str, str]:
        """For each lamp that follows what can't be had: why not."""
        missing = self.readings.full_plan.missing
        return {
            driven.lamp.name: "; ".join(missing[name] for name in lacking)
            for driven in self.lamps.driven
            if (lacking := sorted(driven.lamp.quantities & missing.keys()))
        }

    def rests_on(self, address: PointerAddress) -> frozenset[str]:
        """The given quantities on which this pointer's indication rests now, the panel's own included."""
        return self._rests_on(address, self.readings.depends)

    def _rests_on(self, address: PointerAddress, depends: Mapping[str, frozenset[str]]) -> frozenset[str]:
        pointer, nothing = self.pointers[address].pointer, frozenset[str]()
        follows = self._instruments[pointer.gauge].follows(pointer.indication)
        return nothing.union(*(depends.get(name, nothing) for name in follows))

    def _rest_on_readings(self) -> None:
        """Take up the way in which the readings are had now."""
        # What is stepped may be sent on change only: it is never lost.
        kept = self._own | {name for name, quantity in self.panel.catalogue.items() if quantity.stepped}
        depends, nothing = self.readings.depends, frozenset[str]()
        looked_at = self._conditions.quantities | self.lamps.quantities
        others = nothing.union(*(depends.get(name, nothing) for name in looked_at))
        self.losses.rest_on(
            {address: self.rests_on(address) - kept for address in self.pointers}, others - kept
        )
        full, lost = self.readings.full_depends, self.losses.quantities
        self.switched = {
            address: tuple(sorted(gone))
            for address in self.pointers
            if (gone := self._rests_on(address, full) & lost) and address not in self.losses.pointers
        }
        self._gauges = self._group()

    def _group(self) -> tuple[_Gauge, ...]:
        """The gauges at work; a pointer that has lost a quantity follows its instrument no more."""
        depends = self.readings.depends
        gauges = []
        for name, instrument in self._instruments.items():
            follows = frozenset(need for need in (*instrument.needs, *instrument.uses) if need in depends)
            shown = [depends[need] for need in follows]
            pointers = tuple(
                driven
                for address, driven in self.pointers.items()
                if driven.pointer.gauge == name and address not in self.losses.pointers
            )
            gauges.append(_Gauge(instrument, pointers, frozenset[str]().union(*shown), follows))
        return tuple(gauges)

    def _take_instruments(self, before: Chain) -> None:
        same = {
            gauge: instrument
            for gauge, instrument in before._instruments.items()
            if gauge in self._instruments and _made_alike(gauge, instrument, before.panel, self.panel)
        }
        self._instruments.update(same)
        self._time_s, self._flight_s = before._time_s, before._flight_s

    def _take_pointers(self, before: Chain) -> None:
        for address, driven in before.pointers.items():
            if address in self.pointers:
                self.pointers[address].continue_from(driven)
        for address in before.parked & self.losses.pointers.keys() & self.pointers.keys():
            self._park(address)

    def _show_own(self) -> None:
        """Show what rests on fixed values and knobs alone: no arrival does, so no lag could end either."""
        for gauge in self._gauges:
            if gauge.pointers and gauge.rests_on and gauge.rests_on <= self._own:
                fresh = self.panel.instrument(gauge.pointers[0].pointer.gauge)
                indications = fresh.update(self._time_s, self.felt)
                for driven in gauge.pointers:
                    shown = indications.get(driven.pointer.indication)
                    if shown is not None:
                        driven.glide(driven.indicate(self._stuck(driven, shown)))

    def set_own(self, time_s: float, quantity: str, value: float) -> None:
        """A hand has set a reading of the panel's own: it stays so, also over a new description."""
        self.set_by_hand[quantity] = value
        self._take(time_s, {quantity: value}, self._flight_s)
        self._show_own()

    def start_afresh(self) -> None:
        """What arrives next does not follow from what came before: derivation and instruments forget."""
        self.readings.start_afresh()
        self._conditions.start_afresh()
        self.training.start_afresh()
        self._sound.clear()
        self._instruments = {gauge: self.panel.instrument(gauge) for gauge in self._instruments}
        self._gauges = self._group()

    def feed(
        self,
        time_s: float,
        readings: Mapping[str, float],
        flight_s: float | None = None,
        between: Mapping[str, float] = NOTHING,
    ) -> None:
        """Take readings (canonical units) that belong to this time, and show them.

        Derivation and instruments go by `flight_s`, the flight's own time, where there is one. `between` are
        values on the path between two rows of a recording: shown as well, see `Readings.rows`.
        """
        if not self._own.isdisjoint(readings):
            readings = {name: value for name, value in readings.items() if name not in self._own}
        if not self._own.isdisjoint(between):
            between = {name: value for name, value in between.items() if name not in self._own}
        self._flight_s = flight_s
        if self._begun_s is None:
            self._begun_s = 0.0 if self.replayed else time_s
        self._take(time_s, readings, flight_s, between)

    def arrived(self, time_s: float, quantities: Iterable[str]) -> None:
        """Note that these quantities arrive, before they are fed."""
        if self.losses.arrived(time_s, quantities):
            self._switch()
            self.parked &= self.losses.pointers.keys()

    def look_for_losses(self, time_s: float, since_s: float) -> None:
        """Switch what rests on a quantity that has stopped arriving, or hold its pointers.

        Those that have been held for long enough are parked, if that is described. To be called while
        telemetry arrives, as it has done since `since_s`.
        """
        if self.losses.look(time_s, since_s):
            self._switch()
        rest = self.panel.description.rest
        if rest.behaviour != "park" or len(self.parked) == len(self.losses.pointers):
            return
        for address, lost in self.losses.pointers.items():
            age_s = age_of(time_s, self.losses.arrived_s, lost)
            if address not in self.parked and age_s is not None and age_s >= rest.after_s:
                self._park(address)

    def _switch(self) -> None:
        self.readings.without(self.losses.quantities)
        self._rest_on_readings()

    def _park(self, address: PointerAddress) -> None:
        self.parked.add(address)
        driven = self.pointers[address]
        driven.glide(driven.pointer.park)

    def _take(
        self,
        time_s: float,
        readings: Mapping[str, float],
        flight_s: float | None,
        between: Mapping[str, float] = NOTHING,
    ) -> None:
        self._time_s = time_s if flight_s is None else flight_s
        values = self.readings.update(self._time_s, readings, between)
        if between:
            readings = {**readings, **between}
        was, self.felt = self.felt, self._feel(self._time_s)
        switched = self.training.in_force is not self._felt_with
        self._felt_with = self.training.in_force
        moved = self._moved_in_lines(was, switched)
        self._conditions.update(self._time_s, self.felt)
        for gauge in self._gauges:
            # A gauge of which nothing arrived stays: an old reading at a new time would be wrong.
            if gauge.rests_on.isdisjoint(readings) and gauge.follows.isdisjoint(moved):
                continue
            indications = gauge.instrument.update(self._time_s, self.felt)
            for driven in gauge.pointers:
                reading = indications.get(driven.pointer.indication)
                if reading is not None:
                    driven.show(time_s, self._stuck(driven, reading))
            if self.training.in_force and gauge.pointers:
                self._note_truth(gauge, values)
        if switched:
            self._failures_changed()

    def _moved_in_lines(self, was: Mapping[str, float], switched: bool) -> frozenset[str]:
        """What a failure of the pitot-static system changes, or changed, and is felt otherwise than it was.

        The pressure in a blocked or leaking line goes on, and moves every gauge on it, whichever quantity
        arrives. Gyros run down too slowly for that: theirs wait for their next reading.
        """
        felt, values = self.felt, self.readings.values
        if felt is values and not switched:
            return frozenset()
        return frozenset(
            name
            for name in IN_LINES
            if felt.get(name) != was.get(name) and (switched or felt.get(name) != values.get(name))
        )

    def _stuck(self, driven: DrivenPointer, reading: float) -> float:
        pointer = driven.pointer
        return self.training.failures.show(pointer.key, reading, pointer.indication)

    def _note_truth(self, gauge: _Gauge, values: Mapping[str, float]) -> None:
        name = gauge.pointers[0].pointer.gauge
        if name not in self._sound:
            self._sound[name] = self.panel.instrument(name)
        indications = self._sound[name].update(self._time_s, values)
        for driven in gauge.pointers:
            reading = indications.get(driven.pointer.indication)
            driven.true_indication = None if reading is None else driven.in_unit(reading)

    def _failures_changed(self) -> None:
        """Gauges of which nothing arrives are shown again, and without failures there is no other truth."""
        self._show_own()
        if not self.training.in_force:
            self._sound.clear()
            for driven in self.pointers.values():
                driven.true_indication = None

    def step(self, time_s: float) -> None:
        """Advance every pointer's `position` and `velocity` to this time."""
        for driven in self.pointers.values():
            driven.step(time_s)

    def step_lamps(self, time_s: float, silent: bool) -> None:
        """Advance every lamp to this time; `silent` when no reading of telemetry is valid any more."""
        if self.lamps.driven:
            self.lamps.step(
                time_s, self.felt, partial(self._are_gone, silent), self.holds, self.training.powered
            )

    def _are_gone(self, silent: bool, quantities: frozenset[str]) -> bool:
        """Whether one of these readings is lost, or rests on telemetry that is silent."""
        rests_on = frozenset[str]().union(*(self.readings.rests_on.get(name, ()) for name in quantities))
        return bool(rests_on & self.losses.quantities or (silent and rests_on))
