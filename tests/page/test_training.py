"""What an instructor's browser is sent and may ask, and what a trainee's is not."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.logs import LogTail
from bridge.page.server import Page
from tests.flight.one_gauge import one_gauge
from tests.page.served import served, watching

pytestmark = pytest.mark.slow

LINES = ["failure failure=needle_sticks", "telemetry state=live"]


async def is_kept_from_who_may_only_watch(page: Page, shown: float) -> None:
    """A trainee who opens the page now sees what the needle shows, and nothing on failures."""
    async with watching(page) as trainee:
        described = await trainee.until("panel", lambda message: True)
        assert described["replay"]["altitude"] is None
        await trainee.until("health", lambda message: True)
        health = await trainee.until("health", lambda message: True)  # made while the browser watched
        (reading,) = health["readings"]
        assert (reading["name"], reading["unit"]) == ("engine_speed", "rpm")
        assert reading["value"] == pytest.approx(shown, abs=0.06)
        assert [each["text"] for each in health["log"]] == LINES[1:]
        assert await trainee.ask("enter", token=page.access.token) is None
        assert trainee.latest["panel"]["replay"]["altitude"]["points"]
        health = await trainee.until("health", lambda message: len(message["log"]) == 2)
        assert len(health["readings"]) > 1


async def test_on_this_machine_the_trainees_address_only_watches(tmp_path: Path) -> None:
    panel = tmp_path / "panel.toml"
    panel.write_text(one_gauge("last"))
    tail = LogTail()
    tail.take(None, "info", {"event": "failure", "failure": "needle_sticks"})
    tail.take(None, "info", {"event": "telemetry", "state": "live"})
    async with served(panel, tail=tail) as (service, page), watching(page, "?trainee") as trainee:
        needle = next(iter(service.running.chain.pointers.values())).pointer.key
        described = await trainee.until("panel", lambda message: True)
        you = trainee.latest.get("you") or await trainee.until("you", lambda message: True)
        assert you["may_move"] is False
        assert "may only watch" in (await trainee.ask("fail", kind="needle_sticks", pointer=needle) or "")
        async with watching(page) as instructor:
            assert await instructor.ask("fail", kind="needle_sticks", pointer=needle) is None
            await instructor.until("training", lambda message: message["truth"])
            (reading,) = (await trainee.until("health", lambda message: message["readings"]))["readings"]
            assert reading["name"] == "engine_speed"
        assert [each["text"] for each in trainee.latest["health"]["log"]] == LINES[1:]
        assert described["replay"]["altitude"] is None
        assert trainee.latest["panel"]["replay"]["altitude"] is None
        assert "training" not in trainee.latest


async def test_who_may_not_move_can_neither_switch_failures_nor_see_what_is_true(tmp_path: Path) -> None:
    panel = tmp_path / "panel.toml"
    panel.write_text(one_gauge("last"))
    tail = LogTail()
    tail.take(None, "info", {"event": "failure", "failure": "needle_sticks"})
    tail.take(None, "info", {"event": "telemetry", "state": "live"})
    async with served(panel, "0.0.0.0", tail) as (service, page), watching(page) as trainee:
        needle = next(iter(service.running.chain.pointers.values())).pointer.key
        asked = {"kind": "needle_sticks", "pointer": needle}
        assert "may only watch" in (await trainee.ask("fail", **asked) or "")
        assert "may only watch" in (await trainee.ask("repair", failure="suction_lost") or "")
        assert "may only watch" in (await trainee.ask("tap") or "")
        async with watching(page) as instructor:
            assert await instructor.ask("enter", token=page.access.token) is None
            assert await instructor.ask("speed", factor=10) is None  # so that the engine speed soon changes
            assert await instructor.ask("fail", **asked) is None
            seen = await instructor.until("training", lambda message: message["truth"])
            assert [each["name"] for each in seen["in_force"]] == [f"needle_sticks {needle}"]
            (truth,) = seen["truth"]
            assert (truth["pointer"], truth["unit"]) == (needle, "rpm")
            assert truth["shown"] != truth["true"]
            await is_kept_from_who_may_only_watch(page, truth["shown"])
            seen_by_all = await instructor.until("health", lambda message: True)
            assert [each["text"] for each in seen_by_all["log"]] == LINES
            assert len(seen_by_all["readings"]) > 1
            assert await instructor.ask("tap", pointer=needle) is None
            assert await instructor.ask("repair", failure=f"needle_sticks {needle}") is None
            await instructor.until("training", lambda message: not message["in_force"])
            for fields, found in (
                ({"kind": "needle_sticks", "pointer": "tachometer.hand"}, "There is no needle"),
                ({"kind": "suction_loss"}, "Did you mean suction_lost"),
                ({"kind": "altimeter_misset"}, "needs by_inhg"),
                ({"kind": "position_error"}, "would have no effect"),
                ({"kind": "cold_air", "parameters": {"deviation_k": -999}}, "outside -80 to 50"),
            ):
                assert found in (await instructor.ask("fail", **fields) or "")
        for _ in range(3):
            await trainee.until("health", lambda message: True)
        assert "training" not in trainee.latest
