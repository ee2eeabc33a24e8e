"""`benchwarden demo --live` as a newcomer meets it: the printed address on a phone, STOP, and off that is confirmed."""

import asyncio
import re
import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest
from playwright.sync_api import expect

from benchwarden.daemon import clock
from benchwarden.daemon.commands import demo_live
from benchwarden.daemon.commands.demo import _jobs
from benchwarden.daemon.commands.demo_live import STOPPED_S, Caretaker
from benchwarden.daemon.planning.jobs import load_bench
from benchwarden.daemon.serving.serve import PAGE_PORT, _page_address
from benchwarden.daemon.serving.waiting_list import COOL_WITHIN_K, Fate, Stand
from benchwarden.profiles.preflight import REST_WITHIN_K
from tests.browser import Complaints, chromium, context, faults_of, keep_picture, needs_chromium
from tests.service_bench import serving
from tests.shed import BENCHWARDEN, ENVIRONMENT, wait_for
from tests.virtual_bench import on_virtual_time

ADDRESS = re.compile(r"Open in a browser on this machine: +(http://127\.0\.0\.1:(\d+)/)\n")


def test_a_port_that_is_taken_is_no_obstacle() -> None:
    with ExitStack() as taken:
        with suppress(OSError):  # by somebody else, which is as good
            taken.enter_context(socket.create_server(("127.0.0.1", PAGE_PORT)))
        host, _, port = _page_address().partition(":")
        assert host == "127.0.0.1"
        assert int(port) not in (0, PAGE_PORT)


def test_what_was_stopped_stays_stopped_for_a_while_and_a_trip_waits_for_a_person(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    said: list[str] = []
    now_s = 100.0
    monkeypatch.setattr(clock, "real_s", lambda: now_s)
    caretaker = Caretaker({"left": Path("heron.toml")}, "standard", "127.0.0.1:8640", said.append)
    assert caretaker._is_due("left", Stand.INTERRUPTED), "of an earlier demonstration"
    assert caretaker._is_due("left", Stand.IDLE)
    assert not caretaker._is_due("left", Stand.RUNNING)
    assert not caretaker._is_due("left", Stand.COOLING)
    assert not caretaker._is_due("left", Stand.STOPPED)
    assert said == ["left: stopped, and begins again in 60 s; a real bench never does so by itself"]
    now_s += STOPPED_S - 1.0
    assert not caretaker._is_due("left", Stand.STOPPED)
    now_s += 2.0
    assert caretaker._is_due("left", Stand.STOPPED)
    assert not caretaker._is_due("left", Stand.TRIPPED)
    assert len(said) == 1


def test_a_pack_that_was_stopped_while_warm_cools_and_then_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo_live, "STOPPED_S", 0.0)  # a minute of real time, in which it would have cooled

    async def work() -> None:
        async with serving(tmp_path, soc=0.9) as one:
            packs = {"left": tmp_path / "heron.toml"}
            path = tmp_path / "bench.toml"
            _jobs(load_bench(path), path, "capacity", packs)  # confirms the pack, as the demonstration does
            caretaker = Caretaker(packs, str(tmp_path / "draw.toml"), "127.0.0.1:1", one.board.notes.append)
            seeing = asyncio.create_task(caretaker.keep_going(one.service))
            pack = one.simulated.bays["left"].pack

            def warmer_k() -> float:
                return pack.probes_c["middle"] - pack.probes_c["ambient"]

            for more in range(3):  # a list that begins anew again and again does not grow
                await one.until(lambda: one.drawing("left") and warmer_k() > REST_WITHIN_K + 1.0)
                answer = await one.ask("stop", bay="left")
                assert answer["off"]
                await one.until(lambda: one.stand("left") is Stand.COOLING, 60)
                assert [test.number for test in one.service.bays["left"].list.tests] == [1, 2, 3], more
                await one.until(lambda: one.stand("left") is Stand.RUNNING, 3600)
                assert warmer_k() < COOL_WITHIN_K + 0.5
                assert one.fates("left") == [Fate.STOPPED, Fate.RUNNING, Fate.WAITING]
            await one.until(lambda: one.drawing("left"))
            assert not any("TRIPPED" in note or "not started" in note for note in one.board.notes), one.board.notes
            seeing.cancel()
            await asyncio.wait({seeing})

    on_virtual_time(work())


@pytest.fixture
def demonstration(tmp_path: Path) -> Iterator["subprocess.Popen[str]"]:
    with (tmp_path / "said").open("w") as said:
        process = subprocess.Popen(
            [*BENCHWARDEN, "demo", "--live", "--out", "demo"],
            env=ENVIRONMENT,
            cwd=tmp_path,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            text=True,
        )
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(60)


@pytest.mark.endure
@pytest.mark.realtime
@needs_chromium
def test_a_newcomer_opens_the_address_on_a_phone_and_stops(
    demonstration: "subprocess.Popen[str]", tmp_path: Path
) -> None:
    said = tmp_path / "said"
    found = wait_for(lambda: ADDRESS.search(said.read_text()), 60)
    assert isinstance(found, re.Match)
    with chromium() as browser:
        page = context(browser, "phone").new_page()
        complaints = Complaints(page)
        page.goto(found[1])
        for bay, pack in (("left", "Heron"), ("middle", "Plover"), ("right", "Tern")):
            card = page.locator("article", has_text=f"Bay {bay}")
            expect(card).to_contain_text(pack)
            expect(card).to_contain_text("running, charging")
        expect(page.locator("footer")).to_contain_text("may look, and press STOP")
        assert faults_of(page) == []
        keep_picture(page, "demonstration", "light", whole=True)
        page.locator("#stop").tap()
        expect(page.locator("#stop-answer")).to_contain_text("Off: read back and measured.")
        keep_picture(page, "demonstration-stopped", "light")
        for bay in ("left", "middle", "right"):
            card = page.locator("article", has_text=f"Bay {bay}")
            expect(card.locator(".stand")).to_have_text("stopped")
            expect(card).to_contain_text("off confirmed")
        refused = page.evaluate("fetch('/api/bays/left/start', {method: 'POST'}).then((answer) => answer.status)")
        assert refused == 403, "starting needs the operator's token"
        # There is always something to watch, also for whoever comes after.
        expect(page.locator("article", has_text="Bay left").locator(".stand")).to_contain_text(
            "running", timeout=1000.0 * (STOPPED_S + 30.0)
        )
        assert complaints.beside("403") == []
    demonstration.send_signal(signal.SIGINT)
    assert demonstration.wait(60) == 0
    assert "every bay is off, confirmed" in said.read_text()
    assert not list((tmp_path / "demo" / "state").glob("*.sock"))
