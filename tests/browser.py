"""Debian's Chromium through Playwright, with nothing downloaded; what axe-core finds; and pictures to look at.

Pictures lie below build/screens, named by view, width and scheme. axe-core comes with the pinned package
axe-playwright-python (its file axe.min.js) and checks against the Web Content Accessibility Guidelines 2.1, A and AA,
and its own best practices.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tests.needs import needs, program

SCREENS = Path(__file__).parents[1] / "build" / "screens"
needs_chromium = needs("chromium")
SIZES = {"desk": (1440, 900), "phone": (390, 844)}
Scheme = Literal["light", "dark"]
SCHEMES: tuple[Scheme, ...] = ("light", "dark")
FLAGS = ["--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking", "--disable-component-update"]
AXE = (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")
# What a test waits for, it waits for; only where a time is what it is about does it name one.
expect.set_options(timeout=60_000)
SEVERE = """async () => (await axe.run(document, {resultTypes: ["violations"]})).violations
  .filter((one) => ["serious", "critical"].includes(one.impact))
  .map((one) => `${one.impact} ${one.id}: ${one.help}: ${one.nodes.map((node) => node.html.slice(0, 120)).join(" | ")}`)
"""


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start a browser without a window."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program("chromium"), args=FLAGS, chromium_sandbox=False)
        try:
            yield browser
        finally:
            browser.close()


def context(browser: Browser, size: str = "desk", **more: Any) -> BrowserContext:
    """Return a context of its own, with its own cookies: "desk" or "phone" as in `SIZES`."""
    width, height = SIZES[size]
    phone = size == "phone"
    return browser.new_context(
        viewport={"width": width, "height": height}, is_mobile=phone, has_touch=phone, reduced_motion="reduce", **more
    )


class Complaints:
    """What a page complains of in its console, and what its scripts fail with; `ours` leaves out what a test causes."""

    def __init__(self, page: Page) -> None:
        self.said: list[str] = []
        page.on("console", lambda one: self.said.append(one.text) if one.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self.said.append(str(error)))

    def beside(self, *expected: str) -> list[str]:
        """Return all but what has these words in it."""
        return [one for one in self.said if not any(words in one for words in expected)]


def faults_of(page: Page) -> list[str]:
    """Return what axe-core finds serious or critical in a page as it is now."""
    if not page.evaluate("typeof axe === 'object'"):
        page.evaluate(AXE)
    found: list[str] = page.evaluate(SEVERE)
    return found


def keep_picture(page: Page, name: str, scheme: str, *, whole: bool = False) -> None:
    """Keep a picture of what is seen, or of all there is to scroll through."""
    assert page.viewport_size
    path = SCREENS / f"{name}-{page.viewport_size['width']}-{scheme}.png"
    page.screenshot(path=path, full_page=whole, animations="disabled")
