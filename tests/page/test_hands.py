"""Hands on a needle through the page: knob and buttons, the link with the token, browsers that misbehave."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import cos, radians, sin
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bridge.flight import bench
from bridge.flight.service import Service
from bridge.flight.snapshot import BenchSnapshot
from bridge.page.access import Address
from tests.conftest import ROOT, wait_until
from tests.page.conftest import OpenPage
from tests.page.flying import Flying, Frames

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def flying(module_config: Path) -> Iterator[Flying]:
    """Bound to every address, so that the token is needed to move anything."""
    log = ROOT / "replay_logs" / "circuit.csv"
    with Flying(module_config / "panel.toml", log, 100.0, Address("0.0.0.0", 0)) as flight:
        yield flight


def at_bench(flying: Flying) -> BenchSnapshot | None:
    """The one gauge at the bench."""
    found = flying.ask(lambda service: service.benches.snapshot(service.clock()))
    return found[0] if found else None


def steps(flying: Flying) -> float:
    """Where the gauge at the bench rests."""
    rests: list[float] = []

    def rested() -> bool:
        now = at_bench(flying)
        if now is not None and not now.moving and now.steps is not None:
            rests.append(now.steps)
        return bool(rests)

    wait_until(rested, "the needle at rest")
    return rests[0]


@pytest.fixture
def holder(flying: Flying, open_page: OpenPage) -> Page:
    """A page with the token, that has the airspeed indicator at the bench, with nothing captured."""
    return with_gauge(flying, open_page, "airspeed")


def with_gauge(flying: Flying, open_page: OpenPage, gauge: str) -> Page:
    """A page with the token, that has this gauge at the bench, on its way to a mark."""
    page = open_page(f"{flying.url}#token={flying.token}")
    page.goto(f"{flying.url}#/bench/{gauge}")
    page.locator("[data-do=take]").click()
    page.locator("[data-do=approach]").click()
    page.locator("[data-do=capture]").wait_for()
    return page


def test_without_the_link_a_browser_may_watch_and_stop_and_with_it_move(
    flying: Flying, open_page: OpenPage
) -> None:
    watcher = open_page(f"{flying.url}#/bench/airspeed")
    watcher.locator(".now-text", has_text="This browser may look, not move").wait_for()
    assert not watcher.locator("[data-do=take]").is_visible()
    watcher.keyboard.press("Escape")
    wait_until(lambda: flying.ask(lambda service: service.benches.stopped), "stopped")
    watcher.get_by_role("button", name="Go on").click()
    watcher.locator("#summary", has_text="This browser may only watch").wait_for()
    watcher.goto(f"{flying.url}#token=guessed")
    watcher.reload()
    watcher.get_by_role("button", name="Go on").click()
    watcher.locator("#summary", has_text="This browser may only watch").wait_for()
    page = open_page(f"{flying.url}#token={flying.token}")
    page.get_by_role("button", name="Go on").click()
    wait_until(lambda: not flying.ask(lambda service: service.benches.stopped), "going on")
    assert "token" not in page.url, "the link is not left to be read over the shoulder"
    page.goto(f"{flying.url}#/bench/airspeed")
    page.locator("[data-do=take]").click()
    page.locator("[data-do=approach]").wait_for()
    watcher.goto(f"{flying.url}#/bench/airspeed")
    watcher.get_by_text("◐ at the bench with guest").wait_for()
    page.locator("[data-do=release]").wait_for(state="hidden")
    page.get_by_role("button", name="Give back").click()
    wait_until(lambda: at_bench(flying) is None, "the gauge given back")


def test_the_knob_is_dragged_a_click_at_a_time_and_a_button_turns_while_it_is_held(
    flying: Flying, holder: Page
) -> None:
    """Fifteen degrees round the knob are a click: a quarter turn is six steps."""
    knob = holder.get_by_role("slider", name="Knob: turns the needle")
    knob.scroll_into_view_if_needed()
    box = knob.bounding_box()
    assert box is not None
    x, y, radius = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, 0.4 * box["width"]

    def drag(from_deg: int, to_deg: int) -> None:
        way = 5 if to_deg > from_deg else -5
        for angle in range(from_deg, to_deg + way, way):
            holder.mouse.move(x + radius * sin(radians(angle)), y - radius * cos(radians(angle)))
            if angle == from_deg:
                holder.mouse.down()
        holder.mouse.up()

    before = steps(flying)
    holder.locator(".now-text", has_text="Turn the needle until it covers").wait_for()
    drag(-46, 46)
    wait_until(lambda: steps(flying) == before + 6, "six steps on")
    drag(170, 124)
    wait_until(lambda: steps(flying) == before + 3, "three steps back")
    assert knob.bounding_box() == box, "it stays where it is under the hand"
    before = steps(flying)
    button = holder.get_by_role("button", name="Turn clockwise while held", exact=True)
    button.hover()
    holder.mouse.down()
    wait_until(lambda: (now := at_bench(flying)) and (now.steps or 0.0) > before + 10, "it turns")
    holder.mouse.up()
    turned = steps(flying)
    assert turned > before + 10
    button.focus()
    holder.keyboard.down(" ")
    wait_until(lambda: (now := at_bench(flying)) and (now.steps or 0.0) > turned + 5, "it turns by key")
    holder.keyboard.up(" ")
    assert steps(flying) > turned


SIGHTS = """() => {
  const boxes = [".look .dial", ".knob", "[data-do=capture]", ".covers"].map((selector) =>
    document.querySelector(selector).getBoundingClientRect());
  const [dial, knob, ...captures] = boxes;
  const capture = captures.findLast((box) => box.height);
  const top = Math.min(dial.top, knob.top, capture.top);
  const bottom = Math.max(dial.bottom, knob.bottom, capture.bottom);
  return bottom - top <= window.innerHeight - document.querySelector(".sill").offsetHeight;
}"""


def test_needle_knob_and_capture_are_in_sight_at_once_and_stop_below_them(holder: Page) -> None:
    """On a tablet, either way up, on a phone held upright, and on a wall."""
    for width, height in ((1024, 768), (768, 1024), (360, 740), (1920, 1080), (3840, 2160)):
        holder.set_viewport_size({"width": width, "height": height})
        holder.wait_for_function(SIGHTS)
        box = holder.get_by_role("button", name="STOP").bounding_box()
        assert box is not None
        assert box["width"] * box["height"] >= 0.002 * width * height, "no small target on a large screen"
        assert box["width"] >= 120 and box["height"] >= 55
        assert box["x"] + box["width"] <= width and box["y"] + box["height"] <= height


def test_of_jogs_only_what_is_next_is_read_out_and_where_the_needle_rests(
    flying: Flying, holder: Page
) -> None:
    """The guide's sentence changes with every jog; a screen reader has it when it is another mark's."""
    told = holder.locator(".told")
    told.get_by_text("Turn the needle until it covers 40").wait_for()
    holder.evaluate(
        """() => {
          window.told = [];
          window.guided = 0;
          const watch = (selector, does) =>
            new MutationObserver(does).observe(document.querySelector(selector), { childList: true });
          watch(".told", () => window.told.push(performance.now()));
          watch(".now-text", () => (window.guided += 1));
        }"""
    )
    knob = holder.get_by_role("slider", name="Knob: turns the needle")
    for key in ("ArrowUp", "ArrowUp", "ArrowDown"):
        before = steps(flying)
        knob.press(key)
        wait_until(lambda: steps(flying) != before, "it is jogged")  # noqa: B023
    holder.locator(".now-text", has_text="Turn the needle until it covers 40").wait_for()
    holder.wait_for_function("(knob) => /at rest/.test(knob.ariaValueText)", arg=knob.element_handle())
    assert holder.evaluate("() => window.guided") > 0, "in sight it changes"
    assert holder.evaluate("() => window.told.length") == 0
    knob.press("Enter")
    told.get_by_text("Turn the needle until it covers 60").wait_for()
    knob.press("Enter")
    told.get_by_text("Turn the needle until it covers 80").wait_for()
    times = holder.evaluate("() => window.told")
    for left in (1, 0):
        holder.get_by_role("button", name="Undo the last capture").click()
        wait_until(lambda: holder.locator(".results tbody tr").count() == left, "a capture less")  # noqa: B023
    assert all(later - earlier >= 990 for earlier, later in pairwise(times))


def test_a_needle_that_a_vanished_browser_turned_stops_and_its_gauge_is_given_back(
    flying: Flying, holder: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = steps(flying)
    holder.get_by_role("button", name="Turn clockwise fast while held").hover()
    holder.mouse.down()
    wait_until(lambda: (now := at_bench(flying)) and (now.steps or 0.0) > before + 10, "it turns")
    holder.context.close()
    stopped_at = steps(flying)
    assert flying.ask(lambda service: service.running.chain.pointers["right", 0].motion.at_rest)
    assert (now := at_bench(flying)) and now.steps == stopped_at, "still held, and still there"
    monkeypatch.setattr(bench, "GIVE_BACK_S", 0.5)
    wait_until(lambda: at_bench(flying) is None, "the gauge given back")


def test_browsers_that_hang_flood_or_close_in_mid_capture_take_no_frame_from_any_board(
    flying: Flying, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In every tick each board gets its frame, as it does before; the one that hangs loses its gauge."""
    holder = with_gauge(flying, open_page, "vertical_speed")  # whose captures are of no other test
    frames = Frames(flying)
    assert set(frames.missing().values()) == {0}, "before"
    flooding = open_page(flying.url)
    told = flooding.evaluate(
        """() => new Promise((done) => {
          const line = new WebSocket(`ws://${location.host}/live`);
          line.onopen = () => { for (let id = 0; id < 5000; id++) line.send(`{"id":${id},"do":"alive"}`); };
          line.onclose = (event) => done(event.reason);
        })"""
    )
    assert "messages a second" in told
    assert set(frames.missing().values()) == {0}, "with a flood"
    other = open_page(flying.url)
    other.get_by_role("meter").first.wait_for()
    other.evaluate("() => { setTimeout(() => { for (;;); }, 0); }")
    assert set(frames.missing().values()) == {0}, "with a browser that hangs"
    holder.get_by_role("slider", name="Knob").press("ArrowUp")
    monkeypatch.setattr(bench, "GIVE_BACK_S", 1.0)
    holder.evaluate(
        """() => { setTimeout(() => {
          document.querySelector("[data-do=capture]").click();
          for (;;);
        }, 0); }"""
    )
    wait_until(lambda: at_bench(flying) is None, "the gauge given back")
    assert set(frames.missing().values()) == {0}, "with one that hangs in mid-capture"

    def well(service: Service) -> bool:
        return all(session.statistics.board_missed == 0 for session in service.running.sessions.values())

    assert flying.ask(well)
