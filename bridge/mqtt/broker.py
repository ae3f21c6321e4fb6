"""Where a broker is, and how one is let in there: TLS, and user and password, which no log ever shows."""

from __future__ import annotations

import os
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from stat import S_IRWXG, S_IRWXO

from bridge.errors import BridgeError

USER, PASSWORD = "POINTER_BRIDGE_MQTT_USER", "POINTER_BRIDGE_MQTT_PASSWORD"
"""Environment variables that are read where no file with the login is named."""
_MOST_LOGIN_BYTES = 1000
_THIS_MACHINE = ("127.0.0.1", "::1", "localhost")


class BrokerError(BridgeError):
    """The broker can't be reached, or does not let us in; the message names the cure.

    `taken` when another program came with our name.
    """

    def __init__(self, broker: Broker, why: str, *, taken: bool = False) -> None:
        self.taken = taken
        super().__init__(f"broker {broker.host}:{broker.port}: {why}")


@dataclass(frozen=True, slots=True)
class Login:
    """User and password, either of which may be missing."""

    user: str | None = None
    password: str | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker. `ca` is the file of the authority that signed its certificate, the system's where none is
    named; `login` a file of two lines, user and password."""

    host: str
    port: int
    tls: bool = False
    ca: Path | None = None
    login: Path | None = None

    @property
    def is_readable(self) -> bool:
        """Whether what is sent, a password among it, crosses a network unencrypted."""
        return not self.tls and self.host not in _THIS_MACHINE

    def context(self) -> ssl.SSLContext | None:
        """What TLS needs, None without it; raises BrokerError. The certificate is always checked."""
        if not self.tls:
            return None
        try:
            return ssl.create_default_context(cafile=self.ca)
        except OSError as error:  # ssl.SSLError is one
            why = f"the certificate of its authority, {self.ca}, can't be used ({error}): correct ca"
            raise BrokerError(self, why) from None

    def credentials(self, environment: Mapping[str, str] = os.environ) -> Login:
        """The login, read anew each time so that a corrected one is taken; raises BrokerError."""
        if self.login is None:
            return Login(environment.get(USER), environment.get(PASSWORD))
        try:
            status = self.login.stat()
            if os.name == "posix" and status.st_mode & (S_IRWXG | S_IRWXO):
                why = f"others may read the login in {self.login}: chmod 600 {self.login}"
                raise BrokerError(self, why)
            with self.login.open("rb") as file:
                lines = file.read(_MOST_LOGIN_BYTES).decode().splitlines()
        except (OSError, ValueError) as error:
            why = f"the login in {self.login} can't be read ({getattr(error, 'strerror', 'no UTF-8')})"
            raise BrokerError(self, f"{why}: write user and password there, a line each") from None
        if len(lines) != 2 or not all(lines):
            why = f"the login in {self.login} has {len(lines)} lines: write user and password, a line each"
            raise BrokerError(self, why)
        return Login(lines[0], lines[1])
