"""The page and the keys of a replay as commands offer them."""

from __future__ import annotations

import argparse
import asyncio
import re
import signal
import sys
import urllib.request
from pathlib import Path

import pytest

from bridge import cli
from bridge.commands import replay
from bridge.commands.replay_keys import press
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import FASTEST, SLOWEST, Playback, ReplaySource
from tests.clock import on_jumping_clock
from tests.commands.started import CIRCUIT, command, environment, started, told
from tests.conftest import PATIENCE_S, ROOT

pytestmark = pytest.mark.slow
PANEL = ROOT / "config" / "panel.toml"


def test_the_demo_prints_the_address_of_its_page_which_is_there(tmp_path: Path) -> None:
    with started(tmp_path, "demo", "--from", "60") as demo:
        demo.wait_for("page: http://127.0.0.1:")
        found = re.search(r"page: (http://127\.0\.0\.1:\d+/)", demo.output)
        assert found
        with urllib.request.urlopen(found[1], timeout=PATIENCE_S) as page:
            assert b"<title>" in page.read()
        assert demo.stop(signal.SIGINT) == 0
        assert "token" not in demo.output


def test_the_demo_flies_a_copy_that_may_be_calibrated_and_goes_with_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    copies = []

    def flown(arguments: argparse.Namespace) -> int:
        copies.append(arguments.panel)
        assert load_panel(arguments.panel).files
        assert all(ROOT not in file.parents for file in load_panel(arguments.panel).files)
        return 0

    monkeypatch.setattr(replay, "run", flown)
    assert cli.main(["demo"]) == 0
    assert not copies[0].parent.exists()


def test_elsewhere_the_link_with_the_token_is_printed_once_and_never_logged(tmp_path: Path) -> None:
    with started(tmp_path, "replay", CIRCUIT, "--panel", PANEL, "--page", "0.0.0.0:0") as replay:
        replay.wait_for("share it on your own network only")
        (token,) = re.findall(r"#token=(\S+)", replay.output)
        assert replay.stop(signal.SIGINT) == 0
        assert replay.output.count(token) == 1


@pytest.mark.parametrize("option", [["--speed", "max"], ["--trace", "trace.csv"]])
def test_a_flight_in_its_own_time_has_no_page(tmp_path: Path, option: list[str]) -> None:
    told(
        command(tmp_path, "replay", CIRCUIT, "--panel", PANEL, *option, "--page"),
        option[0],
        "Leave out --page",
    )


@pytest.mark.parametrize("address", ["here", "127.0.0.1", "198.51.100.1:58280"])
def test_an_address_that_can_not_be_bound_is_explained(tmp_path: Path, address: str) -> None:
    told(command(tmp_path, "run", PANEL, f"--page={address}"), "--page", address)


@on_jumping_clock
async def test_keys_pause_seek_and_change_the_speed_within_bounds() -> None:
    replay = ReplaySource(read_log(CIRCUIT), 1.0, 100.0, clock=asyncio.get_running_loop().time)
    running = asyncio.create_task(replay.run(lambda arrival: None))
    await asyncio.sleep(0)
    press(replay, "space")
    assert replay.playback == Playback(100.0, False, 1.0)
    for key, place_s in (("right", 110.0), ("up", 170.0), ("left", 160.0), ("down", 100.0), ("left", 100.0)):
        press(replay, key)
        await asyncio.sleep(1.0)
        assert replay.playback.time_s == pytest.approx(place_s, abs=0.1), key
    for _ in range(20):
        press(replay, "+")
    assert replay.playback.speed == FASTEST
    for _ in range(20):
        press(replay, "-")
    assert replay.playback.speed == SLOWEST
    press(replay, "q")
    press(replay, "space")
    assert replay.playback.playing
    running.cancel()


def test_the_view_takes_keys_at_a_terminal_and_shows_which(tmp_path: Path) -> None:
    pexpect = pytest.importorskip("pexpect", reason="a terminal is needed", exc_type=ImportError)
    child = pexpect.spawn(
        sys.executable,
        ["-m", "bridge.cli", "replay", str(CIRCUIT), "--panel", str(PANEL), "--view"],
        cwd=tmp_path,
        env=environment(tmp_path),
        dimensions=(40, 120),
        encoding="utf-8",
        timeout=PATIENCE_S,
    )
    try:
        child.expect("playing, speed 1")
        child.expect("space: pause")
        child.send(" ")
        child.expect("paused, speed 1")
        child.send("+")
        child.expect("paused, speed 2")
        child.send(" ")
        child.expect("playing, speed 2")
        child.sendintr()
        child.expect(pexpect.EOF)
        child.close()
        assert child.exitstatus == 0
    finally:
        child.close(force=True)
