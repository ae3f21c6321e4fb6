"""The panel in a browser: needles where the boards report them, stop within reach, a lost connection told."""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import pairwise
from math import acos, atan2, degrees, floor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from bridge.flight.service import Service
from bridge.flight.service_snapshot import ServiceSnapshot
from bridge.flight.trace import Trace
from bridge.logs import LogLine
from bridge.page.health import HELD_LONG_S, Health
from bridge.telemetry.replay import ReplaySource
from tests.conftest import PATIENCE_S, ROOT, wait_until
from tests.page.conftest import OpenPage
from tests.page.flying import Flying

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

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
CRANK_MM = 34.0
"""Of the pitch."""
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
    # To the step that it ends on: the last one is still to come when it is near, and shows on the page.
    there = all(p.reported_steps == floor(p.commanded_steps + 0.5) for p in pointers)
    # A reading that has just come moves nothing before the next tick.
    driven = service.running.chain.pointers.values()
    there = there and all(d.target is not None and abs(d.target - d.position) < 0.01 for d in driven)
    return angles if service.running.still and there and len(angles) == len(pointers) else None


def replay(service: Service) -> ReplaySource:
    source = service.intake.sources[0]
    assert isinstance(source, ReplaySource)
    return source


def paused_at(flying: Flying, time_s: float) -> None:
    """Let the replay stay at this time of the log (s)."""

    def rows(service: Service) -> int:
        return replay(service).senders[0].datagrams

    def seek(service: Service) -> int:
        replay(service).seek(time_s)
        replay(service).pause()
        return rows(service)

    before = flying.ask(seek)
    wait_until(lambda: flying.ask(rows) > before, "the first reading from there")
    assert flying.ask(lambda s: replay(s).playback.time_s) == time_s


@pytest.fixture(autouse=True)
def climbing(flying: Flying) -> None:
    """Wherever the test before left the flight of this module, it flies on from the climb."""

    def go_on(service: Service) -> None:
        replay(service).seek(MOMENTS_S[0])
        replay(service).set_speed(1.0)
        replay(service).play()

    flying.ask(go_on)


def ready(flying: Flying) -> None:
    def homed(service: Service) -> bool:
        pointers = service.running.snapshot(service.clock()).pointers
        return all(pointer.face_deg is not None for pointer in pointers)

    wait_until(lambda: flying.ask(homed), "every pointer homed")


def misdrawn(flying: Flying, page: Page) -> dict[str, float]:
    """The pointers that are drawn elsewhere than reported, by how much (deg); all while one moves."""
    reported = flying.ask(at_rest)
    drawn = drawn_deg(page)
    if reported is None:
        return dict.fromkeys(drawn, 180.0)
    offs = {key: off_deg(drawn[key], reported[key], reported["attitude.bank"], CRANK_MM) for key in drawn}
    return {key: off for key, off in offs.items() if off > WITHIN_DEG}


def test_every_needle_is_drawn_where_its_board_reports_it(
    flying: Flying, open_page: OpenPage, tmp_path: Path
) -> None:
    """At moments of the flight, paused: to half a degree of what the trace of this replay has."""
    ready(flying)
    page = open_page(flying.url)
    keys = {p.key for p in flying.ask(lambda s: s.running.panel.pointers)}
    page.wait_for_function(f"() => document.querySelectorAll('#gauges [data-pointer]').length >= {len(keys)}")
    wait_until(lambda: drawn_deg(page).keys() == keys, "every pointer drawn")
    seen: dict[str, set[float]] = {key: set() for key in keys}
    drawn = []
    file = tmp_path / "trace.csv"
    with Trace(file, flying.ask(lambda s: s.running.snapshot(s.clock()))) as trace:
        for moment_s in MOMENTS_S:
            paused_at(flying, moment_s)
            wait_until(lambda: not misdrawn(flying, page), "every pointer drawn where it is")
            drawn.append(drawn_deg(page))
            trace.write(flying.ask(lambda s: s.running.snapshot(s.clock())))
            for key, (turn_deg, _) in drawn[-1].items():
                seen[key].add(round(turn_deg))
    rows = list(csv.DictReader(file.read_text().splitlines()))
    for row, angles in zip(rows, drawn, strict=True):
        bank_deg = float(row["attitude.bank.face[deg]"])
        for key, angle in angles.items():
            off = off_deg(angle, float(row[f"{key}.face[deg]"]), bank_deg, CRANK_MM)
            assert off <= WITHIN_DEG, f"{key} at {row['time[s]']} s"
    assert sum(len(angles) == len(MOMENTS_S) for angles in seen.values()) >= 5, "the needles moved"


def changes(page: Page, selector: str, attribute: str, count: int) -> list[float]:
    """When this attribute changed, from now on, so many times (ms): the times of the browser's frames, which
    are the same however long it takes to draw one."""
    page.evaluate(
        """([selector, attribute]) => {
          window.times = [];
          const seen = new MutationObserver(() => window.times.push(document.timeline.currentTime));
          seen.observe(document.querySelector(selector), { attributeFilter: [attribute] });
        }""",
        [selector, attribute],
    )
    page.wait_for_function("(count) => window.times.length >= count", arg=count)
    times: list[float] = page.evaluate("() => window.times")
    return times


def test_who_wants_little_motion_sees_needles_step_twice_a_second_to_where_they_are(
    flying: Flying, open_page: OpenPage
) -> None:
    page = open_page(flying.url, reduced_motion="reduce")
    ready(flying)
    needle = '#gauges [data-gauge="altimeter"] [data-pointer="hundreds"]'
    page.wait_for_function(f"() => document.querySelector('{needle}')?.getAttribute('transform')")
    times = changes(page, needle, "transform", 4)
    assert all(b - a >= 499 for a, b in pairwise(times)), times
    paused_at(flying, MOMENTS_S[1])
    wait_until(lambda: not misdrawn(flying, page), "every pointer drawn where it is")
    page.emulate_media(reduced_motion="no-preference")
    flying.ask(lambda service: replay(service).play())
    times = changes(page, needle, "transform", 10)
    assert min(b - a for a, b in pairwise(times)) < 250, "it glides"


def test_coils_held_long_are_seen_and_become_a_fault_with_its_cure(
    flying: Flying, open_page: OpenPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the boards were real, and held one needle by current: those of this panel rest without."""
    held_s, message = 95.0, Health.message

    def as_if_held(health: Health, service: ServiceSnapshot, log: tuple[LogLine, ...]) -> dict[str, Any]:
        panel = service.panel
        boards = tuple(replace(board, virtual=False) for board in panel.boards)
        needle, *others = panel.pointers
        panel = replace(panel, boards=boards, pointers=(replace(needle, held_s=held_s), *others))
        return message(health, replace(service, panel=panel), log)

    monkeypatch.setattr(Health, "message", as_if_held)
    ready(flying)
    page = open_page(f"{flying.url}#/health")
    row = page.get_by_role("row", name="altimeter, hundreds")
    row.get_by_text("95 s", exact=True).wait_for()
    held_s = HELD_LONG_S - 1.0
    row.get_by_text("9:59 min").wait_for()
    assert not page.get_by_text("have held it still").is_visible()
    held_s = 65 * 60.0
    row.get_by_text("65:00 min").wait_for()
    page.get_by_text("altimeter.hundreds: its coils have held it still for 65 minutes").wait_for()
    page.get_by_text("What to do: feel with care").wait_for()


TWIN = """
name = "Two needles on one face"
fixed = { fuel_quantity_left = 25, fuel_quantity_right = 80 }
[drives.servo]
motor = "micro-servo-180"
speed_steps_s = 2000
acceleration_steps_s2 = 20000
[boards.only]
channels.0 = { output = "servo" }
channels.1 = { output = "servo" }
[gauges.fuel_pair]
like = "fuel_pair"
pointers.left = { drive = "servo", board = "only", channel = 0, home_deg = 180 }
pointers.right = { drive = "servo", board = "only", channel = 1, home_deg = 0 }
"""
PIVOT_AND_TIP = """(group) => {
  const place = group.getScreenCTM();
  const pivot = new DOMPoint(0, 0).matrixTransform(place);
  let tip = pivot;
  const far = (point) => Math.hypot(point.x - pivot.x, point.y - pivot.y);
  for (const shape of group.querySelectorAll("path, polygon, line, rect, circle")) {
    if (shape.closest("mask, clipPath")) continue;
    const long = shape.getTotalLength();
    for (let i = 0; i <= 400; i++) {
      const along = DOMPoint.fromPoint(shape.getPointAtLength((i / 400) * long));
      const point = along.matrixTransform(shape.getScreenCTM());
      if (far(point) > far(tip)) tip = point;
    }
  }
  const dial = group.closest(".dial").getBoundingClientRect();
  const mm = Math.hypot(place.a, place.b);
  const off = (point, x, y) => [(point.x - x) / mm, (point.y - y) / mm];
  return [off(pivot, dial.x + dial.width / 2, dial.y + dial.height / 2), off(tip, pivot.x, pivot.y)];
}"""


def test_needles_with_pivots_off_the_middle_turn_about_them(tmp_path: Path, open_page: OpenPage) -> None:
    """By what is drawn on the screen: pivots 5 mm off the middle, tips where the ready gauge's scale has 25
    and 80 litres (220 deg on to 320 for the left, 140 back to 40 for the right)."""
    file = tmp_path / "panel.toml"
    file.write_text(TWIN)
    with Flying(file, ROOT / "replay_logs" / "circuit.csv", 100.0) as pair:
        page = open_page(pair.url)
        for name, pivot_x_mm, face_deg in (("left", -5.0, 245.0), ("right", 5.0, 60.0)):
            group = page.locator(f'#gauges [data-pointer="{name}"]').last

            def drawn(group: Locator = group) -> tuple[list[float], float]:
                pivot, (x, y) = group.evaluate(PIVOT_AND_TIP)
                return pivot, degrees(atan2(x, -y))

            wait_until(lambda: apart_deg(drawn()[1], face_deg) < WITHIN_DEG, f"{name} on its mark")  # noqa: B023
            assert drawn()[0] == pytest.approx([pivot_x_mm, 0.0], abs=0.1)


LAID_OUT = """() => {
  const boxes = (selector) =>
    [...document.querySelectorAll(selector)].map((node) => node.getBoundingClientRect());
  const root = document.documentElement;
  const lines = "#gauges :is(h3, .state, .to-bench, .shows, .error, .why)";
  const along = (a, b, from, to) => a[from] < b[to] - 1 && b[from] < a[to] - 1;
  const overlap = (a, b) => along(a, b, "left", "right") && along(a, b, "top", "bottom");
  const [dials, words] = [boxes("#gauges .dial"), boxes(lines).filter((box) => box.width)];
  return {
    least_px: Math.min(...dials.map((dial) => dial.width)),
    over: words.filter((word) => dials.some((dial) => overlap(word, dial))).length,
    scrolls: root.scrollHeight > window.innerHeight || root.scrollWidth > window.innerWidth,
    placed: document.querySelector("#gauges").classList.contains("placed"),
  };
}"""


def test_on_a_tablet_all_is_in_sight_and_the_gauges_have_the_room(
    flying: Flying, open_page: OpenPage
) -> None:
    page = open_page(flying.url)
    ready(flying)
    page.get_by_text("no faults").wait_for()
    lying, upright = (1024, 768, 190), (768, 1024, 150)
    for width, height, least_px in (lying, upright, (744, 1133, 180), (1366, 768, 220), (1920, 1080, 320)):
        page.set_viewport_size({"width": width, "height": height})

        def fits(least_px: int = least_px) -> bool:
            laid = page.evaluate(LAID_OUT)
            roomy = laid["least_px"] >= least_px and not laid["over"] and not laid["scrolls"]
            return bool(roomy and laid["placed"])

        wait_until(fits, f"dials of {least_px} px at {width} x {height}")


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
    times = changes(page, '[data-key="altimeter.hundreds"]', "aria-valuetext", 3)
    assert all(b - a >= 999 for a, b in pairwise(times)), times
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
        '[gauges.altimeter.flags]\nfast = { when = "indicated_airspeed < 1400" }\n'  # below three readings
        f'[gauges.vertical_speed.flags]\nlow = {{ when = "indicated_airspeed < -50", window = {window} }}\n'
    )
    before = file.read_text()
    file.write_text(before + flags)
    page = open_page(flying.url)
    page.locator('[data-gauge="airspeed"] [data-flag="off"][visibility="visible"]').wait_for()
    assert page.locator('[data-flag="low"]').get_attribute("visibility") == "hidden"
    page.get_by_text("flag off: indicated_airspeed < 1400").wait_for()
    page.set_viewport_size({"width": 768, "height": 1024})
    wait_until(lambda: not page.evaluate(LAID_OUT)["over"], "the flag's words below its own dial alone")
    in_window = page.locator('[data-gauge="altimeter"] [data-setting] text')
    inhg = flying.ask(lambda service: service.running.snapshot(0.0).setting.inhg)
    page.wait_for_function("() => document.querySelector('[data-setting] text').textContent !== ''")
    assert in_window.text_content() == f"{inhg:.2f}"
    assert page.locator("#virtual").text_content() == "virtual: all boards"
    file.write_text(before)
    page.wait_for_function("() => !document.querySelector('[data-flag]')")


def test_a_lost_connection_is_shown_and_found_again(
    module_config: Path, browser: Any, flying: Flying
) -> None:
    """The program ends: what is drawn is marked as old, and the page says so, until it runs again."""
    context = browser.new_context()
    context.set_default_timeout(PATIENCE_S * 1000)
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
        shown = """([speed, word]) => document.querySelector("#replay select").value === speed
            && document.querySelector("#replay .play").textContent === word"""
        page.wait_for_function(shown, arg=[f"{speed:g}", "Pause" if yes else "Play"])

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
        ("ArrowRight", start_s + 10.0),
        ("ArrowUp", start_s + 70.0),
        ("PageUp", start_s + 130.0),
        ("ArrowLeft", start_s + 120.0),
        ("ArrowDown", start_s + 60.0),
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
    for key, playing, speed in (("-", True, 2.0), (" ", False, 2.0), ("+", False, 4.0), (" ", True, 4.0)):
        line.press(key)
        plays(playing, speed)
    flying.ask(lambda service: replay(service).set_speed(32.0))  # as the terminal's keys can
    page.wait_for_function("() => document.querySelector('#replay select').value === '32'")
    page.locator("#replay select").select_option("1")
    plays(True)
