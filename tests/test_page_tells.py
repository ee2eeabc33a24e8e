"""What the page in a browser tells of a bench whose worker is pretended: STOP's answer, and what needs a person."""

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from benchwarden.daemon.serving.messages import state_message
from tests.browser import SCHEMES, Complaints, chromium, context, faults_of, keep_picture, needs_chromium
from tests.page_bench import LIST, STATE, PageBench, page_on

pytestmark = [pytest.mark.realtime, needs_chromium]

FIRST, LATER = "heron/2026-11-25T20-00-00Z_capacity", "heron/2026-11-25T22-00-00Z_capacity"
START_UNIX_S = 1_795_640_651.0


@dataclass
class Told:
    """A page that somebody looks at, and what the bench says meanwhile: `tell` may be called from the test's thread."""

    served: PageBench
    loop: asyncio.AbstractEventLoop
    page: Page

    def tell(self, message: dict[str, Any]) -> None:
        """Say one message on the feed."""
        self.loop.call_soon_threadsafe(self.served.feed.tell, message)

    def state(self, bay: str, stand: str, run: str | None = None, *, question: Any = None, why: str = "") -> None:
        """Say where a bay stands."""
        found = {**STATE, "list": {**LIST, "bay": bay, "stand": stand, "why": why}, "question": question}
        self.tell(state_message("boat shed", bay, START_UNIX_S, found, run))

    def sample(self, bay: str, run: str, output: str, seq: int = 1) -> None:
        """Say one sample of a run, 2.5 A into the pack."""
        flows = 0.0 if output == "off" else 2.5
        self.tell(
            {
                "kind": "sample",
                "bench": "boat shed",
                "bay": bay,
                "run": run,
                "seq": seq,
                "utc": "2026-11-25T22:00:05.000Z",
                "test_time_s": 5.0 + seq,
                "pack": "Heron",
                "step": 1,
                "steps": 2,
                "step_kind": "charge",
                "step_time_s": 1.0 + seq,
                "phase": "",
                "output": output,
                "voltage_v": 22.1,
                "current_a": flows,
                "power_w": 22.1 * flows,
                "groups_v": [3.7] * 6,
                "temperatures_c": {"middle": 23.1, "ambient": 22.0},
                "charging_ah": 0.1,
                "discharging_ah": 0.0,
                "charging_wh": 2.2,
                "discharging_wh": 0.0,
                "left_s": 600.0,
            }
        )

    def seen_well(self, name: str) -> None:
        """Keep a picture by day and by night; axe-core finds nothing serious, and nothing is wider than the page."""
        for scheme in SCHEMES:
            self.page.emulate_media(color_scheme=scheme)
            assert faults_of(self.page) == [], (name, scheme)
            assert self.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
            keep_picture(self.page, name, scheme)

    def is_in_front(self, selector: str) -> bool:
        """Tell whether the middle of what stands there is what a finger would touch."""
        return bool(
            self.page.evaluate(
                """selector => {
                    const seen = document.querySelector(selector);
                    const box = seen.getBoundingClientRect();
                    const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
                    return box.height > 0 && seen.contains(top);
                }""",
                selector,
            )
        )


def looked_at(folder: Path, look: Callable[[Told], None], *expected: str) -> None:
    """Serve a page, open it on a phone, and look; what it complains of, beside what is expected, fails the test."""

    async def work() -> None:
        async with page_on(folder) as served:
            loop = asyncio.get_running_loop()

            def looking() -> None:
                with chromium() as browser:
                    page = context(browser, "phone", timezone_id="America/Halifax").new_page()
                    complaints = Complaints(page)
                    page.clock.install()  # it runs as the real one does, until a test moves it
                    page.goto(f"http://127.0.0.1:{served.port}/")
                    expect(page.locator("main")).to_contain_text("Bay right")
                    look(Told(served, loop, page))
                    assert complaints.beside("404", *expected) == []  # the runs that are told of have no folders

            await asyncio.to_thread(looking)

    asyncio.run(work())


def test_an_off_that_is_over_is_not_said_any_longer(tmp_path: Path) -> None:
    """Fault 62: the answer names its time, and stops looking like an answer once a test runs again."""

    def look(told: Told) -> None:
        page, box = told.page, told.page.locator(".answer")
        told.state("left", "running", FIRST)
        told.sample("left", FIRST, "supply")
        card = page.locator("article", has_text="Bay left")
        expect(card).to_contain_text("running, charging")
        page.locator("#stop").tap()
        expect(box).to_have_attribute("data-kind", "off")
        expect(box).to_contain_text("Off: read back and measured.")
        expect(box.locator(".time")).to_have_text(
            # Halifax is four hours behind UTC in November (America/Halifax in the IANA time zone database).
            re.compile(r"^STOP everything: answered at (\d\d):(\d\d:\d\d) UTC \((\d\d):\2 here\)$")
        )
        told.sample("left", FIRST, "supply", 2)  # was on its way when the answer came
        told.state("left", "stopped")
        expect(card.locator(".stand")).to_have_text("stopped")
        expect(box).to_have_attribute("data-kind", "off")
        told.seen_well("stop-off")
        told.state("left", "running", LATER)
        expect(box).to_have_attribute("data-kind", "was-off")
        expect(box).to_contain_text("Was off at ")
        expect(box).to_contain_text("Since then bay left runs again.")
        expect(box).not_to_contain_text("Off: read back")
        told.state("right", "running", "tern/2026-11-25T22-00-09Z_capacity")
        expect(box).to_contain_text("Since then bays left, right run again.")
        told.seen_well("stop-was-off")
        box.get_by_role("button", name="close").tap()
        expect(box).to_have_count(0)

    looked_at(tmp_path, look)


def test_current_in_a_run_that_was_stopped_ends_its_off_as_well(tmp_path: Path) -> None:
    def look(told: Told) -> None:
        page, box = told.page, told.page.locator(".answer")
        told.state("left", "running", FIRST)
        page.evaluate("location.hash = '#/bay/left'")
        page.get_by_role("button", name="Stop bay left only").tap()
        expect(box).to_have_attribute("data-kind", "off")
        expect(box).to_contain_text("STOP bay left: answered at")
        told.state("right", "running", LATER)  # that bay was not meant
        told.sample("left", FIRST, "off", 2)
        expect(page.locator("main .stand")).to_have_text("running, output off")
        expect(box).to_have_attribute("data-kind", "off")
        page.clock.fast_forward(6_000)
        told.sample("left", FIRST, "load", 3)
        expect(box).to_have_attribute("data-kind", "was-off")

    looked_at(tmp_path, look)


def test_an_off_that_nobody_confirmed_stays_until_it_is_closed(tmp_path: Path) -> None:
    def look(told: Told) -> None:
        page, box = told.page, told.page.locator(".answer")
        told.served.sockets.worker["stop"] = {"error": "a fault of this program"}
        page.locator("#stop").tap()
        expect(box).to_have_attribute("data-kind", "not-off")
        expect(box).to_contain_text("NOT CONFIRMED")
        told.state("left", "running", LATER)
        expect(page.locator("article", has_text="Bay left")).to_contain_text("running")
        expect(box).to_have_attribute("data-kind", "not-off")
        expect(box).to_contain_text("answered at")
        told.seen_well("stop-not-off")

    looked_at(tmp_path, look)


def test_a_stop_without_an_answer_says_what_to_do_and_goes_on_trying(tmp_path: Path) -> None:
    """Nobody waits before the screen for more than ten seconds without knowing what else there is."""

    def look(told: Told) -> None:
        page, box = told.page, told.page.locator(".answer")
        slow = told.served.sockets.slow = asyncio.Event()
        page.locator("#stop").tap()
        expect(box).to_have_attribute("data-kind", "waiting")
        page.clock.fast_forward(11_000)
        expect(box).to_have_attribute("data-kind", "not-off")
        expect(box).to_contain_text("NO ANSWER YET after")
        expect(box).to_contain_text("stop that needs no computer")
        expect(box).to_contain_text("The page goes on trying.")
        told.seen_well("stop-no-answer")
        told.loop.call_soon_threadsafe(slow.set)
        expect(box).to_have_attribute("data-kind", "off")

        told.served.sockets.slow = asyncio.Event()
        page.locator("#stop").tap()
        expect(box).to_have_attribute("data-kind", "waiting")
        for _ in range(4):
            page.clock.fast_forward(9_500)
        expect(box).to_contain_text("NOT CONFIRMED: the page got no answer in")
        expect(box).to_contain_text("given up at")
        told.loop.call_soon_threadsafe(told.served.sockets.slow.set)

    looked_at(tmp_path, look)


def test_requests_that_fail_are_sent_again(tmp_path: Path) -> None:
    def look(told: Told) -> None:
        page, box = told.page, told.page.locator(".answer")
        page.route("**/api/stop", lambda route: route.abort("connectionfailed"))
        page.locator("#stop").tap()
        expect(box).to_contain_text("NO ANSWER YET after")
        assert not told.served.sockets.did("stop")
        page.unroute("**/api/stop")
        expect(box).to_have_attribute("data-kind", "off")

    looked_at(tmp_path, look, "ERR_CONNECTION_FAILED")


def test_a_refusal_of_stop_is_told_in_the_server_s_words(tmp_path: Path) -> None:
    def look(told: Told) -> None:
        page, box = told.page, told.page.locator(".answer")
        foreign = {"origin": "http://evil.example", "content-type": "application/json"}
        page.route("**/api/stop", lambda route: route.fulfill(response=route.fetch(headers=foreign)))
        page.locator("#stop").tap()
        expect(box).to_contain_text("NOT STOPPED: the server refuses it: this does not come from the page: ")
        expect(box).to_contain_text("stop that needs no computer")
        expect(box).to_contain_text("STOP everything: refused at")

    looked_at(tmp_path, look, "403")


def test_no_new_data_and_the_answer_to_stop_are_both_seen(tmp_path: Path) -> None:
    def look(told: Told) -> None:
        page = told.page
        told.state("left", "running", FIRST)
        page.locator("#stop").tap()
        expect(page.locator(".answer")).to_have_attribute("data-kind", "off")
        (told.served.folder / "state" / "worker.sock").unlink()  # nobody is heard from here on
        expect(page.locator("#lost")).to_be_visible()  # after ten real seconds
        for far in (0, 400):
            page.evaluate("far => scrollTo(0, far)", far)
            assert told.is_in_front("#lost")
            assert told.is_in_front(".answer .words")
            assert told.is_in_front("#stop")
        told.seen_well("lost-and-stopped")

    looked_at(tmp_path, look)


def test_what_needs_a_person_comes_first(tmp_path: Path) -> None:
    """On a phone's first screen, in the title and by words and shape, whichever bay it is."""

    def look(told: Told) -> None:
        page, cards = told.page, told.page.locator("article .stand")
        told.state("left", "running", FIRST)
        expect(cards).to_have_text(["running: checks before anything is on", "nothing heard of it yet"])
        asked = {"text": "Is the fan on?", "answers": ["yes", "no"]}
        told.state("right", "running", LATER, question=asked)
        expect(cards).to_have_text(["asks you:", "running: checks before anything is on"])
        expect(page).to_have_title("ASKS: right · boat shed")
        question = page.locator("article .question")
        expect(question).to_contain_text("Is the fan on?")
        expect(question).to_be_in_viewport(ratio=1.0)
        assert told.is_in_front("article .question .asked")
        told.seen_well("asks")
        told.state("left", "tripped", why="group 3: 2.41 V")
        expect(cards).to_have_text(["TRIPPED", "asks you:"])
        expect(page).to_have_title("TRIPPED: left; ASKS: right · boat shed")
        expect(page.locator("article .why").first).to_be_in_viewport(ratio=1.0)
        morning = page.locator(".morning .told")
        expect(morning.first).to_contain_text("left, Heron: TRIPPED: group 3: 2.41 V; more in a moment")
        expect(morning.nth(1)).to_contain_text("asks you: Is the fan on?")
        told.seen_well("tripped-and-asks")
        told.state("left", "idle")
        told.state("right", "idle")
        expect(cards).to_have_text(["idle", "idle"])
        expect(page.locator("section.morning + .cards")).to_be_visible()

    looked_at(tmp_path, look)


def test_minutes_on_the_axis_of_time_are_not_taken_for_hours(tmp_path: Path) -> None:
    def look(told: Told) -> None:
        said = {
            (3.42, 0.1): "3.4 s",
            (123, 1): "2:03",
            (3723, 20): "1:02:03",
            (0, 60): "0 min",
            (600, 600): "10 min",
            (3600, 600): "1 h",
            (4800, 600): "1 h 20",
            (-120, 60): "\u22122 min",
            (36300, 300): "10 h 05",
        }
        shown = told.page.evaluate(
            "async times => { const { clock } = await import('/chart.js'); return times.map((one) => clock(...one)); }",
            [list(one) for one in said],
        )
        assert shown == list(said.values())

    looked_at(tmp_path, look)
