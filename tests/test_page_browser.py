"""The page in a browser, with a real service on a simulated bench: what a person sees, presses, must not believe."""

import os
import re
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser import (
    SCHEMES,
    Complaints,
    chromium,
    context,
    faults_of,
    keep_picture,
    needs_chromium,
)
from tests.served_page import ServedPage, log_in, start
from tests.shed import wait_for

pytestmark = [pytest.mark.realtime, needs_chromium]

# Every view, and what stands there once it is complete.
VIEWS = {"#/": "Bay right", "#/bay/left": "Groups", "#/runs": "Past runs", "#/run/": "samples-001.csv"}


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedPage]:
    made = ServedPage(tmp_path)
    try:
        yield made
    finally:
        made.close()


def look_at(page: Page, *places: str) -> None:
    """Look at views by day and by night, at the page's size: no serious fault, nothing cut off, STOP in its place."""
    assert page.viewport_size
    width, height = page.viewport_size["width"], page.viewport_size["height"]
    for place in places:
        view = next(one for one in reversed(VIEWS) if place.startswith(one))
        page.evaluate("place => { location.hash = place; }", place)
        expect(page.locator("main")).to_contain_text(VIEWS[view])
        expect(page.locator("main")).not_to_contain_text("Reading")
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            assert faults_of(page) == [], (place, width, scheme)
            wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0, f"{place} is {wide} px wider than {width} px"
            box = page.locator("#stop").bounding_box()
            assert box
            assert 0 <= box["y"] < box["y"] + box["height"] <= height
            assert min(box["width"], box["height"]) >= 44  # WCAG 2.1, 2.5.5, target size
            keep_picture(page, view.strip("#/").replace("/", "-") or "overview", scheme)


def times_in_table(page: Page) -> list[float]:
    """Return the times that the chart's table shows, in seconds of the test."""
    page.locator(".chart summary").click()
    shown = page.locator(".chart tbody th").all_inner_texts()
    page.locator(".chart summary").click()
    return [float(text.split()[0]) if "s" in text else _seconds(text) for text in shown]


def _seconds(text: str) -> float:
    total = 0.0
    for part in text.split(":"):
        total = total * 60.0 + float(part)
    return total


def test_a_person_starts_watches_and_stops(served: ServedPage) -> None:
    """Faults 60 and 62: STOP is true, and a page that gets nothing any more does not look alive."""
    for bay in ("left", "middle"):
        assert served.service.say("add", f"{bay}=pack.toml", "draw.toml").returncode == 0
    with chromium() as browser:
        desk = context(browser)
        page = desk.new_page()
        complaints = Complaints(page)
        log_in(page, served)
        keyboard_only(page)
        for bay in ("left", "middle"):
            start(page, bay)
        # Before the first step nothing is drawn for ten seconds: time to look around, and on a phone as well.
        look_at(page, "#/", "#/runs")
        run = page.locator("main a[href^='#/run/']").first.get_attribute("href") or ""
        phone = context(browser, "phone", storage_state=desk.storage_state()).new_page()
        phone.clock.install()  # it runs as the real one does, until a test moves it
        phone.goto(served.url)
        look_at(phone, "#/", "#/runs")
        page.evaluate("location.hash = '#/bay/left'")
        expect(page.locator("main .stand")).to_contain_text("running, drawing")
        wait_for(lambda: served.drawn_a("left") > 5.0 and served.drawn_a("middle") > 5.0, 60)
        for one in (page, phone):
            look_at(one, "#/bay/left", run)

        # Loaded anew in the middle of the run: all of it is there again, from its first sample.
        page.evaluate("location.hash = '#/bay/left'")
        page.reload()
        expect(page.locator("main .stand")).to_contain_text("running, drawing")
        expect(page.locator(".plan [aria-current]")).to_contain_text("discharge")
        shown = wait_for(lambda: re.search(r"A\n\u2212(\d+\.\d+)", page.locator(".figures").first.inner_text()), 60)
        assert isinstance(shown, re.Match)
        assert float(shown[1]) > 5.0
        wait_for(lambda: page.evaluate("document.querySelector('canvas').height") > 100, 60)
        first_s = first_sample_s(served.folder / "runs" / run.removeprefix("#/run/"))
        times = times_in_table(page)
        assert times[0] == pytest.approx(first_s, abs=1.0)
        assert times[-1] > first_s + 2.0
        assert page.title().startswith("left, middle running")

        gets_nothing(phone, served.front())
        page.get_by_role("button", name="Stop bay left only").click()
        answer = page.locator("#stop-answer")
        expect(answer).to_contain_text("Off: read back and measured.")
        assert served.drawn_a("left") < 0.1
        assert served.drawn_a("middle") > 5.0
        expect(page.locator("main .stand")).to_contain_text("stopped")
        hangs(phone, served)
        phone.locator("#stop").tap()
        expect(phone.locator("#stop-answer")).to_contain_text("Off: read back and measured.")
        assert served.drawn_a("middle") < 0.1
        for scheme in SCHEMES:
            phone.emulate_media(color_scheme=scheme)
            keep_picture(phone, "stopped", scheme)
        assert complaints.beside("401") == []  # that a stranger was refused stands there


def keyboard_only(page: Page) -> None:
    """Reach STOP by the keyboard: right behind the link to the content, and seen when it has the focus."""
    page.evaluate("document.querySelector('body > a').focus()")
    page.keyboard.press("Tab")
    expect(page.locator("#stop")).to_be_focused()
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"


def gets_nothing(page: Page, front: int) -> None:
    """Freeze what serves a page: its data age aloud, title and icon follow; afterwards it goes on where it was."""
    body, icon = page.locator("body"), page.locator("#icon")
    expect(body).to_have_attribute("data-age", "fresh")
    assert front  # zero would be every process of this test
    os.kill(front, signal.SIGSTOP)
    page.wait_for_timeout(300)  # what was under way has come
    page.clock.pause_at(page.evaluate("Date.now() / 1000 + 4"))  # however long this test is held up, no more goes by
    expect(body).to_have_attribute("data-age", "late")
    assert "77838a" in (icon.get_attribute("href") or "")
    page.clock.fast_forward(8_000)
    expect(body).to_have_attribute("data-age", "lost")
    page.clock.resume()
    expect(page.locator("#lost")).to_contain_text("NO NEW DATA FOR")
    assert page.title().startswith("NO DATA")
    assert "a8201a" in (icon.get_attribute("href") or "")
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)
        assert faults_of(page) == [], ("lost", scheme)
        keep_picture(page, "lost", scheme)
    os.kill(front, signal.SIGCONT)
    expect(body).to_have_attribute("data-age", "fresh")
    assert not page.title().startswith("NO DATA")


def hangs(page: Page, served: ServedPage) -> None:
    """Press STOP while what serves the page hangs: within ten seconds it says what to do instead, after 35 it ends."""
    front, answer = served.front(), page.locator(".answer")
    assert front
    os.kill(front, signal.SIGSTOP)
    page.locator("#stop").tap()
    expect(answer).to_have_attribute("data-kind", "waiting")
    page.clock.fast_forward(10_500)
    expect(answer).to_contain_text("NO ANSWER YET after")
    expect(answer).to_contain_text("stop that needs no computer")
    for _ in range(3):
        page.clock.fast_forward(9_000)
    expect(answer).to_contain_text("NOT CONFIRMED: the page got no answer in")
    assert served.drawn_a("middle") > 5.0
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)
        assert faults_of(page) == [], ("hangs", scheme)
        keep_picture(page, "hangs", scheme)
    os.kill(front, signal.SIGCONT)


def first_sample_s(run: Path) -> float:
    """Return the test time of a run's first sample, seconds."""
    return float((run / "samples-001.csv").read_text().splitlines()[1].split(",")[0])
