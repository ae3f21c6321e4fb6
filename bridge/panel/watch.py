"""Watching the description's files: every change of what they describe as a new panel, mistakes in words.

The files are looked at a few times a second. Whatever becomes of their folders (deleted and made anew,
replaced by a copy, reached by a link, mounted from elsewhere), they are found again where they are named.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path

import structlog

from bridge.errors import BridgeError
from bridge.panel.load import Panel, load_panel
from bridge.threads import in_thread

_log = structlog.get_logger(__name__)
_Stamps = Mapping[Path, tuple[int, ...]]

LOOK_S = 0.2
"""Between two looks; a change counts once the next look finds no more: editors save in several writes."""


async def changes(
    flying: Callable[[], Panel],
    load: Callable[[Path], Panel] = load_panel,
    mistaken: Callable[[str], object] = lambda mistakes: None,
) -> AsyncIterator[Panel]:
    """Yields a panel whenever `load` makes another one of its files than `flying` returns.

    Mistakes are logged with places and cures, the same ones once, and yield nothing; `mistaken` is called
    with them, and with nothing once there are none. Files that are saved or touched but describe the same are
    not logged.
    """
    mistakes = ""
    async for _ in saved(lambda: flying().files):
        try:
            panel = await in_thread("reload", partial(load, flying().path))
        except BridgeError as error:
            if str(error) != mistakes:
                mistakes = str(error)
                _log.error("description not taken", cure="the panel flies on as before", why=mistakes)
                mistaken(mistakes)
            continue
        if panel != flying():
            yield panel
        elif mistakes:
            _log.info("description is good again", panel=str(panel.path))
            mistaken("")
        mistakes = ""


async def saved(files: Callable[[], Iterable[Path]]) -> AsyncIterator[None]:
    """Yields once at the start, and whenever these files have changed since and change no more."""
    # Nothing is taken yet: files may have changed between their loading and the first look.
    taken: _Stamps = {}
    before = taken
    while True:
        await asyncio.sleep(LOOK_S)
        found = await in_thread("watch", partial(_stamps, files()))
        if found != before or found == taken:
            before = found
            continue
        taken = found
        yield


def _stamps(files: Iterable[Path]) -> _Stamps:
    """What tells, unread, that one of these files, or a TOML file beside them, is not what it was."""
    watched = set(files)
    for folder in {file.parent for file in watched}:
        with suppress(OSError):
            watched.update(folder.glob("*.toml"))
    stamps = {}
    for file in watched:
        with suppress(OSError):  # missing: that is a change, and loading finds the words for it
            found = file.stat()
            stamps[file] = (found.st_mode, found.st_dev, found.st_ino, found.st_mtime_ns, found.st_size)
    return stamps
