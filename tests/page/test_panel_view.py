"""The panel in a browser: needles where the boards report them, stop within reach, a lost connection told."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import acos, degrees
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from bridge.flight.service import Service
from bridge.telemetry.replay import ReplaySource
from tests.conftest import ROOT, wait_until
from tests.page.conftest import OpenPage
from tests.page.flying import Flying

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.slow

DRAWN = """() => {
  const found = {};
  for (const dial of document.querySelectorAll("#gauges .dial")) {
    for (const group of dial.querySelectorAll("[data-pointer]:not(.ghost *)")) {
      const place = group.getAttribute("transform");
      const key = `${dial.dataset.gauge}.${group.dataset.pointer}`;
      found[key] = [place, group.dataset.crankMm ?? null];
    }
  }
  return found;
}"""
WITHIN_DEG = 0.5
MOMENTS_S = (100.0, 330.0, 700.0, 1000.0)
"""In the climb, in a turn, in the cruise, in the descent."""


def apart_deg(a: float, b: float) -> float:
    return abs((a - b + 180.0) % 360.0 - 180.0)


def drawn_deg(page: Page) -> dict[str, tuple[float, float | None]]:
    """For each pointer the angle by which its group is turned, and how far it is slid (mm, up positive)."""
    found = {}
    for key, (place, crank_mm) in page.evaluate(DRAWN).items():
        turn_deg = float(place.split("rotate(")[1].split(")")[0])
        slid = -float(place.split("translate(0 ")[1].rstrip(")")) if crank_mm else None
        found[key] = (turn_deg, slid)
    return found


def off_deg(drawn: tuple[float, float | None], face_deg: float, bank_deg: float, crank_mm: float) -> float:
    """How far a drawn pointer is from a face angle; of a slid one also its turn from that of its carrier."""
    turn_deg, slid_mm = drawn
    if slid_mm is None:
        return apart_deg(turn_deg, face_deg)
    crank_deg = degrees(acos(max(-1.0, min(1.0, slid_mm / crank_mm))))
    return max(
        apart_deg(turn_deg, bank_deg), min(apart_deg(crank_deg, face_deg), apart_deg(-crank_deg, face_deg))
    )


def at_rest(service: Service) -> dict[str, float] | None:
    """The face angle of every pointer by its board's report; None while one moves or is not known."""
    pointers = service.running.snapshot(service.clock()).pointers
    angles = {p.key: p.face_deg for p in pointers if p.face_deg is not None and p.commanded_steps_s == 0.0}
    there = all(abs(p.reported_steps - p.commanded_steps) <= 1.0 for p in pointers)
    return angles if service.running.still and there and len(angles) == len(pointers) else None


def replay(service: Service) -> ReplaySource:
    source = service.sources[0]
    assert isinstance(source, ReplaySource)
    return source


def paused_at(flying: Flying, time_s: float) -> None:
    """Let the replay stay at this time of the log (s)."""

    def seek(service: Service) -> None:
        replay(service).seek(time_s)
        replay(service).pause()

    flying.ask(seek)
    wait_until(lambda: flying.ask(lambda s: replay(s).playback.time_s) == time_s, "the moment")


@pytest.fixture
def playing_after(flying: Flying) -> Iterator[None]:
    """The flight goes on after the test, for the others of this module."""
    yield
    flying.ask(lambda service: replay(service).play())


def ready(flying: Flying) -> None:
    def homed(service: Service) -> bool:
        pointers = service.running.snapshot(service.clock()).pointers
        return all(pointer.face_deg is not None for pointer in pointers)

    wait_until(lambda: flying.ask(homed), "every pointer homed")


@pytest.mark.usefixtures("playing_after")
def test_every_needle_is_drawn_where_its_board_reports_it(flying: Flying, open_page: OpenPage) -> None:
    """At moments of the flight, paused: to half a degree; the pitch by its crank of 34 mm."""
    ready(flying)
    page = open_page(flying.url)
    keys = {p.key for p in flying.ask(lambda s: s.running.panel.pointers)}
    page.wait_for_function(f"() => document.querySelectorAll('#gauges [data-pointer]').length >= {len(keys)}")
    wait_until(lambda: drawn_deg(page).keys() == keys, "every pointer drawn")
    seen: dict[str, set[float]] = {key: set() for key in keys}

    def off() -> dict[str, float]:
        """The pointers that are drawn elsewhere, by how much (deg); all of them while one moves."""
        page.wait_for_timeout(100)  # so that the page, too, has its turns
        reported = flying.ask(at_rest)
        drawn = drawn_deg(page)
        if reported is None:
            return dict.fromkeys(keys, 180.0)
        offs = {key: off_deg(drawn[key], reported[key], reported["attitude.bank"], 34.0) for key in keys}
        return {key: off for key, off in offs.items() if off > WITHIN_DEG}

    for moment_s in MOMENTS_S:
        paused_at(flying, moment_s)
        wait_until(lambda: not off(), "every pointer drawn where it is")
        for key, (turn_deg, _) in drawn_deg(page).items():
            seen[key].add(round(turn_deg))
    assert sum(len(angles) == len(MOMENTS_S) for angles in seen.values()) >= 5, "the needles moved"


def test_stop_is_one_key_away_and_go_on_a_button(flying: Flying, open_page: OpenPage) -> None:
    page = open_page(flying.url)
    page.get_by_role("meter").first.wait_for()
    page.keyboard.press("Escape")
    wait_until(lambda: flying.ask(lambda service: service.benches.stopped), "stopped")
    page.get_by_text("every needle holds").first.wait_for()
    page.get_by_role("button", name="Go on").click()
    wait_until(lambda: not flying.ask(lambda service: service.benches.stopped), "going on")


def test_lamps_are_below_the_panel_and_in_the_health(flying: Flying, open_page: OpenPage) -> None:
    page = open_page(flying.url)
    page.get_by_text("● Backlight 60 %").wait_for()
    lit = flying.ask(lambda service: service.running.snapshot(service.clock()).lamps)
    assert [lamp.name for lamp in lit] == ["backlight", "low_speed"]
    page.get_by_role("link", name="Health").click()
    page.get_by_role("region", name="Lamps").get_by_role("row", name="Low speed").wait_for()


def test_a_meter_is_read_out_at_most_once_a_second(flying: Flying, open_page: OpenPage) -> None:
    page = open_page(flying.url)
    ready(flying)
    meter = page.get_by_role("meter", name="Airspeed")
    meter.wait_for()
    page.wait_for_function(
        "() => document.querySelector('[data-key=\"airspeed.needle\"]').ariaValueText !== 'not known'"
    )
    times = page.evaluate(
        """() => new Promise((done) => {
          const times = [];
          const meter = document.querySelector('[data-key="altimeter.hundreds"]');
          new MutationObserver(() => {
            if (times.push(performance.now()) === 3) done(times);
          }).observe(meter, { attributeFilter: ["aria-valuetext"] });
        })"""
    )
    assert all(b - a >= 990 for a, b in pairwise(times))
    value = float(meter.get_attribute("aria-valuenow") or "nan")
    assert 0 <= value <= 180
    assert "knots" in (meter.get_attribute("aria-valuetext") or "")


def test_flags_the_setting_and_virtual_boards_are_seen(
    module_config: Path, flying: Flying, open_page: OpenPage
) -> None:
    """The flag shows by a condition that a flight always meets, out of sight where it never does."""
    file = module_config / "panel.toml"
    window = "{ x_mm = -9, y_mm = 0, width_mm = 8, height_mm = 4 }"
    flags = (
        f'[gauges.airspeed.flags]\noff = {{ when = "indicated_airspeed < 1400", window = {window} }}\n'
        f'[gauges.vertical_speed.flags]\nlow = {{ when = "indicated_airspeed < -50", window = {window} }}\n'
    )
    before = file.read_text()
    file.write_text(before + flags)
    page = open_page(flying.url)
    page.locator('[data-gauge="airspeed"] [data-flag="off"][visibility="visible"]').wait_for()
    assert page.locator('[data-flag="low"]').get_attribute("visibility") == "hidden"
    page.get_by_text("flag off: indicated_airspeed < 1400").wait_for()
    in_window = page.locator('[data-gauge="altimeter"] [data-setting] text')
    inhg = flying.ask(lambda service: service.running.snapshot(0.0).setting.inhg)
    page.wait_for_function("() => document.querySelector('[data-setting] text').textContent !== ''")
    assert in_window.text_content() == f"{inhg:.2f}"
    assert page.locator("#virtual").text_content() == "virtual: all boards"
    file.write_text(before)
    page.wait_for_function("() => !document.querySelector('[data-flag]')")


def test_a_lost_connection_is_told_and_found_again(module_config: Path, browser: Any, flying: Flying) -> None:
    """The program ends: what is drawn is marked as old, and the page says so, until it runs again."""
    context = browser.new_context()
    page = context.new_page()
    panel, log = module_config / "panel.toml", ROOT / "replay_logs" / "circuit.csv"
    with Flying(panel, log, 100.0) as other:
        page.goto(f"{other.url}#/bench/airspeed")
        page.locator("[data-do=take]").click()
        page.locator("[data-do=approach]").wait_for()
        assert page.locator("body").get_attribute("data-connection") == "open"
        other.stop()
        page.get_by_text("No connection to the panel").first.wait_for()
        assert page.locator("body").get_attribute("data-connection") == "gone"
    with Flying(panel, log, 100.0, other.address) as again:
        page.wait_for_function("() => document.body.dataset.connection === 'open'")
        assert not page.locator("#gone").is_visible()
        page.get_by_text("flies on telemetry").wait_for()
        page.locator("[data-do=take]").click()
        page.locator("[data-do=approach]").wait_for()
        assert again.ask(lambda s: [b.gauge for b in s.benches.snapshot(s.clock())]) == ["airspeed"]
    context.close()


@pytest.mark.usefixtures("playing_after")
def test_the_replay_is_played_paused_sought_and_sped_by_mouse_and_by_keys(
    flying: Flying, open_page: OpenPage
) -> None:
    page = open_page(flying.url)
    line = page.get_by_role("slider", name="Time in the flight")
    line.wait_for()

    def is_at(time_s: float, within_s: float) -> None:
        def there(service: Service) -> bool:
            return abs(replay(service).playback.time_s - time_s) <= within_s

        wait_until(lambda: flying.ask(there), f"the replay at {time_s} s")

    def plays(yes: bool, speed: float = 1.0) -> None:
        def does(service: Service) -> bool:
            now = replay(service).playback
            return (now.playing, now.speed) == (yes, speed)

        wait_until(lambda: flying.ask(does), f"playing {yes} at {speed}")

    plays(True)
    page.get_by_role("button", name="Pause").click()
    plays(False)
    start_s, end_s = (float(line.get_attribute(f"aria-value{end}") or "nan") for end in ("min", "max"))
    box = line.bounding_box()
    assert box is not None
    a_pixel_s = (end_s - start_s) / box["width"]
    middle = box["y"] + box["height"] / 2
    page.mouse.click(box["x"] + 0.5 * box["width"], middle)
    is_at(start_s + 0.5 * (end_s - start_s), 2 * a_pixel_s)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.7 * box["width"], middle)
    page.mouse.move(box["x"] + 0.75 * box["width"], middle)
    page.mouse.up()
    is_at(start_s + 0.75 * (end_s - start_s), 2 * a_pixel_s)
    assert line.bounding_box() == box, "it does not move under the hand"
    for key, place_s in (
        ("Home", start_s),
        ("ArrowRight", start_s + 5.0),
        ("PageUp", start_s + 65.0),
        ("ArrowLeft", start_s + 60.0),
        ("PageDown", start_s),
        ("End", end_s),
    ):
        line.press(key)
        is_at(place_s, 0.01)
        page.wait_for_function(f"() => document.querySelector('.time-line').ariaValueNow == {round(place_s)}")
    page.locator("#replay select").select_option("4")
    plays(False, 4.0)
    line.press("Home")
    page.get_by_role("button", name="Play").press("Enter")
    plays(True, 4.0)
    page.locator("#replay select").select_option("1")
    plays(True)
