"""Loading a panel description: files in, one checked `Panel` out, or every mistake at once."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path

from bridge.description import MistakeError, read_toml, validate
from bridge.errors import BridgeError, DescriptionError, DescriptionErrors
from bridge.gauges.pointer import Pointer
from bridge.instruments.airdata import PositionError
from bridge.instruments.condition import Condition
from bridge.instruments.instruments import INSTRUMENTS, Instrument, make_instrument
from bridge.panel.board_checks import check_pins
from bridge.panel.controls import Command, Control, make_commands, make_controls
from bridge.panel.description import PanelDescription
from bridge.panel.gauge_description import CalibrationPoints
from bridge.panel.hardware import Motor
from bridge.panel.lamps import Lamp, make_lamps
from bridge.panel.mistakes import Mistakes
from bridge.panel.names import name_faults
from bridge.panel.pointers import PointerBuilder
from bridge.panel.ready_gauges import Origins, expanded
from bridge.quantities.catalogue import CATALOGUE, Catalogue, Quantity, extend_catalogue
from bridge.quantities.units import UNITS
from bridge.telemetry.layout import Layout, load_layout


@dataclass(frozen=True, slots=True)
class Panel:
    """A whole panel, checked and worked out. `files` are all that it was read from.

    `conditions` holds every condition on readings by the key of what shows by it: "gauges.NAME.flags.NAME",
    "lamps.NAME". `origins` tells what in it came from ready gauges; panels that differ in that alone are
    equal.
    """

    path: Path
    description: PanelDescription
    catalogue: Catalogue
    motors: dict[str, Motor]
    position_error: PositionError | None
    pointers: tuple[Pointer, ...]
    conditions: dict[str, Condition]
    lamps: tuple[Lamp, ...]
    commands: dict[str, Command]
    controls: tuple[Control, ...]
    layouts: dict[str, Layout]
    files: tuple[Path, ...]
    origins: Origins = field(default_factory=Origins, compare=False)

    def instrument(self, gauge: str) -> Instrument:
        """A fresh instrument for this gauge."""
        described = self.description.gauges[gauge]
        return make_instrument(described.instrument, described.options, self.catalogue)

    def motor(self, pointer: Pointer) -> Motor:
        """The motor of this pointer's drive."""
        described = self.description.gauges[pointer.gauge].pointers[pointer.name]
        return self.motors[self.description.drives[described.drive].motor]

    def way_to(self, board: str) -> tuple[object, ...]:
        """How this board is reached: a description that changes nothing of it names the same board."""
        described = self.description.boards[board]
        return (*described.reached, self.description.broker if described.kind.over_broker else None)

    def all_virtual(self) -> Panel:
        """The same panel with a virtual board in place of each real one."""
        described = self.description
        boards = {
            name: board.model_copy(update={"link": "virtual"}) for name, board in described.boards.items()
        }
        return replace(self, description=described.model_copy(update={"boards": boards}))

    def switched(self, gauges: Mapping[str, str]) -> Panel:
        """The same panel where these gauges show another quantity; one of another unit is left out."""
        described, pointers = self.description, self.pointers
        for gauge, quantity in gauges.items():
            before = described.gauges.get(gauge)
            was = before.options.get("quantity") if before else None
            if before is None or was in (None, quantity) or quantity not in self.catalogue:
                continue
            if self.catalogue[quantity].unit != self.catalogue[str(was)].unit:  # its face has one scale
                continue
            after = before.model_copy(update={"options": {**before.options, "quantity": quantity}})
            described = described.model_copy(update={"gauges": {**described.gauges, gauge: after}})
            pointers = tuple(
                replace(p, indication=quantity) if (p.gauge, p.indication) == (gauge, was) else p
                for p in pointers
            )
        same = described is self.description
        return self if same else replace(self, description=described, pointers=pointers)

    def shown(self, pointer: Pointer) -> Quantity:
        """The quantity that this pointer shows, in its unit."""
        return self.catalogue[pointer.indication].in_unit(pointer.unit)

    def board_pointers(self, board: str) -> tuple[Pointer, ...]:
        """The pointers on one board, by ascending channel."""
        return tuple(sorted((p for p in self.pointers if p.board == board), key=lambda p: p.channel))

    def board_lamps(self, board: str) -> tuple[Lamp, ...]:
        """The lamps on one board, by ascending number."""
        return tuple(sorted((lamp for lamp in self.lamps if lamp.board == board), key=lambda p: p.number))


def shipped_motors() -> dict[str, Motor]:
    """The motor catalogue that comes with the package."""
    source = resources.files("bridge.gauges").joinpath("motors.toml")
    data = tomllib.loads(source.read_text(encoding="utf-8"))
    return {name: validate(Motor, entry, "motors.toml", name) for name, entry in data.items()}


def load_panel(path: Path) -> Panel:
    """The panel described in this file; raises `DescriptionErrors` with every mistake found."""
    origins = Origins()
    try:
        data, origins = expanded(read_toml(path), str(path))
        return _Loader(path, validate(PanelDescription, data, str(path)), origins).panel()
    except DescriptionError as error:
        raise DescriptionErrors([error]) from None
    except DescriptionErrors as errors:
        raise origins.all_named(errors) from None


class _Loader:
    """Works through one description, collecting mistakes instead of stopping at the first."""

    def __init__(self, path: Path, description: PanelDescription, origins: Origins) -> None:
        self.path = path
        self.description = description
        self.origins = origins
        self.motors = shipped_motors() | description.motors
        self.files = [path]
        self.mistakes = Mistakes(str(path))

    def panel(self) -> Panel:
        self._names()
        catalogue = self._catalogue()
        position_error = self._position_error()
        self._altimeter_setting()
        for name, board in self.description.boards.items():
            for below, found, expected, cure in check_pins(board):
                self.mistakes.wrong(f"boards.{name}.{below}", found, expected, cure)
        self._one_pointer_a_channel()
        self._links()
        self._parking()
        if not catalogue:
            self.mistakes.check()  # what uses a quantity that is wrongly declared is not wrong itself
        layouts = self._layouts(catalogue)
        calibrations = self._calibrations()
        self._instruments(catalogue)
        conditions = self._conditions(catalogue)
        builder = PointerBuilder(self.description, self.motors, catalogue, self.path.parent, self.mistakes)
        pointers = tuple(builder.pointers(calibrations))
        lamps = make_lamps(self.description, catalogue, self.mistakes)
        commands = make_commands(self.description, catalogue, self.mistakes)
        controls = make_controls(self.description, catalogue, self.path.parent, self.mistakes)
        conditions |= {lamp.key: lamp.condition for lamp in lamps if lamp.condition}
        self.mistakes.check()
        return Panel(
            self.path,
            self.description,
            catalogue,
            self.motors,
            position_error,
            pointers,
            conditions,
            lamps,
            commands,
            controls,
            layouts,
            tuple(self.files),
            self.origins,
        )

    def _names(self) -> None:
        described = self.description
        tables: dict[str, Iterable[str]] = {
            "boards": described.boards,
            "gauges": described.gauges,
            "drives": described.drives,
            "motors": described.motors,
            "quantities": described.quantities,
            "lamps": described.lamps,
            "commands": described.commands,
            "controls": described.controls,
        }
        for gauge, of_gauge in described.gauges.items():
            tables[f"gauges.{gauge}.pointers"] = (*of_gauge.pointers, *of_gauge.geared)
            tables[f"gauges.{gauge}.flags"] = of_gauge.flags
        for table, names in tables.items():
            for fault in name_faults(table, names):
                self.mistakes.wrong(*fault)

    def _links(self) -> None:
        """One port or topic can serve one board only; and what is over a broker needs one."""
        for number, source in enumerate(self.description.sources):
            if source.over_broker and self.description.broker is None:
                self.mistakes.wrong(
                    f"sources.{number}.kind", f"{source.kind} without a broker", "a broker", "Add [broker]"
                )
        taken: dict[tuple[str, str], str] = {}
        for name, board in self.description.boards.items():
            if board.kind.over_broker and self.description.broker is None:
                self.mistakes.wrong(
                    f"boards.{name}.link", f"{board.link} without a broker", "a broker", "Add [broker]"
                )
            if not board.kind.reached_by:
                continue
            key = board.kind.reached_by[0]
            place = getattr(board, key) or name
            if (key, place) in taken:
                found = f"{place}, the {key} of board {taken[key, place]}"
                self.mistakes.wrong(
                    f"boards.{name}.{key}", found, f"a {key} of its own", f"Name its own {key}"
                )
            taken.setdefault((key, place), name)

    def _parking(self) -> None:
        """A resting place that is off its pointer's scale."""
        places = {
            f"gauges.{gauge}.pointers.{name}": pointer
            for gauge, described in self.description.gauges.items()
            for name, pointer in described.pointers.items()
        }
        parks = self.description.rest.behaviour == "park"
        for key, pointer in places.items():
            if not pointer.scale or not (parks or "park" in pointer.model_fields_set):
                continue
            low, high = sorted((pointer.scale[0][0], pointer.scale[-1][0]))
            if not low <= pointer.park <= high:
                self.mistakes.wrong(
                    f"{key}.park",
                    f"a resting place at {pointer.park:g}",
                    f"a reading on its scale, {low:g} to {high:g}",
                    "Choose one",
                )

    def _catalogue(self) -> Catalogue:
        """All quantities; none where the description declares one wrongly."""
        own: list[Quantity] = []
        wrong = False
        catalogue = CATALOGUE
        for name, declared in self.description.quantities.items():
            if declared.unit not in UNITS:
                self.mistakes.unknown(f"quantities.{name}.unit", "unit", declared.unit, UNITS)
                wrong = True
                continue
            try:
                catalogue = extend_catalogue([*own, declared.named(name)])
                own.append(catalogue[name])
            except ValueError as error:
                expected = "a new name, low below high"
                self.mistakes.wrong(f"quantities.{name}", str(error), expected, "Correct the declaration")
                wrong = True
        if wrong:
            return {}
        for key, table in (
            ("fixed", self.description.fixed),
            ("aircraft.fastest", self.description.aircraft.fastest),
        ):
            for name in table:
                if name not in catalogue:
                    self.mistakes.unknown(key, "quantity", name, catalogue)
        for name, value in self.description.fixed.items():
            quantity = catalogue.get(name)
            if quantity and not quantity.low <= value <= quantity.high:
                expected = f"{quantity.low:g} to {quantity.high:g} {quantity.unit}"
                self.mistakes.wrong(f"fixed.{name}", f"{value:g}", expected, "Correct the value")
        return catalogue

    def _position_error(self) -> PositionError | None:
        points = self.description.aircraft.position_error
        if not points:
            return None
        try:
            return PositionError.through(points)
        except ValueError as error:
            self.mistakes.wrong(
                "aircraft.position_error",
                str(error),
                "(indicated, calibrated) knots, rising",
                "Correct the points",
            )
            return None

    def _layouts(self, catalogue: Catalogue) -> dict[str, Layout]:
        layouts: dict[str, Layout] = {}
        for source in self.description.sources:
            for name in source.layouts:
                file = self.path.parent / name
                self.files.append(file)
                try:
                    layouts[name] = load_layout(file, catalogue)
                except BridgeError as error:
                    self.mistakes.add(error)
        return layouts

    def _calibrations(self) -> dict[str, dict[str, CalibrationPoints]]:
        found: dict[str, dict[str, CalibrationPoints]] = {}
        for gauge, described in self.description.gauges.items():
            if described.calibration is None:
                continue
            file = self.path.parent / described.calibration
            self.files.append(file)
            try:
                data = read_toml(file)
            except BridgeError as error:
                self.mistakes.add(error)
                continue
            if not data:  # as an editor leaves it for a moment while it saves
                wanted = f"a table for one of {', '.join(described.pointers)}"
                cure = "Save the file again with its points, or take its name out of the description"
                self.mistakes.wrong("", "no pointer", wanted, cure, str(file))
            found[gauge] = {}
            for pointer, points in data.items():
                if pointer not in described.pointers:
                    self.mistakes.unknown(pointer, "pointer", pointer, described.pointers, str(file))
                    continue
                try:
                    found[gauge][pointer] = validate(CalibrationPoints, points, str(file), pointer)
                except BridgeError as error:
                    self.mistakes.add(error)
        return found

    def _instruments(self, catalogue: Catalogue) -> None:
        for gauge, described in self.description.gauges.items():
            key = f"gauges.{gauge}"
            if described.instrument not in INSTRUMENTS:
                self.mistakes.unknown(f"{key}.instrument", "instrument", described.instrument, INSTRUMENTS)
                continue
            shown = described.options.get("quantity")
            if described.instrument == "gauge" and isinstance(shown, str) and shown not in catalogue:
                self.mistakes.unknown(f"{key}.options.quantity", "quantity", shown, catalogue)
                continue
            try:
                made = make_instrument(described.instrument, described.options, catalogue)
            except (BridgeError, ValueError) as error:
                self.mistakes.wrong(
                    f"{key}.options", str(error), f"options of a {described.instrument}", "Correct the option"
                )
                continue
            for name, pointer in described.pointers.items():
                if pointer.indication not in made.indications:
                    self.mistakes.unknown(
                        f"{key}.pointers.{name}.indication",
                        "indication",
                        pointer.indication,
                        made.indications,
                    )

    def _conditions(self, catalogue: Catalogue) -> dict[str, Condition]:
        found: dict[str, Condition] = {}
        for gauge, described in self.description.gauges.items():
            for name, flag in described.flags.items():
                key = f"gauges.{gauge}.flags.{name}"
                if flag.pointer is not None and flag.pointer not in described.pointers:
                    self.mistakes.unknown(f"{key}.pointer", "pointer", flag.pointer, described.pointers)
                if not flag.when:
                    continue
                try:
                    found[key] = flag.condition(catalogue)
                except MistakeError as wrong:
                    self.mistakes.wrong(f"{key}.when", wrong.found, wrong.expected, wrong.cure)
        return found

    def _altimeter_setting(self) -> None:
        setting = self.description.altimeter_setting
        if setting.source != "knob":
            return
        board = self.description.boards.get(setting.board or "")
        if board is None:
            self.mistakes.unknown(
                "altimeter_setting.board", "board", str(setting.board), self.description.boards
            )
        elif setting.input not in board.inputs or board.inputs[setting.input].kind != "encoder":
            self.mistakes.wrong(
                "altimeter_setting.input",
                f"input {setting.input}",
                "an encoder",
                f"Add boards.{setting.board}.inputs.{setting.input} with kind = 'encoder'",
            )

    def _one_pointer_a_channel(self) -> None:
        taken: dict[tuple[str, int], str] = {}
        for gauge, described in self.description.gauges.items():
            for name, pointer in described.pointers.items():
                key = f"gauges.{gauge}.pointers.{name}"
                place = (pointer.board, pointer.channel)
                if place in taken:
                    self.mistakes.wrong(
                        f"{key}.channel",
                        f"channel {pointer.channel} of board {pointer.board}, which {taken[place]} has",
                        "a channel of its own",
                        "Give one of the two another channel",
                    )
                taken.setdefault(place, key)
        for name, board in self.description.boards.items():
            for number in board.channels:
                if (name, number) not in taken:
                    self.mistakes.wrong(
                        f"boards.{name}.channels.{number}",
                        "a channel without a pointer",
                        "a pointer on every channel",
                        "Give it one, or take it out and number the others without a gap",
                    )
