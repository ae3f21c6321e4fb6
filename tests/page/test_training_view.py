"""The instructor's view in a browser: a failure is put in force and undone, the truth beside what is seen."""

from __future__ import annotations

import pytest

from tests.page.conftest import OpenPage
from tests.page.flying import Flying

pytestmark = pytest.mark.slow


def test_an_instructor_blocks_the_static_port_and_undoes_it(flying: Flying, open_page: OpenPage) -> None:
    page = open_page(f"{flying.url}#/training", viewport={"width": 1024, "height": 1600})
    page.get_by_text("Nothing has failed").wait_for()
    page.get_by_text("Static blocked:").click()
    page.get_by_role("button", name="Put in force: static blocked", exact=True).click()
    page.get_by_role("button", name="Undo static blocked").wait_for()
    assert page.get_by_role("link", name="?trainee").get_attribute("href") == f"{flying.url}?trainee"
    trainee = open_page(f"{flying.url}?trainee#/training")
    trainee.get_by_text("Only an instructor may switch failures").wait_for()
    assert not trainee.get_by_text("Static blocked").first.is_visible()
    row = page.get_by_role("row", name="altimeter, hundreds")
    row.wait_for()  # in the climb the truth leaves the needle behind
    shown, true = row.get_by_role("cell").all_text_contents()
    assert shown != true and shown.endswith("ft") and true.endswith("ft")
    page.get_by_role("button", name="Undo static blocked").click()
    page.get_by_text("Nothing has failed").wait_for()
    page.get_by_text("Altimeter misset:").click()
    page.get_by_role("spinbutton", name="by inhg").fill("0.3")
    page.get_by_role("button", name="Put in force: altimeter misset").click()
    page.get_by_role("button", name="Undo altimeter misset").click()
    page.get_by_text("Nothing has failed").wait_for()
