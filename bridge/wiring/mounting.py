"""What to mount where for the pointers of one board: index marks, stops, wheels, pointers on their arbors.

Angles are degrees on the face, clockwise, as the description has them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from bridge.panel.description import PanelDescription
from bridge.panel.gauge_description import GaugeDescription, PointerDescription
from bridge.panel.hardware import Channel, GearRatio


@dataclass(frozen=True, slots=True)
class Mount:
    """One thing to mount: what, on which arbor, and how it is set."""

    what: str
    where: str
    how: str


def mounts(panel: PanelDescription, board: str) -> Iterator[Mount]:
    """Everything to mount for the pointers of this board, gauge by gauge."""
    for gauge_name, gauge in panel.gauges.items():
        for name, pointer in gauge.pointers.items():
            if pointer.board != board:
                continue
            channel = panel.boards[board].channels[pointer.channel]
            own = _words(gauge_name, name)
            train = panel.drives[pointer.drive].gear_train
            if train:
                yield Mount(f"{own} wheels", *_wheels("the motor's shaft", own, train))
            yield from _home(gauge_name, name, gauge, channel)
            for geared_name, geared in gauge.geared.items():
                if gauge.driven_by(geared_name) == name:
                    driven = _words(gauge_name, geared_name)
                    above = _words(gauge_name, geared.geared_to)
                    yield Mount(f"{driven} wheels", *_wheels(f"the {above} arbor", driven, geared.gears))


def _words(gauge: str, pointer: str) -> str:
    return f"{gauge} {pointer}".replace("_", " ")


def _wheels(first: str, last: str, stages: tuple[Fraction, ...]) -> tuple[str, str]:
    """Where the wheels are, and their teeth from arbor to arbor."""
    arbors = [first, *(f"arbor {number}" for number in range(1, len(stages))), f"the {last} arbor"]
    pairs = []
    for stage, driver, driven in zip(stages, arbors, arbors[1:], strict=False):
        teeth = stage.teeth if isinstance(stage, GearRatio) else None
        if teeth is None:
            pairs.append(f"{float(stage):g} turns of {driver} for one of {driven}")
        else:
            pairs.append(f"{teeth[1]} teeth on {driver} into {teeth[0]} on {driven}")
    return f"from {first} to the {last} arbor", "; ".join(pairs)


def _home(gauge_name: str, name: str, gauge: GaugeDescription, channel: Channel) -> Iterator[Mount]:
    pointer, own = gauge.pointers[name], _words(gauge_name, name)
    at_home = f"at {pointer.home_deg:g} deg"
    if channel.index is not None:
        arbor = channel.index.arbor or name
        how = f"its sensor sees it come, turning clockwise, as {own} is {at_home}"
        if arbor in gauge.geared:
            how += f" and {_words(gauge_name, arbor)} at {_geared_deg(gauge, pointer, arbor):g} deg"
        yield Mount(f"index mark of channel {pointer.channel}", f"the {_words(gauge_name, arbor)} arbor", how)
    if channel.stop is not None:
        how = f"it closes, coming counter-clockwise, as {own} is {at_home}"
        yield Mount(f"end stop of channel {pointer.channel}", f"the {own} arbor", how)
    if channel.output == "servo":
        yield Mount(
            f"{own} pointer", "the servo's arbor", f"with the servo at the low end of its pulses: {at_home}"
        )
    elif channel.homing == "sweep":
        yield Mount(
            f"{own} pointer", "the motor's arbor", f"with the motor at its counter-clockwise stop: {at_home}"
        )
    elif channel.homing == "last" and channel.index is None:
        yield Mount(f"{own} pointer", f"the {own} arbor", f"set {at_home} before the first start")


def _geared_deg(gauge: GaugeDescription, driven: PointerDescription, name: str) -> float:
    """The face angle of a geared pointer when its driven one is at home."""
    assert driven.per_turn is not None  # the description lets an endless pointer only be geared to
    reading = (driven.home_deg - driven.zero_deg) / 360.0 * driven.per_turn
    geared = gauge.geared[name]
    return (reading / geared.per_turn * 360.0 + geared.zero_deg) % 360.0
