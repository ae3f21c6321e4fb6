"""`relay` and `run` in processes of their own, joined by a real broker."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from tests.commands.started import change, command, started, told
from tests.mqtt.broker import running


@pytest.fixture
def mqtt_panel(panel: Path) -> Path:
    for name in ("left", "centre", "right"):
        change(panel, f"[boards.{name}]\n", f'[boards.{name}]\nlink = "mqtt"\n')
    change(panel, "[boards.left]\n", '[broker]\nprefix = "hobnail"\n[boards.left]\n')
    return panel


@pytest.mark.slow
def test_a_panel_flies_behind_a_relay_and_both_end_cleanly(mqtt_panel: Path, tmp_path: Path) -> None:
    host, far = tmp_path / "host", tmp_path / "far"
    host.mkdir()
    far.mkdir()
    with running() as broker:
        change(mqtt_panel, 'prefix = "hobnail"', f'prefix = "hobnail"\nport = {broker.port}')
        with (
            started(host, "run", mqtt_panel) as run,
            started(far, "relay", mqtt_panel, "--virtual") as relay,
        ):
            for board in ("left", "centre", "right"):
                relay.wait_for(f"board={board}")
                run.wait_for(f"board={board} on='every channel known or faulted' state=ready")
            assert relay.stop(signal.SIGTERM) == 0, relay.output
            run.wait_for("its relay was ended")
            assert run.stop(signal.SIGTERM) == 0, run.output
        assert "Traceback" not in run.output + relay.output


def test_a_board_without_a_port_can_not_be_relayed(mqtt_panel: Path, tmp_path: Path) -> None:
    told(command(tmp_path, "relay", mqtt_panel, "--board", "left"), "boards.left.port", "or --virtual")


def test_a_board_that_is_not_over_mqtt_can_not_be_relayed(panel: Path, tmp_path: Path) -> None:
    told(command(tmp_path, "relay", panel), 'link = "mqtt"')
    told(command(tmp_path, "relay", panel, "--board", "nose"), "--board nose")
