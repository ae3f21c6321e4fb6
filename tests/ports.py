"""Ports for programs that must be told theirs: free, and of those that the system hands to nobody by itself.

A port that the system gives out for 0 may be given to the next who asks, once it is closed again; one of
these stays free until somebody asks for it by number, also while a broker that had it is started again.
"""

from __future__ import annotations

import secrets
import socket

_FIRST, _COUNT = 12_000, 20_000
"""Registered ports, below what Linux (32768 on), BSD, macOS and Windows (49152 on) give out by themselves."""


def free_port(kind: socket.SocketKind) -> int:
    """A port of 127.0.0.1 that nobody has. Not by `random`, whose seed all workers of a run share."""
    while True:
        port = _FIRST + secrets.randbelow(_COUNT)
        with socket.socket(socket.AF_INET, kind) as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
