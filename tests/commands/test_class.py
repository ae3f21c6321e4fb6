"""An instructor's panel and one of the class, in processes of their own, joined by a real broker."""

from __future__ import annotations

import shutil
import signal
from pathlib import Path

import pytest

from tests.commands.started import CIRCUIT, started
from tests.conftest import ROOT
from tests.mqtt.broker import running

pytestmark = pytest.mark.slow


def panel(folder: Path, broker_port: int, lines: str, sources: str) -> Path:
    """The demo panel in a folder of its own, with these lines under [broker] and these sources."""
    shutil.copytree(ROOT / "config", folder)
    file = folder / "panel.toml"
    text = file.read_text(encoding="utf-8")
    head, _, rest = text.partition("[[sources]]\n")
    _, _, rest = rest.partition("\n\n")
    broker = f"[broker]\nport = {broker_port}\n{lines}\n"
    file.write_text(f"{head}{sources}\n{broker}\n{rest}", encoding="utf-8")
    return file


def test_what_the_instructor_replays_the_class_flies(tmp_path: Path) -> None:
    topic = "class/readings"
    with running() as broker:
        teacher = panel(tmp_path / "teacher", broker.port, f'publish = "{topic}"', "")
        pupil = panel(tmp_path / "pupil", broker.port, "", f'[[sources]]\nkind = "mqtt"\ntopic = "{topic}"\n')
        with (
            started(tmp_path / "pupil", "run", pupil) as run,
            started(tmp_path / "teacher", "replay", CIRCUIT, "--panel", teacher, "--virtual") as replay,
        ):
            replay.wait_for("publishing")
            run.wait_for("state=live")
            assert replay.stop(signal.SIGTERM) == 0, replay.output
            run.wait_for("state=silent")
            assert run.stop(signal.SIGTERM) == 0, run.output
        assert "Traceback" not in run.output + replay.output
