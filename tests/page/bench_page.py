"""A person at the bench of the page: sees what is written there, presses buttons or keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bridge.flight.service import Service
from tests.conftest import wait_until
from tests.page.flying import Eye

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page


class AtTheBench:
    """The station of one gauge, with its needle. `presses` counts buttons and keys."""

    def __init__(self, page: Page, eye: Eye) -> None:
        self.page = page
        self.eye = eye
        self.presses = 0
        self.steps_shown = 0
        self.step_deg = eye.pointer.drive.angle_deg(1)

    def calibrate(self) -> None:
        """Jog and capture from the first mark on, until the page asks to save."""
        self.page.locator("[data-do=capture]").wait_for()
        while not self.page.locator("[data-do=save]").is_visible():
            self.settle()
            self.cover(self.mark())
            captured = self.captured()
            self.capture()
            wait_until(lambda: self.captured() > captured, "the capture in the list")  # noqa: B023

    def settle(self) -> None:
        """Wait until the needle rests, and the page shows where."""

        def rests(service: Service) -> bool:
            (bench,) = service.benches.snapshot(service.clock())
            return not bench.moving and bench.steps == self.steps_shown

        def settled() -> bool:
            self.steps_shown = self.steps()
            return self.eye.flying.ask(rests)

        wait_until(settled, "the needle at rest")

    def mark(self) -> float:
        """The mark that the page asks for."""
        return float(self.page.locator(".mark[aria-current]").inner_text().split()[0].replace("−", "-"))

    def captured(self) -> int:
        """How many captures the page lists."""
        return self.page.locator(".results tbody tr").count()

    def steps(self) -> int:
        """Where the page says the motor is."""
        text = self.page.locator(".where").inner_text()
        return int(text.split(" steps")[0].split()[-1].replace(",", "").replace("−", "-"))

    def cover(self, reading: float) -> None:
        """Jog until the needle covers this mark, as near as a step can: some clicks, then a look."""
        while abs(off_deg := self.eye.off_deg(reading)) > 0.6 * self.step_deg:
            steps = round(off_deg / self.step_deg)
            tens = round(steps / 10)
            goal = self.steps() + steps
            for by, clicks in ((10, tens), (1, steps - 10 * tens)):
                for _ in range(abs(clicks)):
                    self.jog(by if clicks > 0 else -by)
            wait_until(lambda: self.steps() == goal, "the needle jogged")  # noqa: B023
            self.settle()

    def jog(self, by: int) -> None:
        """One click, of ten steps or of one."""
        raise NotImplementedError

    def capture(self) -> None:
        """The needle covers the mark."""
        raise NotImplementedError


class ByPointer(AtTheBench):
    """With a mouse or a finger."""

    def jog(self, by: int) -> None:
        size = self.page.get_by_role("radio", name="10 steps" if abs(by) == 10 else "1 step", exact=True)
        if not size.is_checked():
            self._click(size)
        self._click(self.page.get_by_role("button", name="One click on" if by > 0 else "One click back"))

    def capture(self) -> None:
        self._click(self.page.locator("[data-do=capture]"))

    def _click(self, what: Locator) -> None:
        self.presses += 1
        what.click()


class ByKey(AtTheBench):
    """With the keyboard alone; the knob has the focus."""

    def jog(self, by: int) -> None:
        self.press({10: "ArrowUp", -10: "ArrowDown", 1: "ArrowRight", -1: "ArrowLeft"}[by])

    def capture(self) -> None:
        self.press("Enter")

    def press(self, key: str) -> None:
        """One key, for whatever has the focus."""
        self.presses += 1
        self.page.keyboard.press(key)

    def go_to(self, name: str, key: str = "Tab") -> None:
        """Tab until what has the focus is named so."""
        for _ in range(60):
            self.press(key)
            if self.focused().startswith(name):
                return
        raise AssertionError(f"no way by {key} to {name}")

    def focused(self) -> str:
        """The name of what has the focus."""
        script = "(node) => node.getAttribute('aria-label') ?? node.textContent"
        return str(self.page.locator(":focus").evaluate(script))
