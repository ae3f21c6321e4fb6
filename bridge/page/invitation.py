"""What is printed when the page starts: its address; elsewhere than on this machine, the link with the token.

The token is after the `#`, which a browser keeps to itself: it is in no request, so in no log.
"""

from __future__ import annotations

import io
import socket
from dataclasses import replace

import segno

from bridge.page.access import Address

_ANYWHERE = ("0.0.0.0", "::")
_TO_NOWHERE = {  # addresses for documentation (RFC 5737, RFC 3849): nothing is sent there
    "0.0.0.0": (socket.AF_INET, "192.0.2.1"),
    "::": (socket.AF_INET6, "2001:db8::1"),
}


def invitation(address: Address, token: str | None) -> str:
    """The lines to print."""
    if token is None:
        return f"page: {address.url}"
    here = replace(address, host=_own_host(address.host))
    link = f"{here.url}#token={token}"
    code = io.StringIO()
    segno.make(link, micro=False).terminal(code, compact=True)
    return (
        f"page: {here.url} to watch\n"
        f"to move needles, save and control, open this link, or point a camera at the code:\n  {link}\n"
        f"{code.getvalue()}\n"
        "whoever has the link can move the needles: share it on your own network only"
    )


def _own_host(host: str) -> str:
    """The address of this machine as others see it, where the page is bound to all of them."""
    if host not in _ANYWHERE:
        return host
    family, nowhere = _TO_NOWHERE[host]
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((nowhere, 9))
        except OSError:  # no network: the name may do
            return socket.gethostname()
        return str(probe.getsockname()[0])
