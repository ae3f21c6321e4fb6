"""The MQTT broker of a panel, as a person describes it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

from pydantic import Field, field_validator

from bridge.description import MistakeError, StrictModel
from bridge.mqtt.broker import Broker
from bridge.mqtt.topics import TOPICS, is_topic

_HOST = re.compile(r"[A-Za-z0-9._:%-]{1,255}")


def checked_topic(value: str) -> str:
    """The same topic; raises MistakeError where it is none that we use."""
    if not is_topic(value):
        raise MistakeError(repr(value), TOPICS, "Rename it")
    return value


class BrokerDescription(StrictModel):
    """The MQTT broker over which boards of `link = "mqtt"` are reached, and readings go to other panels.

    User and password are never written here: they come from the environment (POINTER_BRIDGE_MQTT_USER,
    POINTER_BRIDGE_MQTT_PASSWORD) or from the file `login`.
    """

    host: str = "127.0.0.1"
    """Its name or address; this machine where none is written."""
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None
    """1883, or 8883 with TLS, where none is written, as in `8883`."""
    prefix: str = "pointer-bridge"
    """The topic below which the boards of this panel are; no two panels of one broker may share it."""
    tls: bool = False
    """Whether to encrypt the connection, and check the broker's certificate."""
    ca: str | None = None
    """The certificate of the authority that signed the broker's; the system's authorities where none is
    written; its path starts at this file, as in `"certificates/ca.pem"`."""
    login: str | None = None
    """A file of two lines, user and password, that only its owner may read; its path starts at this file, as
    in `"broker.login"`."""
    publish: str | None = None
    """The topic at which the readings that arrive here go out to other panels; they go nowhere where none is
    written, as in `"class/readings"`."""

    @field_validator("host")
    @classmethod
    def _host(cls, value: str) -> str:
        if not _HOST.fullmatch(value):
            raise MistakeError(repr(value), "a host's name or address", "Correct it")
        return value

    @field_validator("prefix", "publish")
    @classmethod
    def _topic(cls, value: str | None) -> str | None:
        return None if value is None else checked_topic(value)

    def broker(self, folder: Path) -> Broker:
        """The broker; paths start at this folder."""
        return Broker(
            self.host,
            self.port or (8883 if self.tls else 1883),
            self.tls,
            folder / self.ca if self.ca else None,
            folder / self.login if self.login else None,
        )
