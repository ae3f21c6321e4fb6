"""Where a service gets its telemetry from: what the description names, or a flight log in its place."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from bridge.panel.load import Panel
from bridge.panel.source_description import SourceDescription
from bridge.telemetry.mqtt import MqttSource
from bridge.telemetry.source import LiveSource, Source
from bridge.telemetry.udp import UdpSource


class SourceMaker(Protocol):
    """Makes the sources of a panel, and compares what two descriptions ask for."""

    def make(
        self, panel: Panel, clock: Callable[[], float], before: Sequence[Source] = ()
    ) -> Sequence[Source]:
        """Sources that go on from those `before`, where these know what their senders will not repeat."""
        ...

    def same(self, old: Panel, new: Panel) -> bool:
        """Whether the sources of the old description serve the new one as they are."""
        ...


class DescribedSources:
    """The sources that the panel description names."""

    def make(
        self, panel: Panel, clock: Callable[[], float], before: Sequence[Source] = ()
    ) -> list[LiveSource]:
        """One source for each that is described; labels that the old ones have learnt are kept."""
        makers = {"udp": _udp, "mqtt": _mqtt}
        made = [makers[described.kind](panel, described, clock) for described in panel.description.sources]
        for source in made:
            for old in before:
                if isinstance(source, UdpSource) and isinstance(old, UdpSource):
                    source.remember(old)
        return made

    def same(self, old: Panel, new: Panel) -> bool:
        """Whether sources, layouts and the broker are described alike."""
        return (
            old.description.sources == new.description.sources
            and old.layouts == new.layouts
            and old.description.broker == new.description.broker
        )


def _udp(panel: Panel, described: SourceDescription, clock: Callable[[], float]) -> LiveSource:
    layouts = [panel.layouts[name] for name in described.layouts]
    return UdpSource(described.host, described.port, layouts, described.allow, clock)


def _mqtt(panel: Panel, described: SourceDescription, clock: Callable[[], float]) -> LiveSource:
    broker = panel.description.broker
    assert broker is not None and described.topic is not None, "the description was checked"
    return MqttSource(broker.broker(panel.path.parent), described.topic, panel.catalogue, clock)


class FixedSources:
    """The same sources whatever the description names: a replay, or none."""

    def __init__(self, *sources: Source) -> None:
        self._sources = sources

    def make(
        self, panel: Panel, clock: Callable[[], float], before: Sequence[Source] = ()
    ) -> tuple[Source, ...]:
        """Always these; a description changes nothing."""
        return self._sources

    def same(self, old: Panel, new: Panel) -> bool:
        """Always true."""
        return True
