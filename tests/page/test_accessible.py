"""axe-core finds nothing on any view, in daylight and in the dark, wide and narrow."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.page.conftest import OpenPage
from tests.page.flying import Flying

pytestmark = pytest.mark.slow

axe = pytest.importorskip("axe_playwright_python", reason="axe-core comes with axe-playwright-python")

VIEWS = ("panel", "health", "training", "bench", "bench/airspeed", "bench/altimeter")
SIZES = ((360, 740), (1024, 768))


def violations(page: object) -> list[str]:
    found = page.evaluate("() => axe.run()")["violations"]  # type: ignore[attr-defined]
    return [
        f"{rule['id']}: {node['target']} {node['failureSummary']}" for rule in found for node in rule["nodes"]
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_rule_of_accessibility_is_broken(flying: Flying, open_page: OpenPage, scheme: str) -> None:
    script = (Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    for width, height in SIZES:
        page = open_page(flying.url, color_scheme=scheme, viewport={"width": width, "height": height})
        page.evaluate(script)
        for view in VIEWS:
            page.evaluate("(view) => { location.hash = `#/${view}`; }", view)
            page.locator(f"#{view.split('/')[0]} >> visible=true").first.wait_for()
            page.wait_for_function("() => !/Waiting/.test(document.getElementById('summary').textContent)")
            assert violations(page) == [], f"{view} at {width} px, {scheme}"
        page.locator("[data-do=take]").click()
        page.locator("[data-do=approach]").wait_for()
        assert violations(page) == [], f"a gauge at the bench at {width} px, {scheme}"
        page.locator("[data-do=approach]").click()
        page.get_by_role("button", name="Give back").click()
        page.locator("[data-do=take]").wait_for()
