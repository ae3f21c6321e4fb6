"""A browser, and pages of it that fail the test when anything is written to their console."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from bridge.flight import bench
from tests.conftest import PATIENCE_S, ROOT, wait_until

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

    from tests.page.flying import Flying

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"]

OpenPage = Callable[..., "Page"]
"""Opens an address in a page of its own; keywords go to the browser's context."""


@pytest.fixture(autouse=True)
def patient_bench(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """A browser on a busy machine may give no sign of life for seconds; tests of giving back shorten this.

    What the test before had at the bench of the same flight is given back before this one begins.
    """
    if "flying" in request.fixturenames:
        flight: Flying = request.getfixturevalue("flying")
        monkeypatch.setattr(bench, "GIVE_BACK_S", 0.2)
        wait_until(lambda: not flight.ask(lambda s: s.benches.snapshot(s.clock())), "every gauge given back")
    monkeypatch.setattr(bench, "GIVE_BACK_S", PATIENCE_S)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    playwright = pytest.importorskip("playwright.sync_api", reason="the browser is driven by playwright")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("chromium is not installed: apt-get install --no-install-recommends chromium")
    with playwright.sync_playwright() as driver:
        launched = driver.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def module_config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo panel's folder for all tests of a module."""
    folder = tmp_path_factory.mktemp("panel") / "config"
    shutil.copytree(ROOT / "config", folder)
    return folder


@pytest.fixture(scope="module")
def flying(module_config: Path) -> Iterator[Flying]:
    """The shipped circuit on the live service, from the climb on, with its page."""
    from tests.page.flying import Flying

    with Flying(module_config / "panel.toml", ROOT / "replay_logs" / "circuit.csv", 100.0) as flight:
        yield flight


@pytest.fixture
def open_page(browser: Browser) -> Iterator[OpenPage]:
    complaints: list[str] = []
    contexts = []

    def opened(url: str, **options: Any) -> Page:
        options.setdefault("viewport", {"width": 1024, "height": 768})
        context = browser.new_context(**options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_S * 1000)
        page.on("console", lambda message: complaints.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(url)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert not complaints
