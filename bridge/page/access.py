"""Who may do what: addresses, Host and Origin, the token, sizes and rates.

Bound to this machine only, whoever reaches the page may use all of it, but for the trainee's address
(`/?trainee`), which only watches: a courtesy among those at one machine, and no lock. Bound elsewhere,
watching is free and what moves or writes needs the token that is shown at start. Host is checked so that no
foreign name that is made to point here (DNS rebinding) reaches the page through somebody's browser, Origin
so that no foreign page does. Programs that send no Origin are no browsers, and need the token like any.
"""

from __future__ import annotations

import ipaddress
import re
import secrets
import socket
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import urlsplit

from bridge.errors import BridgeError, DescriptionError

MOST_BYTES = 4096
"""A message from a browser has at most so many; the longest that the page sends has some hundred."""
PER_S, BURST = 60.0, 120.0
"""Messages from one browser: as many a second, and as many at once. A key held down repeats 30 times."""
WRONG_TOKENS = 3
"""After so many the connection is closed."""

_ADDRESS = re.compile(r"(?P<host>\[[0-9A-Fa-f:.%]+\]|[A-Za-z0-9.-]{1,253}):(?P<port>[0-9]{1,5})")


class AccessError(BridgeError):
    """Something is refused; the text tells why, and what to do, in a sentence."""


class TooMuchError(AccessError):
    """A message is too long, or there are too many: the connection is closed."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where the page is bound: host without brackets, and port (0: any free one)."""

    host: str
    port: int

    @property
    def url(self) -> str:
        """The page's address for a browser."""
        return f"http://{f'[{self.host}]' if ':' in self.host else self.host}:{self.port}/"


def parse_address(text: str, option: str) -> Address:
    """host:port, as in 127.0.0.1:58280 or [::1]:58280, the value of `option`; raises `DescriptionError`."""
    match = _ADDRESS.fullmatch(text)
    if match is None or int(match["port"]) > 65_535:
        cure = f"Write {option}=127.0.0.1:58280, or {option} alone as the last word"
        raise DescriptionError(option, "", repr(text), "host:port", cure)
    return Address(match["host"].strip("[]"), int(match["port"]))


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach a server that is bound there."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Access:
    """Who may use a page bound at `host`. `token` is None where none is needed."""

    def __init__(self, host: str) -> None:
        self._host = host
        self._local = is_loopback(host)
        self.token = None if self._local else secrets.token_urlsafe(16)

    def check(self, host: str | None, origin: str | None) -> None:
        """Raises `AccessError` for a Host or Origin (the headers' values) that is not this page's own."""
        name = _host_name(host or "")
        if name is None or not self._is_own(name):
            raise AccessError(
                f"This page is not known as {(host or 'nothing')[:100]!r}. Open it by the address that was "
                "printed when it started."
            )
        if origin is not None and urlsplit(origin).netloc.lower() != (host or "").lower():
            raise AccessError(
                f"Another page ({origin[:100]}) may not use this one. Open this page by itself, by the "
                "address that was printed when it started."
            )

    def _is_own(self, name: str) -> bool:
        """A number can't be made to point elsewhere; a name is taken only if it is this machine's."""
        if name == self._host.lower():
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            own = socket.gethostname().lower()
            return name == "localhost" or (not self._local and name in (own, f"{own}.local"))
        return address.is_loopback or not self._local

    def is_token(self, text: str) -> bool:
        """Whether this is the token."""
        return self.token is None or secrets.compare_digest(text.encode(), self.token.encode())


def _host_name(host: str) -> str | None:
    """The name or address in a Host header, without its port; None for what is none."""
    try:
        return urlsplit(f"//{host}").hostname
    except ValueError:
        return None


class Rate:
    """How many messages one browser may send: `PER_S`, and `BURST` at once."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._left = BURST
        self._since_s = clock()

    def take(self) -> None:
        """Take one message; raises `AccessError` when there were too many."""
        now_s = self._clock()
        self._left = min(BURST, self._left + (now_s - self._since_s) * PER_S)
        self._since_s = now_s
        if self._left < 1.0:
            raise TooMuchError(
                f"More than {PER_S:g} messages a second. The connection is closed; load the page again."
            )
        self._left -= 1.0
