"""The lamps of a panel, worked out: what each follows, and what its board must have for it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.boards.lightness import level
from bridge.boards.messages import FULL_LEVEL, LampCapability, LampOutput
from bridge.description import MistakeError
from bridge.instruments.condition import Condition
from bridge.panel.description import PanelDescription
from bridge.panel.lamp_description import LampDescription, LampKnob
from bridge.panel.mistakes import Mistakes
from bridge.quantities.catalogue import Catalogue, Quantity

_HALF = 0.5
"""A lamp that can only be switched is on from this brightness."""


@dataclass(frozen=True, slots=True)
class Lamp:
    """One lamp, output `number` of its board. Brightness is lightness to the eye, 0 to 1.

    It is lit while `condition` holds, always without one, as bright as `quantity` within its range, as the
    knob sets it from `brightness` on, or else at `brightness`.
    """

    name: str
    board: str
    number: int
    dimmed: bool
    condition: Condition | None
    brightness: float
    quantity: Quantity | None
    knob: LampKnob | None
    fade_s: float
    when_lost: float
    """Brightness while the reading that it follows is not there, and while its board hears no host."""

    @property
    def key(self) -> str:
        """In the description, and of its condition."""
        return f"lamps.{self.name}"

    @property
    def quantities(self) -> frozenset[str]:
        """The readings that it follows."""
        follows = [self.condition.quantity] if self.condition else []
        return frozenset(follows + ([self.quantity.name] if self.quantity else []))

    def level(self, brightness: float) -> int:
        """The level of the frame format for a brightness."""
        return level(brightness) if self.dimmed else FULL_LEVEL * (brightness >= _HALF)

    @property
    def capability(self) -> LampCapability:
        """What its board must have."""
        output = LampOutput.DIMMED if self.dimmed else LampOutput.SWITCHED
        return LampCapability(output, self.level(self.when_lost))


def make_lamps(description: PanelDescription, catalogue: Catalogue, mistakes: Mistakes) -> tuple[Lamp, ...]:
    """The lamps that are described rightly; the others are among the mistakes."""
    return tuple(_Maker(description, catalogue, mistakes).lamps())


class _Maker:
    def __init__(self, description: PanelDescription, catalogue: Catalogue, mistakes: Mistakes) -> None:
        self._description = description
        self._catalogue = catalogue
        self._mistakes = mistakes

    def lamps(self) -> Iterator[Lamp]:
        taken: dict[tuple[str, int], str] = {}
        for name, described in self._description.lamps.items():
            key, place = f"lamps.{name}", (described.board, described.lamp)
            if place in taken:
                found = f"lamp {described.lamp} of board {described.board}, which {taken[place]} has"
                self._mistakes.wrong(
                    f"{key}.lamp", found, "a lamp output of its own", "Give one of the two another"
                )
            taken.setdefault(place, key)
            lamp = self._lamp(name, key, described)
            if lamp is not None:
                yield lamp
        for board, with_lamps in self._description.boards.items():
            for number in with_lamps.lamps:
                if (board, number) not in taken:
                    cure = "Describe one under [lamps], or take the output out and renumber the others"
                    expected = "a lamp on every lamp output"
                    key = f"boards.{board}.lamps.{number}"
                    self._mistakes.wrong(key, "an output without a lamp", expected, cure)

    def _lamp(self, name: str, key: str, described: LampDescription) -> Lamp | None:
        boards = self._description.boards
        board = boards.get(described.board)
        if board is None:
            self._mistakes.unknown(f"{key}.board", "board", described.board, boards)
            return None
        output = board.lamps.get(described.lamp)
        if output is None:
            cure = f"Add boards.{described.board}.lamps.{described.lamp} with its pin"
            self._mistakes.wrong(f"{key}.lamp", f"lamp {described.lamp}", "a lamp output of the board", cure)
            return None
        dimmed = output.output == "dimmed"
        brightness, quantity = self._brightness(key, described, dimmed)
        self._knob(key, described)
        return Lamp(
            name,
            described.board,
            described.lamp,
            dimmed,
            self._condition(key, described),
            brightness,
            quantity,
            described.knob,
            described.fade_s if dimmed else 0.0,
            described.when_lost,
        )

    def _condition(self, key: str, described: LampDescription) -> Condition | None:
        if not described.when:
            return None
        try:
            return described.condition(self._catalogue)
        except MistakeError as wrong:
            self._mistakes.wrong(f"{key}.when", wrong.found, wrong.expected, wrong.cure)
            return None

    def _brightness(
        self, key: str, described: LampDescription, dimmed: bool
    ) -> tuple[float, Quantity | None]:
        given = described.brightness
        if isinstance(given, str):
            if given not in self._catalogue:
                self._mistakes.unknown(f"{key}.brightness", "quantity", given, self._catalogue)
                return 1.0, None
            if described.knob is not None:
                cure = "Write the number that the knob starts from, or take the knob out"
                self._mistakes.wrong(
                    f"{key}.brightness", f"{given} beside a knob", "a number from 0 to 1", cure
                )
            return 1.0, self._catalogue[given]
        for name, value in (("brightness", given), ("when_lost", described.when_lost)):
            if not dimmed and value not in (0.0, 1.0):
                cure = 'Write 0 or 1, or output = "dimmed" at a pin that has a timer'
                found = f"{value:g} for a lamp that is only switched"
                self._mistakes.wrong(f"{key}.{name}", found, "0 or 1", cure)
        return given, None

    def _knob(self, key: str, described: LampDescription) -> None:
        knob = described.knob
        if knob is None:
            return
        board = self._description.boards.get(knob.board)
        setting = self._description.altimeter_setting
        if board is None:
            self._mistakes.unknown(f"{key}.knob.board", "board", knob.board, self._description.boards)
        elif knob.input not in board.inputs or board.inputs[knob.input].kind != "encoder":
            cure = f"Add boards.{knob.board}.inputs.{knob.input} with kind = 'encoder'"
            self._mistakes.wrong(f"{key}.knob.input", f"input {knob.input}", "an encoder", cure)
        elif setting.source == "knob" and (setting.board, setting.input) == (knob.board, knob.input):
            found = f"input {knob.input}, which sets the altimeter"
            self._mistakes.wrong(f"{key}.knob.input", found, "a knob of its own", "Choose another encoder")
