"""The live service as it is at one moment, for its onlookers: panel, senders, recording, last reload.

`Service.snapshot(time_s)` is the one way to it. Plain values, like those of `bridge.flight.snapshot`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from bridge.flight.snapshot import PanelSnapshot
from bridge.telemetry.recorder import LogWriter
from bridge.telemetry.source import Source


@dataclass(frozen=True, slots=True)
class SenderSnapshot:
    """One sender of telemetry to `source`: datagrams since the start, those not used by cause, its rate now.

    `trouble` is what was wrong with the latest that could not be used.
    """

    source: str
    address: str
    layout: str
    datagrams: int
    rate_hz: float
    unused: int
    causes: Mapping[str, int]
    trouble: str


@dataclass(frozen=True, slots=True)
class RecordingSnapshot:
    """The recording: its file, the rows taken so far, those lost, and whether the disk refuses."""

    file: str
    rows: int
    lost: int
    failed: bool


@dataclass(frozen=True, slots=True)
class ReloadSnapshot:
    """The last change of the description, at this time of day: whether it was taken, or the mistakes."""

    at: str
    taken: bool
    text: str


@dataclass(frozen=True, slots=True)
class ServiceSnapshot:
    """The service at one moment. `sources` names where telemetry is awaited from; `refused` counts, for each
    host that is not allowed, its datagrams; `stopped` is who has stopped all needles."""

    panel: PanelSnapshot
    sources: tuple[str, ...]
    senders: tuple[SenderSnapshot, ...]
    refused: Mapping[str, int]
    recording: RecordingSnapshot | None
    reload: ReloadSnapshot | None
    stopped: str | None


def senders_of(sources: Iterable[Source], time_s: float) -> tuple[SenderSnapshot, ...]:
    """Every sender that has been heard."""
    return tuple(
        SenderSnapshot(
            source.name,
            sender.address,
            sender.layout,
            sender.datagrams,
            sender.rate_hz(time_s),
            sender.unused,
            dict(sender.causes),
            sender.trouble,
        )
        for source in sources
        for sender in source.senders
    )


def recording_of(recording: LogWriter | None) -> RecordingSnapshot | None:
    """How the recording is, if there is one."""
    if recording is None:
        return None
    return RecordingSnapshot(
        recording.path.name, recording.rows, recording.lost, failed=recording.state == "failed"
    )
