"""Where telemetry comes from, as a person writes it: UDP ports, and topics at the broker."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from pydantic import field_validator, model_validator

from bridge.description import MistakeError, StrictModel
from bridge.panel.broker import checked_topic

_HOST = re.compile(r"[A-Za-z0-9._:%\[\]-]{1,255}")
_PORT = re.compile(r"[0-9]{1,5}")


class PortDescription(StrictModel):
    """One UDP port."""

    listen: str
    """Address and port; of this machine alone unless another is named, as in `"127.0.0.1:58226"`."""
    allow: tuple[str, ...] = ("127.0.0.0/8", "::1/128")
    """Senders that are heard, addresses or networks, as in `["192.168.1.20"]`."""

    @field_validator("listen")
    @classmethod
    def _address(cls, value: str) -> str:
        host, _, port = value.rpartition(":")
        if not _HOST.fullmatch(host) or not _PORT.fullmatch(port) or int(port) > 65_535:
            expected = 'host:port, the port from 0 to 65535, as in "127.0.0.1:58226"'
            raise MistakeError(repr(value), expected, "Correct it")
        return value

    @field_validator("allow")
    @classmethod
    def _networks(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for item in value:
            try:
                ipaddress.ip_network(item, strict=False)
            except ValueError:
                raise MistakeError(
                    repr(item), 'an address or network, as in "192.168.1.20"', "Correct it"
                ) from None
        return value

    @property
    def host(self) -> str:
        """The address to listen on, without the brackets of IPv6."""
        return self.listen.rpartition(":")[0].strip("[]")

    @property
    def port(self) -> int:
        """The port to listen on; 0 lets the system choose one."""
        return int(self.listen.rpartition(":")[2])


@dataclass(frozen=True, slots=True)
class SourceKind:
    """What a kind of source means: keys that it must have and no other may, and where readings come in."""

    needed: tuple[str, ...]
    over_broker: bool = False
    has_port: bool = False


SOURCE_KINDS: Mapping[str, SourceKind] = {
    "udp": SourceKind(needed=("listen", "layouts"), has_port=True),
    "mqtt": SourceKind(needed=("topic",), over_broker=True),
}
"""Every kind that `SourceDescription.kind` allows; how each is made is in `bridge.flight.sources`."""


class SourceDescription(PortDescription):
    """Where telemetry comes from: a UDP port with the layouts of the datagrams that arrive there, or the
    readings that another panel publishes at the broker."""

    kind: Literal["udp", "mqtt"] = "udp"
    """Whether it is a UDP port here, or a topic at the broker."""
    listen: str = ""
    """Of a UDP port, its address; of this machine alone unless another is named, as in
    `"127.0.0.1:58226"`."""
    layouts: tuple[str, ...] = ()
    """Of a UDP port, files that describe the datagrams; paths start at this file, as in
    `["layouts/own.toml"]`."""
    topic: str | None = None
    """At the broker, where the other panel publishes, as in `"class/readings"`."""

    @field_validator("topic")
    @classmethod
    def _plain(cls, value: str | None) -> str | None:
        return None if value is None else checked_topic(value)

    @model_validator(mode="after")
    def _of_its_kind(self) -> SourceDescription:
        needed = SOURCE_KINDS[self.kind].needed
        for key in needed:
            if not getattr(self, key):
                raise MistakeError(f"a source of kind {self.kind} without {key}", key, f"Add {key}")
        for key in {key for kind in SOURCE_KINDS.values() for key in kind.needed} - set(needed):
            if getattr(self, key):
                found = f"a source of kind {self.kind} with {key}"
                raise MistakeError(found, ", ".join(needed), f"Take {key} out, or change kind")
        return self

    @property
    def over_broker(self) -> bool:
        """Whether its readings come over the broker."""
        return SOURCE_KINDS[self.kind].over_broker

    @property
    def has_port(self) -> bool:
        """Whether it listens on a UDP port of this machine."""
        return SOURCE_KINDS[self.kind].has_port
