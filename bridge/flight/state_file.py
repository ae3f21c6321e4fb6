"""What must outlive the program: the pointers' positions and a knob's setting, in one small file.

A position from here drives a real pointer, so nothing doubtful is read from it: the file carries a check
sum, every number is looked at, and what can't be used counts as unknown. That a channel has no position in
a whole file means that it never had one. Where positions were lost with a damaged file, the new file is
marked as incomplete for good: there, a channel without a position is unknown, not new.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import threading
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import platformdirs
import structlog

from bridge.flight.chain import PointerAddress, homes
from bridge.outputs import part_name
from bridge.panel.load import Panel
from bridge.quantities.catalogue import CATALOGUE

_log = structlog.get_logger(__name__)

MOST_BYTES = 262_144
"""A panel of 500 pointers has 20 kB; a larger file is not ours."""
_FARTHEST_STEPS = 2**30  # no board has a position beyond it
_SLACK_STEPS = 1.0  # positions are kept rounded


def state_file(panel: Path) -> Path:
    """Where the state of the panel described in this file is kept: the user's state folder."""
    digest = hashlib.sha256(str(panel.resolve()).encode()).hexdigest()[:12]
    return platformdirs.user_state_path("pointer-bridge") / f"{panel.stem}-{digest}.json"


@dataclass(frozen=True, slots=True)
class KeptState:
    """Last positions by board and channel (steps), and the altimeter setting of a knob (inHg).

    `complete` when no position was ever lost: a channel that is missing has never had one.
    """

    positions: Mapping[PointerAddress, float] = field(default_factory=dict)
    setting_inhg: float | None = None
    complete: bool = True


class StateFile:
    """The file at `path`. A disk that fails is reported once and tried again.

    A channel whose position is not known keeps its last one: that is where its pointer was left. `keep` may
    be called from any thread.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.failed = False
        self._kept: KeptState | None = None
        self._stamp: tuple[int, ...] | None = None  # of the file that holds what was kept
        self._writing = threading.Lock()  # one writer at a time, however long the disk takes

    def read(self) -> KeptState:
        """What was kept; nothing, and not complete, when the file is damaged, which is logged once."""
        with self._writing:
            return self._loaded()

    def _loaded(self) -> KeptState:
        if self._kept is None:
            self._stamp = _stamp(self.path)
            self._kept = self._load()
        return self._kept

    def _load(self) -> KeptState:
        try:
            return _parse(_content(self.path))
        except FileNotFoundError:
            return KeptState()
        except (OSError, ValueError, RecursionError) as error:
            _log.error(
                "state file not used",
                file=str(self.path),
                why=str(error) or type(error).__name__,
                cure="the positions in it count as unknown; it is written anew",
            )
            self._stamp = None  # it is written anew
            return KeptState(complete=False)

    def keep(self, positions: Mapping[PointerAddress, float], setting_inhg: float | None = None) -> None:
        """Write these positions beside those kept of others, and the setting; whole, or not at all.

        Nothing is written when neither that nor the file has changed. Without a setting the last one is kept.
        """
        with self._writing:
            before = self._loaded()
            state = KeptState(
                {**before.positions, **positions},
                before.setting_inhg if setting_inhg is None else setting_inhg,
                before.complete,
            )
            is_written = _stamp(self.path) == self._stamp
            if state == before and is_written and not self.failed:
                return
            try:
                self._write(state)
            except OSError as error:
                if not self.failed:
                    cure = "make room, or correct the access rights"
                    _log.error("state not kept", file=str(self.path), why=str(error), cure=cure)
                self.failed = True
            else:
                self.failed = False
                self._stamp = _stamp(self.path)
                self._kept = state

    def _write(self, state: KeptState) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        part = part_name(self.path)
        try:
            with part.open("w", encoding="utf-8") as file:
                file.write(_text(state))
                file.flush()
                os.fsync(file.fileno())
            part.replace(self.path)
        except OSError:
            part.unlink(missing_ok=True)
            raise


def positions_as_left(panel: Panel, file: StateFile) -> dict[PointerAddress, float]:
    """Where the pointers are (steps) if they are as the last run left them; at home if there was none.

    Left out, and logged with the cure, are positions that were lost, and those outside a pointer's travel.
    """
    kept = file.read()
    left: dict[PointerAddress, float] = dict(homes(panel)) if kept.complete else {}
    for pointer in panel.pointers:
        address = (pointer.board, pointer.channel)
        position = kept.positions.get(address)
        if position is not None:
            left[address] = position
            low = -_FARTHEST_STEPS if pointer.low_steps is None else pointer.low_steps - _SLACK_STEPS
            high = _FARTHEST_STEPS if pointer.high_steps is None else pointer.high_steps + _SLACK_STEPS
            if low <= position <= high:
                continue
            del left[address]
            why = f"its last position, {position:.0f} steps, lies outside its travel"
        elif not kept.complete:
            why = "its last position was lost with a damaged state file"
        else:
            continue
        _log.error(
            "position not confirmed",
            pointer=pointer.key,
            why=why,
            cure="if its channel has neither index mark nor stop: turn every such needle to its home "
            f"position by hand, delete {file.path}, and start again with --needles-as-left",
        )
    return left


def _stamp(path: Path) -> tuple[int, ...] | None:
    """What tells, unread, that the file is not what it was; None when there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_ino, found.st_mtime_ns, found.st_size)


def _content(path: Path) -> bytes:
    if not stat.S_ISREG(path.stat().st_mode):
        raise ValueError("it is no regular file")
    with path.open("rb") as file:
        content = file.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise ValueError(f"it has more than {MOST_BYTES} bytes")
    return content


def _text(state: KeptState) -> str:
    boards: dict[str, dict[str, float]] = {}
    for (board, channel), steps in sorted(state.positions.items()):
        boards.setdefault(board, {})[str(channel)] = round(steps, 3)
    data: dict[str, Any] = {"positions_steps": boards, "complete": state.complete}
    if state.setting_inhg is not None:
        data["altimeter_setting_inhg"] = round(state.setting_inhg, 4)
    return json.dumps({**data, "crc32": _check_sum(data)}, indent=1)


def _parse(content: bytes) -> KeptState:
    """Raises ValueError or RecursionError for anything that `_text` does not write."""
    data = json.loads(content, parse_constant=_no_number)
    if not isinstance(data, dict) or data.pop("crc32", None) != _check_sum(data):
        raise ValueError("it is damaged: its check sum is wrong")
    boards = data.get("positions_steps")
    complete = data.get("complete")
    if not isinstance(boards, dict) or not isinstance(complete, bool):
        raise ValueError("it has another form")
    positions = {}
    for board, channels in boards.items():
        if not isinstance(channels, dict):
            raise ValueError("it has another form")
        for channel, steps in channels.items():
            if not channel.isdecimal() or len(channel) > 4 or type(steps) not in (int, float):
                raise ValueError("it has another form")
            if -_FARTHEST_STEPS <= steps <= _FARTHEST_STEPS:
                positions[board, int(channel)] = float(steps)
            else:
                complete = False
    quantity = CATALOGUE["altimeter_setting"]
    setting: Any = data.get("altimeter_setting_inhg")
    usable = type(setting) in (int, float) and quantity.low <= setting <= quantity.high
    return KeptState(positions, float(setting) if usable else None, complete)


def _check_sum(data: dict[str, Any]) -> int:
    return zlib.crc32(json.dumps(data, sort_keys=True).encode())


def _no_number(name: str) -> None:
    raise ValueError(f"{name} is no number")
