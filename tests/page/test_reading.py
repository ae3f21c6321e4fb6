"""A test of a gauge whose needle somebody reads in a browser: asked, typed in, and on the record."""

from __future__ import annotations

import json
import re
import signal
from pathlib import Path

import pytest

from bridge.flight.dry_run import virtual_board
from bridge.panel.load import load_panel
from tests.boards.pty_board import PtyBoard
from tests.commands.started import started
from tests.conftest import wait_until
from tests.flight.one_gauge import one_gauge
from tests.page.conftest import OpenPage

pytestmark = pytest.mark.slow


def test_a_needle_is_read_in_a_browser(tmp_path: Path, open_page: OpenPage) -> None:
    panel = tmp_path / "panel.toml"
    panel.write_text(one_gauge("last", tmp_path / "ttyBOARD"))
    board = PtyBoard(tmp_path, virtual_board(load_panel(panel), "only").described, 500)
    board.plug()
    record = tmp_path / "proof" / "tachometer-needle.json"
    words = ("--needles-as-left", "--hold", "0.1", "--read-to", "5", "--page", "127.0.0.1:0")
    try:
        with started(tmp_path, "prove", "tachometer", "--panel", panel, *words) as proof:
            proof.wait_for("page: http://127.0.0.1:")
            found = re.search(r"page: (http://\S+)", proof.output)
            assert found
            page = open_page(found[1])
            test = page.get_by_role("region", name="Test of tachometer.needle")
            value = test.get_by_label("It shows, rpm")
            value.wait_for()
            assert "0 of" in test.inner_text()
            assert not page.locator("#panel").is_visible()  # it shows what is to be read
            value.fill("3000")
            page.keyboard.press("Enter")
            test.get_by_text("3000 is far from what is to be expected").wait_for()
            value.fill("a lot")
            page.keyboard.press("Enter")
            test.get_by_text("expected a number").wait_for()
            value.fill("371,5")
            page.keyboard.press("Enter")
            test.get_by_role("heading", name="1 of").wait_for()
            wait_until(lambda: len(json.loads(record.read_text())["readings"]) == 1, "kept")
            assert json.loads(record.read_text())["readings"][0]["read"] == 371.5
            test.get_by_role("button", name="Read the one before again").click()
            test.get_by_role("heading", name="0 of").wait_for()
            page.close()  # it would complain that nobody is there any more
            assert proof.stop(signal.SIGINT) == 1  # the test is not finished, and says so
            assert "readings are still to be taken" in proof.output
    finally:
        board.unplug()
    assert json.loads(record.read_text())["readings"] == []
