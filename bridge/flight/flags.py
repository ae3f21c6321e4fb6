"""The flags of gauges: in sight while what they are about is not there, and by a condition."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.flight.chain import Chain, PointerAddress
from bridge.flight.snapshot import FlagSnapshot
from bridge.panel.gauge_description import FlagDescription

_NOT_CURRENT = {
    "awaited": "no telemetry yet",
    "silent": "telemetry is silent",
    "resting": "telemetry is silent",
}
"""By the state of telemetry: why its readings are not those of now."""


class Flags:
    """The flags of one chain's panel."""

    def __init__(self, chain: Chain) -> None:
        self._chain = chain
        self._flags = tuple(
            (gauge, name, flag, self._addresses(gauge, flag))
            for gauge, described in chain.panel.description.gauges.items()
            for name, flag in described.flags.items()
        )

    def _addresses(self, gauge: str, flag: FlagDescription) -> tuple[PointerAddress, ...]:
        """The pointers that this flag is about."""
        return tuple(
            (pointer.board, pointer.channel)
            for pointer in self._chain.panel.pointers
            if pointer.gauge == gauge and flag.pointer in (None, pointer.name)
        )

    def at(self, telemetry: str) -> tuple[FlagSnapshot, ...]:
        """All flags as they are now, while telemetry is in this state."""
        return tuple(
            FlagSnapshot(
                f"{gauge}.{name}", gauge, name, next(self._whys(gauge, name, flag, of, telemetry), "")
            )
            for gauge, name, flag, of in self._flags
        )

    def _whys(
        self,
        gauge: str,
        name: str,
        flag: FlagDescription,
        addresses: tuple[PointerAddress, ...],
        telemetry: str,
    ) -> Iterator[str]:
        """Why this flag is in sight, the gravest reason first."""
        chain = self._chain
        if telemetry in _NOT_CURRENT:
            yield _NOT_CURRENT[telemetry]
        for address in addresses:
            if lost := chain.losses.pointers.get(address):
                yield f"lost {', '.join(lost)}"
            if chain.pointers[address].indication is None:
                yield f"no {chain.pointers[address].pointer.indication} yet"
        if flag.when:
            key = f"gauges.{gauge}.flags.{name}"
            holds = chain.holds(key)
            if holds is None:
                yield f"{chain.panel.conditions[key].quantity} is not known"
            elif holds:
                yield flag.when
