"""What may be a name or a port in a description: both end up in file names, C, Makefiles and terminals."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

Fault = tuple[str, str, str, str]
"""Key, then found, expected and cure."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_PORT = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*|/[A-Za-z0-9._/:+@=-]+|\\\\\.\\[A-Za-z0-9]+")
_URL = re.compile(r"(socket|rfc2217)://[A-Za-z0-9._\[\]:-]+:[0-9]{1,5}(\?[A-Za-z0-9_=&/.-]*)?")
PORTS = '"/dev/ttyUSB0", "COM3", "socket://host:port" or "rfc2217://host:port"'
"""Kinds of URL that can touch a file or watch a line are not among them."""


def name_faults(table: str, names: Iterable[str]) -> Iterator[Fault]:
    """Names that can't be used, and pairs that would make one file (case, - and _ make no difference)."""
    taken: dict[str, str] = {}
    for name in names:
        key = f"{table}.{name!r}" if not _NAME.fullmatch(name) else f"{table}.{name}"
        if not _NAME.fullmatch(name):
            expected = "letters, digits, - and _, beginning with a letter or digit, 40 at most"
            yield key, f"the name {name!r}", expected, "Rename it"
            continue
        same = name.casefold().replace("_", "-")
        if same in taken:
            found = f"{name!r} beside {taken[same]!r}"
            yield key, found, "names that differ by more than case, - and _", "Rename one of the two"
        taken.setdefault(same, name)


def is_port(text: str) -> bool:
    """Whether this names a serial port, or one over the network (see PORTS)."""
    return bool(_PORT.fullmatch(text) or _URL.fullmatch(text)) and ".." not in text
