"""The panel in a browser: needles where the boards report them, stop within reach, a lost connection told."""

from __future__ import annotations

from itertools import pairwise
from math import acos, degrees
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from bridge.flight.service import Service
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
GLIDE_S = 0.4
"""From a board's report to the end of the glide to it, on a busy machine."""


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


def reported(flying: Flying) -> list[dict[str, float]]:
    """Face angles of every pointer in each recent snapshot."""
    snapshots = flying.ask(lambda _: list(flying.snapshots))
    newest_s = snapshots[-1].time_s
    recent = [s for s in snapshots if newest_s - s.time_s <= GLIDE_S]
    return [{p.key: p.face_deg for p in s.pointers if p.face_deg is not None} for s in recent]


def ready(flying: Flying) -> None:
    def homed(service: Service) -> bool:
        pointers = service.running.snapshot(service.clock()).pointers
        return all(pointer.face_deg is not None for pointer in pointers)

    wait_until(lambda: flying.ask(homed), "every pointer homed")


def test_every_needle_is_drawn_where_its_board_reports_it(flying: Flying, open_page: OpenPage) -> None:
    """In flight: as a recent report has it, to half a degree; the pitch by its crank of 34 mm."""
    ready(flying)
    page = open_page(flying.url)
    keys = {p.key for p in flying.ask(lambda s: s.running.panel.pointers)}
    page.wait_for_function(f"() => document.querySelectorAll('#gauges [data-pointer]').length >= {len(keys)}")
    wait_until(lambda: drawn_deg(page).keys() == keys, "every pointer drawn")
    seen: dict[str, set[float]] = {key: set() for key in keys}
    for _ in range(40):
        drawn = drawn_deg(page)
        moments = reported(flying)
        for key in keys:
            off = min(off_deg(drawn[key], m[key], m["attitude.bank"], 34.0) for m in moments)
            spread = max(apart_deg(moments[0][key], m[key]) for m in moments)
            assert off <= WITHIN_DEG + spread / 2, f"{key} is drawn {off:.2f} degrees off"
            seen[key].add(round(drawn[key][0], 1))
        page.wait_for_timeout(50)
    assert sum(len(angles) > 3 for angles in seen.values()) >= 3, "the needles move"


def test_stop_is_one_key_away_and_go_on_a_button(flying: Flying, open_page: OpenPage) -> None:
    page = open_page(flying.url)
    page.get_by_role("meter").first.wait_for()
    page.keyboard.press("Escape")
    wait_until(lambda: flying.ask(lambda service: service.benches.stopped), "stopped")
    page.get_by_text("every needle holds").first.wait_for()
    page.get_by_role("button", name="Go on").click()
    wait_until(lambda: not flying.ask(lambda service: service.benches.stopped), "going on")


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


def test_a_lost_connection_is_told(module_config: Path, browser: Any, flying: Flying) -> None:
    """The program ends: what is drawn is marked as old, and the page says so."""
    context = browser.new_context()
    page = context.new_page()
    page.goto(flying.url)
    page.get_by_role("meter").first.wait_for()
    assert page.locator("body").get_attribute("data-connection") == "open"
    with Flying(module_config / "panel.toml", ROOT / "replay_logs" / "circuit.csv", 100.0) as other:
        page.goto(other.url)
        page.get_by_role("meter").first.wait_for()
        other.stop()
        page.get_by_text("No connection to the panel").first.wait_for()
        assert page.locator("body").get_attribute("data-connection") == "gone"
    context.close()
