"""The page when something dies: the worker, the front, a viewer; and what a person does with past runs."""

import itertools
import json
import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Response, expect

from tests.browser import SCHEMES, Complaints, chromium, context, faults_of, keep_picture, needs_chromium
from tests.served_page import OPERATE, VIEW, ServedPage, log_in, start
from tests.shed import wait_for
from tests.synthetic_run import discharge_run
from tests.viewers import frozen, pages_open, viewers

pytestmark = [pytest.mark.endure, pytest.mark.realtime, needs_chromium]

OTHERS, LOOKED_S = 17, 25.0


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedPage]:
    made = ServedPage(tmp_path)
    try:
        yield made
    finally:
        made.close()


def times_s(run: Path) -> list[float]:
    """Return the test times of a run's samples, seconds."""
    return [float(row.split(",")[0]) for row in (run / "samples-001.csv").read_text().splitlines()[1:-1]]


def longest_gap_s(run: Path) -> float:
    """Return the longest time between two samples of a run, seconds."""
    return max(later - before for before, later in itertools.pairwise(times_s(run)))


@contextmanager
def bare_timer() -> Iterator[list[float]]:
    """Time beside the run how long this machine lets a thread that does nothing wait beyond a tick, seconds."""
    late_s, ended = [0.0], threading.Event()

    def tick() -> None:
        before_s = time.monotonic()
        while not ended.wait(0.05):
            now_s = time.monotonic()
            late_s.append(now_s - before_s - 0.05)
            before_s = now_s

    thread = threading.Thread(target=tick, name="bare timer")
    thread.start()
    try:
        yield late_s
    finally:
        ended.set()
        thread.join()


def test_a_worker_that_is_killed_leaves_a_page_that_does_not_look_alive(served: ServedPage) -> None:
    """Fault 60: the guardian takes over; the page says that its data are old, and STOP what was measured."""
    assert served.service.say("add", "left=pack.toml", "draw.toml").returncode == 0
    with chromium() as browser:
        page = context(browser).new_page()
        log_in(page, served)
        start(page, "left")
        expect(page.locator("main .stand")).to_contain_text("running, drawing")
        os.kill(served.service.worker(), signal.SIGKILL)
        killed_s = time.monotonic()
        page.locator("#stop").click()
        answer, body = page.locator("#stop-answer"), page.locator("body")
        expect(answer).to_contain_text("Off: read back and measured.")
        expect(answer).to_contain_text("took over")
        assert served.drawn_a("left") < 0.1
        expect(body).not_to_have_attribute("data-age", "fresh")
        expect(body).to_have_attribute("data-age", "lost")
        assert time.monotonic() - killed_s >= 9.0
        expect(page.locator("#lost")).to_contain_text("NO NEW DATA FOR")
        expect(page.locator("#guardian")).to_contain_text("took over")
        assert page.title().startswith("NO DATA")
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            assert faults_of(page) == []
            keep_picture(page, "worker-killed", scheme)


def test_a_front_that_is_killed_is_missed_and_comes_back_with_the_gap_filled(served: ServedPage) -> None:
    assert served.service.say("add", "left=pack.toml", "draw.toml").returncode == 0
    with bare_timer() as late_s, chromium() as browser:
        page = context(browser).new_page()
        log_in(page, served)
        start(page, "left")
        body = page.locator("body")
        expect(page.locator("main .stand")).to_contain_text("running, drawing")
        run = next((served.folder / "runs").glob("*/*"))
        filled: list[Response] = []
        page.on("response", lambda one: filled.append(one) if "/curves" in one.url and one.ok else None)

        first = served.front()
        os.kill(first, signal.SIGKILL)
        second = wait_for(lambda: served.front() not in (0, first) and served.front(), 60)
        assert isinstance(second, int)
        os.kill(second, signal.SIGKILL)  # so soon after its start the next one comes only ten seconds later
        gone_s = times_s(run)[-1]
        expect(body).not_to_have_attribute("data-age", "fresh")
        wait_for(served.answers, 60)
        back_s = times_s(run)[-1]
        filled.clear()
        expect(body).to_have_attribute("data-age", "fresh")
        for _ in range(100):
            if not filled:
                page.wait_for_timeout(100)
        drawn = [point[0] for point in json.loads(filled[-1].body())["curves"]["voltage_v"]]
        assert back_s - gone_s > 5.0
        missed = [one for one in times_s(run) if gone_s <= one <= back_s]
        assert len([one for one in drawn if gone_s <= one <= back_s]) >= len(missed) - 2
        # The run itself has not noticed.
        assert longest_gap_s(run) < 1.5 + 2.0 * max(late_s)
        # A STOP that finds nobody says so, is sent again, and comes through.
        os.kill(served.front(), signal.SIGKILL)
        wait_for(lambda: not served.answers(), 60)
        page.get_by_role("button", name="Stop bay left only").click()
        expect(page.locator(".answer")).to_contain_text("NO ANSWER YET after")
        expect(page.locator(".answer")).to_contain_text("Off: read back and measured.")
        assert served.drawn_a("left") < 0.1
        assert "the front ended with exit code -9; it is started again" in served.service.log.read_text()


def test_twenty_look_on_and_the_one_that_froze_holds_nobody_up(served: ServedPage) -> None:
    """Fault 59: it is let go; the others miss no sample, and the run none of its times."""
    assert served.service.say("add", "left=pack.toml", "draw.toml").returncode == 0
    with bare_timer() as late_s, chromium() as browser:
        page = context(browser).new_page()
        log_in(page, served)
        start(page, "left")
        second = context(browser, "phone", storage_state=page.context.storage_state()).new_page()
        second.goto(f"{served.url}#/bay/left")
        expect(page.locator("main .stand")).to_contain_text("running, drawing")
        run = next((served.folder / "runs").glob("*/*"))
        stuck = frozen(served.port, VIEW)
        with viewers(OTHERS, served.port, VIEW) as others:
            wait_for(lambda: pages_open(served.port, VIEW) == OTHERS + 3, 60)
            before = len(times_s(run))
            page.wait_for_timeout(1000.0 * LOOKED_S)
            recorded = len(times_s(run)) - before
            assert pages_open(served.port, VIEW) == OTHERS + 2, "who does not read is let go"
            for one in others:
                assert not one.ended
                assert [message for message in one.got if message["kind"] == "gap"] == []
                seen = one.samples("left")
                assert len(seen) >= recorded - 2  # feed and record are not looked at in one moment
                assert seen == list(range(seen[0], seen[-1] + 1))
            for shown in (page, second):
                expect(shown.locator("body")).to_have_attribute("data-age", "fresh")
        stuck.close()
        assert longest_gap_s(run) < 1.5 + 2.0 * max(late_s)


ASKING = """
title = "Two questions"
[[step]]
do = "ask"
text = "Is the probe taped on?"
answers = ["yes", "no"]
[[step]]
do = "ask"
text = "Is the fan on?"
"""


def test_a_question_is_answered_a_trip_acknowledged_and_a_note_kept(served: ServedPage) -> None:
    """All that the operator's token may do beside starting; whoever looks sees the question, and no button for it."""
    (served.folder / "ask.toml").write_text(ASKING)
    assert served.service.say("add", "left=pack.toml", "ask.toml").returncode == 0
    with chromium() as browser:
        looker = context(browser, "phone").new_page()
        log_in(looker, served, VIEW)
        page = context(browser).new_page()
        log_in(page, served)
        start(page, "left", "Is the probe taped on?")
        question = page.locator("main .question")
        expect(question).to_contain_text("Is the probe taped on?")
        seen = looker.locator("article", has_text="Bay left")
        expect(seen).to_contain_text("Is the probe taped on?")
        expect(seen.get_by_role("button")).to_have_count(0)
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            assert faults_of(page) == []
            keep_picture(page, "question", scheme)
        question.get_by_role("button", name="yes").click()
        expect(question).to_contain_text("Is the fan on?")

        served.shed.ask_load("INP 1;:INP?")  # somebody turns a knob
        expect(page.locator("main .stand")).to_contain_text("TRIPPED")
        assert page.title().startswith("TRIPPED: left")
        assert not served.shed.is_on()
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            assert faults_of(page) == []
            keep_picture(page, "tripped", scheme)
        page.get_by_role("button", name="Acknowledge the trip").click()
        page.get_by_role("button", name="So it is: acknowledge").click()
        expect(page.locator("main .stand")).not_to_contain_text("TRIPPED")

        page.get_by_role("link", name="Past runs").click()
        page.locator("main a[href^='#/run/']").first.click()
        page.get_by_label("note on this run").fill("a knob was turned")
        page.get_by_role("button", name="Keep note").click()
        expect(page.locator(".note-form")).to_contain_text("kept")
        looker.get_by_role("link", name="Past runs").click()
        expect(looker.locator("main")).to_contain_text("a knob was turned")
    lines = (served.service.state / "control.jsonl").read_text().splitlines()
    done = [json.loads(line)["do"] for line in lines]
    assert done == ["log in", "log in", "start", "answer", "acknowledge", "note"]


def test_past_runs_are_ticked_and_compared(served: ServedPage) -> None:
    pytest.importorskip("matplotlib")
    for pack, run in (("Heron", "heron/2026-11-25T21-04-11Z_capacity"), ("Tern", "tern/2026-11-26T08-00-00Z_capacity")):
        writer = discharge_run(every_s=10.0)
        writer.finish(served.folder / "runs" / run, writer.info(pack))
    with chromium() as browser:
        page = context(browser).new_page()
        complaints = Complaints(page)
        log_in(page, served, VIEW)
        page.get_by_role("link", name="Past runs").click()
        compare = page.get_by_role("button", name="Compare ticked runs")
        boxes = page.get_by_role("checkbox")
        expect(boxes).to_have_count(2)
        boxes.nth(0).check()
        expect(compare).to_be_disabled()
        expect(page.locator(".compare")).to_contain_text("1 run ticked")
        boxes.nth(1).check()
        compare.click()
        link = page.get_by_role("link", name="The comparison of 2 runs")
        expect(link).to_be_visible(timeout=60_000)
        with page.expect_popup() as opened:
            link.click()
        report = opened.value
        expect(report.locator("body")).to_contain_text("2 runs of 2 packs")
        assert report.locator("svg").count() >= 1
        for scheme in SCHEMES:
            report.emulate_media(color_scheme=scheme)
            assert faults_of(report) == []
            keep_picture(report, "comparison", scheme)
        assert complaints.beside("401") == []
        assert OPERATE not in page.content()
