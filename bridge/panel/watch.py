"""Watching the description's files: every good change as a new panel, every bad one in words."""

from __future__ import annotations

from collections.abc import AsyncIterator
from functools import partial

import structlog

from bridge.errors import BridgeError
from bridge.panel.load import Panel, load_panel
from bridge.threads import in_thread

_log = structlog.get_logger(__name__)


async def changes(panel: Panel) -> AsyncIterator[Panel]:
    """Yields the panel again after each saved change that is good as a whole.

    A bad change is logged with its places and cures, and yields nothing. Saves that come together
    (an editor's several writes) are taken as one.
    """
    from watchfiles import awatch

    while True:
        folders = {file.parent for file in panel.files}
        async for saved in awatch(*folders, debounce=200, step=50, recursive=False):
            if not any(path.endswith(".toml") for _, path in saved):
                continue
            try:
                panel = await in_thread("reload", partial(load_panel, panel.path))
            except BridgeError as error:
                _log.error("description not taken", cure="the panel flies on as before", why=str(error))
                continue
            _log.info("description taken", panel=str(panel.path))
            yield panel
            if {file.parent for file in panel.files} != folders:
                break
