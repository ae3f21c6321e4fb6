"""What must outlive the program: where the pointers stood, in one small file, replaced atomically."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path

import platformdirs
import structlog

_log = structlog.get_logger(__name__)


def state_file(panel: Path) -> Path:
    """Where the state of the panel described in this file is kept: the user's state folder."""
    digest = hashlib.sha256(str(panel.resolve()).encode()).hexdigest()[:12]
    return platformdirs.user_state_path("pointer-bridge") / f"{panel.stem}-{digest}.json"


class StateFile:
    """Last positions by board and channel, in steps. A disk that fails is said once and tried again.

    A channel whose position is not known keeps its last one: that is where its needle was left.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.failed = False
        self._kept: dict[tuple[str, int], float] | None = None

    def read(self) -> dict[tuple[str, int], float]:
        """The positions kept, none where there is no file or it is damaged (which is said)."""
        try:
            data = json.loads(self.path.read_text(encoding="utf-8"))
            return {
                (str(board), int(channel)): float(steps)
                for board, channels in data["positions_steps"].items()
                for channel, steps in channels.items()
            }
        except FileNotFoundError:
            return {}
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            _log.warning(
                "state file not used", file=str(self.path), why=str(error), cure="it is written anew"
            )
            return {}

    def keep(self, positions: Mapping[tuple[str, int], float]) -> None:
        """Write these positions, beside those kept of others, if they changed; whole or not at all."""
        if self._kept is None:
            self._kept = self.read()
        positions = self._kept | dict(positions)
        if positions == self._kept and not self.failed:
            return
        boards: dict[str, dict[str, float]] = {}
        for (board, channel), steps in sorted(positions.items()):
            boards.setdefault(board, {})[str(channel)] = round(steps, 3)
        fresh = self.path.with_suffix(".new")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with fresh.open("w", encoding="utf-8") as file:
                json.dump({"positions_steps": boards}, file, indent=1)
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(self.path)
        except OSError as error:
            if not self.failed:
                _log.error(
                    "state not kept", file=str(self.path), why=str(error), cure="make room, or mend access"
                )
            self.failed = True
            return
        self.failed = False
        self._kept = positions
