"""The notification protocol of systemd, sd_notify(3), and its judgement of the unit where it is installed."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.cli import main
from bridge.operation import systemd
from bridge.operation.systemd import Notifier
from tests.conftest import ROOT, until
from tests.page.served import served

UNIT = ROOT / "config" / "systemd" / "pointer-bridge.service"
RELAY = UNIT.with_name("relay.conf")
PROGRAM = "/opt/pointer-bridge/.venv/bin/pointer-bridge"
needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")


@pytest.fixture(params=["file", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """A service manager's socket, and its name in the environment."""
    name = str(tmp_path / "notify") if request.param == "file" else f"@{tmp_path}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind("\0" + name[1:] if name.startswith("@") else name)
        line.setblocking(False)
        yield line, name


def heard(line: socket.socket) -> list[str]:
    """Every line of what has arrived."""
    lines = []
    while True:
        try:
            lines += line.recv(4096).decode().splitlines()
        except BlockingIOError:
            return lines


@pytest.mark.slow
async def test_readiness_the_watchdog_and_the_end_are_reported(
    manager: tuple[socket.socket, str], panel: Path
) -> None:
    line, name = manager
    environment = {"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "100000", "WATCHDOG_PID": str(os.getpid())}
    lines: list[str] = []

    def reported() -> bool:
        lines.extend(heard(line))
        flying = f"STATUS=telemetry live, {boards} of {boards} boards ready"
        return lines.count("WATCHDOG=1") >= 3 and flying in lines

    async with served(panel) as (service, _):
        boards = len(service.boards)
        assert heard(line) == []
        part = asyncio.create_task(Notifier(service, environment).run())
        await until(reported, "the watchdog fed three times, and live telemetry")
        part.cancel()
        await asyncio.wait([part])
    assert lines[0] == "READY=1"
    assert heard(line)[-1] == "STOPPING=1"


@pytest.mark.slow
async def test_the_watchdog_is_not_fed_while_no_frame_goes_out(
    manager: tuple[socket.socket, str], panel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    line, name = manager
    monkeypatch.setattr(systemd, "STALLED_S", -1.0)  # every frame is too late
    asked: list[float] = []
    async with served(panel) as (service, _):
        clock = service.clock

        def asking() -> float:
            asked.append(clock())
            return asked[-1]

        monkeypatch.setattr(service, "clock", asking)
        environment = {"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "20000"}
        part = asyncio.create_task(Notifier(service, environment).run())
        await until(lambda: len(asked) > 50, "the watchdog thought of several times")
        part.cancel()
        await asyncio.wait([part])
    lines = heard(line)
    assert "READY=1" in lines and "WATCHDOG=1" not in lines


@pytest.mark.parametrize(
    "environment, every_s",
    [
        ({"WATCHDOG_USEC": "10000000"}, 5.0),
        ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}, 1.5),
        ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}, 5.0),  # another process is watched
        ({}, 5.0),
        ({"WATCHDOG_USEC": "soon"}, 5.0),
    ],
)
def test_the_watchdog_is_fed_twice_in_its_time(environment: dict[str, str], every_s: float) -> None:
    notifier = Notifier(None, {"NOTIFY_SOCKET": "/nowhere", **environment})  # type: ignore[arg-type]
    assert notifier.every_s == every_s


@needs_systemd
@pytest.mark.parametrize("relays", [False, True])
def test_systemd_takes_the_unit_and_finds_little_exposed(relays: bool, tmp_path: Path) -> None:
    """Its own scale goes from 0 to 10; what calls less than 2 is a service with next to no rights."""
    unit = tmp_path / UNIT.name
    drop_in = tmp_path / f"{UNIT.name}.d" / RELAY.name
    drop_in.parent.mkdir()
    for shipped, copy in [(UNIT, unit), *([(RELAY, drop_in)] if relays else [])]:
        text = shipped.read_text(encoding="utf-8")
        assert PROGRAM in text
        copy.write_text(text.replace(PROGRAM, shutil.which("true") or ""), encoding="utf-8")
    verified = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", unit], capture_output=True, text=True, check=False
    )
    assert unit.name not in verified.stderr
    judged = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", "--no-pager", unit],
        capture_output=True,
        text=True,
        check=False,
    )
    assert judged.returncode == 0, judged.stdout[-300:] + judged.stderr
    assert "exposure level" in judged.stdout


@pytest.mark.parametrize("file, command", [(UNIT, "run"), (RELAY, "relay")])
def test_the_program_takes_what_systemd_starts_it_with(
    file: Path, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With a description that is not there: it is all that the program finds wrong."""
    [line] = re.findall(f"^ExecStart={PROGRAM} (.+)$", file.read_text(encoding="utf-8"), re.MULTILINE)
    panel = tmp_path / "panel.toml"
    assert main(line.replace("/etc/pointer-bridge/panel.toml", str(panel)).split()) == 2
    assert capsys.readouterr().err.startswith(f"pointer-bridge {command}: {panel}: ")
