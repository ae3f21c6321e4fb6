"""Names of the package that a shell is offered as values of options; nothing is loaded before it asks."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable


def offer(action: argparse.Action, names: Callable[[], Iterable[str]]) -> None:
    """Offer these names for the value of an option: argcomplete looks for them at its `completer`."""
    setattr(action, "completer", lambda **_: list(names()))  # noqa: B010  argparse does not know it


def gauges() -> Iterable[str]:
    """The ready gauges."""
    from bridge.panel.ready_gauges import ready_names

    return ready_names()


def motors() -> Iterable[str]:
    """The shipped motors."""
    from bridge.panel.load import shipped_motors

    return shipped_motors()


def parts() -> Iterable[str]:
    """The microcontrollers."""
    from bridge.hardware.microcontrollers import PARTS

    return PARTS
