"""Makes the README's pictures of faces and wiring, in config/pictures, from the demo panel.

    python -m tests.pictures

Six gauges put together are an SVG; the printed sheets are PNG, by `pdftoppm` of poppler-utils, and so is the
page (in `page/`: four sizes, by day and in the dark), by chromium; each is left as it is, with a word, when
its program is not installed.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from bridge.commands.faces import drawings as faces
from bridge.commands.wiring import drawings as wiring
from bridge.faces.geometry import gauge_parts
from bridge.faces.panel_gauge import panel_gauge
from bridge.faces.primitives import Layer, Part
from bridge.faces.svg import assembly_svg
from bridge.outputs import write_folder
from bridge.panel.load import Panel, load_panel
from tests.calibration.crooked import CrookedLinkage
from tests.conftest import wait_until
from tests.page.bench_page import ByKey
from tests.page.conftest import ARGUMENTS
from tests.page.flying import Eye, Flying

if TYPE_CHECKING:
    from playwright.sync_api import Page

CONFIG = Path(__file__).parents[1] / "config"
PICTURES = CONFIG / "pictures"

SHOWN = {
    "indicated_altitude": 4820.0,
    "indicated_airspeed": 104.0,
    "vertical_speed": 480.0,
    "turn_rate": 3.0,
    "slip": -1.5,
    "heading_magnetic": 57.0,
    "bank": 18.0,
    "pitch": 5.0,
}
"""A climbing turn to the right: what each pointer shows in the picture."""

SIZES = {"phone": (360, 740), "tablet": (1024, 768), "upright": (768, 1024), "wall": (1920, 1080)}
"""Of the page's window, in px."""
LIGHTS: tuple[Literal["light", "dark"], ...] = ("light", "dark")

ALL_FLY = """() => {
  const gauges = [...document.querySelectorAll("#gauges article")];
  const says = (gauge) => gauge.querySelector(".state").textContent;
  const hidden = (ghost) => ghost.style.display === "none";
  const there = (gauge) => [...gauge.querySelectorAll(".ghost")].every(hidden);
  const flies = (gauge) => gauge.querySelector("svg.moving") && /live/.test(says(gauge)) && there(gauge);
  return gauges.length && gauges.every(flies) && [...document.images].every((image) => image.complete);
}"""

_COLUMNS = 3
_CELL_MM = 86.0


def main() -> None:
    panel = load_panel(CONFIG / "panel.toml")
    (PICTURES / "page").mkdir(parents=True, exist_ok=True)
    drawn = {name: gauge_parts(panel_gauge(panel, name)) for name in panel.description.gauges}
    (PICTURES / "six-gauges.svg").write_text(_together(panel, drawn), encoding="utf-8")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_folder(folder, faces(drawn, "a4", panel.description.name), panel.files)
        write_folder(folder, wiring(panel, list(panel.description.boards), "a4"), panel.files)
        _page(folder / "faces.pdf", 1, "faces-sheet")
        _page(folder / "wiring.pdf", 2, "wiring-sheet")
        _page(folder / "wiring.pdf", 3, "wiring-table")
    with tempfile.TemporaryDirectory() as name:
        _page_shots(Path(name))


def _together(panel: Panel, drawn: dict[str, tuple[Part, ...]]) -> str:
    """All gauges side by side, each pointer at its shown reading."""
    inner = []
    for i, (name, parts) in enumerate(drawn.items()):
        angles = {p.name: p.face(SHOWN[p.indication]) for p in panel.pointers if p.gauge == name}
        gauge = assembly_svg([part for part in parts if part.layer != Layer.BEZEL], angles, name)
        x, y = _CELL_MM * (i % _COLUMNS), _CELL_MM * (i // _COLUMNS)
        inner.append(gauge.replace("<svg ", f'<svg x="{x:g}mm" y="{y:g}mm" ', 1))
    rows = -(-len(drawn) // _COLUMNS)
    size = f'width="{_CELL_MM * _COLUMNS:g}mm" height="{_CELL_MM * rows:g}mm"'
    ground = '<rect width="100%" height="100%" fill="#5d6470"/>'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size}>{ground}\n{"".join(inner)}</svg>\n'


def _page(pdf: Path, page: int, name: str) -> None:
    tool = shutil.which("pdftoppm")
    if tool is None:
        print(f"pdftoppm is not installed: {name}.png is left as it is")
        return
    pages = ["-f", str(page), "-l", str(page), "-singlefile"]
    subprocess.run([tool, "-r", "80", "-png", *pages, str(pdf), str(PICTURES / name)], check=True)


def _page_shots(folder: Path) -> None:
    """The page in every size and light: the panel in flight, and the airspeed indicator at the bench, its
    first marks captured."""
    chromium = shutil.which("chromium")
    if chromium is None:
        print("chromium is not installed: the pictures of the page are left as they are")
        return
    from playwright.sync_api import sync_playwright

    shutil.copytree(CONFIG, folder / "config")
    log = CONFIG.parent / "replay_logs" / "circuit.csv"
    with Flying(folder / "config" / "panel.toml", log, 325.0) as flying, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        page = browser.new_page()
        page.goto(flying.url)
        page.get_by_text("no faults").wait_for()
        page.wait_for_function(ALL_FLY)
        _shoot(page, "panel")
        page.goto(f"{flying.url}#/bench/airspeed")
        for step in ("take", "approach"):
            page.locator(f"[data-do={step}]").click()
        person = ByKey(page, Eye(flying, "airspeed.needle", CrookedLinkage(-3.0, 3.0, arm_deg=-50.0)))
        page.locator("[data-do=capture]").wait_for()
        for captured in range(1, 5):
            person.settle()
            person.cover(person.mark())
            person.capture()
            wait_until(lambda: person.captured() == captured, "the capture in the list")  # noqa: B023
        person.settle()
        _shoot(page, "bench")
        browser.close()


def _shoot(page: Page, view: str) -> None:
    """This view in all sizes and lights; in the README is that of the tablet by day."""
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        for light in LIGHTS:
            page.emulate_media(color_scheme=light)
            page.evaluate(
                "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
            )
            page.evaluate("() => window.scrollTo(0, 0)")
            page.screenshot(path=PICTURES / "page" / f"{view}-{size}-{light}.png")


if __name__ == "__main__":
    main()
