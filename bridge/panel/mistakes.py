"""Collecting mistakes, so that a builder sees all of them at once."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.description import near
from bridge.errors import MOST_MISTAKES, BridgeError, DescriptionError, DescriptionErrors


class Mistakes:
    """The mistakes found so far in one description file and those that it names."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.errors: list[DescriptionError] = []
        self.more = 0
        """Those beyond MOST_MISTAKES, which are only counted."""

    def add(self, error: BridgeError) -> None:
        """Keep a mistake, or several, that was raised elsewhere."""
        if isinstance(error, DescriptionErrors):
            self.errors.extend(error.errors)
            self.more += error.more
        elif isinstance(error, DescriptionError):
            self.errors.append(error)
        else:
            raise error

    def wrong(self, key: str, found: str, expected: str, cure: str, where: str | None = None) -> None:
        """Note a mistake; `where` is another file than the description's own."""
        if len(self.errors) >= MOST_MISTAKES:
            self.more += 1
            return
        self.errors.append(DescriptionError(where or self.where, key, found, expected, cure))

    def unknown(
        self, key: str, thing: str, name: str, known: Iterable[str], where: str | None = None
    ) -> None:
        """Note a name that nothing has, with the nearest ones that something has."""
        cure = "" if len(self.errors) >= MOST_MISTAKES else near(name, known)  # which takes its time
        self.wrong(key, f"an unknown {thing} '{name}'", f"a known {thing}", cure, where)

    def check(self) -> None:
        """Raise `DescriptionErrors` if there was any mistake."""
        if self.errors:
            raise DescriptionErrors(self.errors, self.more)
