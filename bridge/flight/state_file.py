"""What must outlive the program: positions and a knob's setting, in a small file, replaced atomically."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path

import platformdirs
import structlog

from bridge.quantities.catalogue import CATALOGUE

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
        self._kept: tuple[dict[tuple[str, int], float], float | None] | None = None

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

    def read_setting_inhg(self) -> float | None:
        """The altimeter setting of the knob as it was kept; None where none was, or it can't be one."""
        quantity = CATALOGUE["altimeter_setting"]
        try:
            setting = float(json.loads(self.path.read_text(encoding="utf-8"))["altimeter_setting_inhg"])
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return None
        return setting if quantity.low <= setting <= quantity.high else None

    def keep(self, positions: Mapping[tuple[str, int], float], setting_inhg: float | None = None) -> None:
        """Write these positions, beside those kept of others, and the altimeter setting of the knob, if any.

        They are written if they changed, whole or not at all.
        """
        if self._kept is None:
            self._kept = self.read(), self.read_setting_inhg()
        positions = self._kept[0] | dict(positions)
        setting_inhg = self._kept[1] if setting_inhg is None else setting_inhg
        if (positions, setting_inhg) == self._kept and not self.failed:
            return
        boards: dict[str, dict[str, float]] = {}
        for (board, channel), steps in sorted(positions.items()):
            boards.setdefault(board, {})[str(channel)] = round(steps, 3)
        fresh = self.path.with_suffix(".new")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with fresh.open("w", encoding="utf-8") as file:
                state: dict[str, object] = {"positions_steps": boards}
                if setting_inhg is not None:
                    state["altimeter_setting_inhg"] = round(setting_inhg, 4)
                json.dump(state, file, indent=1)
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(self.path)
        except OSError as error:
            if not self.failed:
                _log.error(
                    "state not kept",
                    file=str(self.path),
                    why=str(error),
                    cure="make room, or correct the access rights",
                )
            self.failed = True
            return
        self.failed = False
        self._kept = positions, setting_inhg
