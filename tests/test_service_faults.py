"""A service in which something fails, on virtual time: trips, faults of the program, and what a restart finds."""

import asyncio
import threading
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from benchwarden.daemon.planning.jobs import Job, load_bench
from benchwarden.daemon.running.bay import Finished
from benchwarden.daemon.running.conductor import Ask, Ending
from benchwarden.daemon.safety import Heat
from benchwarden.daemon.serving import list_file, waiting_list
from benchwarden.daemon.serving.bay_keeper import BayKeeper
from benchwarden.daemon.serving.list_file import list_path
from benchwarden.daemon.serving.service import Service
from benchwarden.daemon.serving.waiting_list import Fate, Stand
from benchwarden.daemon.worker import run_one
from benchwarden.results.folder import FolderError
from tests.service_bench import CarryOut, Serving, Told, serving
from tests.virtual_bench import on_virtual_time


def test_a_trip_stops_its_own_list_until_acknowledged_and_no_other(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw", "rest")
            await one.add("middle", "plover", "draw")
            await one.start("left")
            await one.start("middle")
            await one.until(lambda: one.drawing("left") and one.drawing("middle"), 60)
            await asyncio.sleep(20.0)
            one.simulated.instruments["left/cells"].endpoint.faults.deaf = True
            await one.until(lambda: one.stand("left") is Stand.TRIPPED, 60)
            assert not one.drawing("left")
            assert one.drawing("middle")
            assert "cells group_1_v has not been seen" in one.service.bays["left"].list.why
            assert "acknowledge left" in (await one.start("left"))["error"]
            assert "no trip to acknowledge" in (await one.ask("acknowledge", bay="middle"))["error"]
            one.simulated.instruments["left/cells"].endpoint.faults.deaf = False
            assert (await one.ask("acknowledge", bay="left"))["off"]["confirmed"]
            assert one.stand("left") is Stand.STOPPED  # an acknowledgement starts nothing
            assert (await one.start("left"))["ok"]
            await one.until(lambda: one.stand("left") is Stand.IDLE)
            assert one.fates("left") == [Fate.TRIPPED, Fate.FINISHED]
            await one.until(lambda: one.stand("middle") is Stand.IDLE)
            assert one.fates("middle") == [Fate.FINISHED]
            assert [(bay, stand) for bay, stand, _, _ in one.told.lists] == [
                ("left", "tripped"),
                ("left", "idle"),
                ("middle", "idle"),
            ]
            assert "cells group_1_v has not been seen" in one.told.lists[0][2]

    on_virtual_time(work())


def test_a_list_s_end_says_whether_its_trip_is_heat(tmp_path: Path) -> None:
    """A meter that says nothing is no heat, a thermometer that says nothing may be."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw")
            await one.add("middle", "plover", "draw")
            await one.start("left")
            await one.start("middle")
            await one.until(lambda: one.drawing("left") and one.drawing("middle"), 60)
            one.simulated.instruments["left/temperature"].endpoint.faults.deaf = True
            one.simulated.instruments["middle/cells"].endpoint.faults.deaf = True
            await one.until(lambda: len(one.told.lists) == 2, 120)
            found = {bay: heat for (bay, *_), heat in zip(one.told.lists, one.told.heats, strict=True)}
            assert found == {"left": Heat.UNKNOWN, "middle": Heat.NO}
            assert (await one.ask("status"))["bays"]["left"]["list"]["heat"] == "unknown"

    on_virtual_time(work())


def test_a_marked_trip_switches_every_bay_off(tmp_path: Path) -> None:
    """A trip by temperature rate or smoke carries the mark; how it comes about is another test's."""

    @dataclass(frozen=True)
    class Marked(Ending):
        every_bay: bool = True

    def change(carry_out: CarryOut) -> CarryOut:
        async def marked(job: Job, ask: Ask) -> Finished:
            found = await carry_out(job, ask)
            return found._replace(ending=Marked("tripped", "smoke")) if job.pack.name == "Heron" else found

        return marked

    async def work() -> None:
        async with serving(tmp_path, change=change) as one:
            await one.add("left", "heron", "rest")
            await one.add("middle", "plover", "draw", "rest")
            await one.start("middle")
            await one.start("left")
            await one.until(lambda: one.stand("left") is Stand.TRIPPED, 120)
            await one.until(lambda: not one.drawing("middle"), 2)
            assert one.stand("middle") is Stand.STOPPED
            assert "bay left tripped: smoke" in one.service.bays["middle"].list.why
            await one.until(lambda: bool(one.told.at_once), 10)
            [(bay, how, why, off)] = one.told.at_once
            assert (bay, how, off) == ("middle", "stopped", True)
            assert "every bay was switched off: bay left tripped: smoke" in why

    on_virtual_time(work())


def test_a_fault_of_the_program_in_one_bay_trips_that_bay(tmp_path: Path) -> None:
    def change(carry_out: CarryOut) -> CarryOut:
        async def faulty(job: Job, ask: Ask) -> Finished:
            if job.pack.name == "Heron":
                raise ZeroDivisionError("on purpose")
            return await carry_out(job, ask)

        return faulty

    async def work() -> None:
        async with serving(tmp_path, change=change) as one:
            await one.add("left", "heron", "rest")
            await one.add("middle", "plover", "rest")
            await one.start("left")
            await one.start("middle")
            await one.until(lambda: one.stand("middle") is Stand.IDLE, 120)
            assert one.stand("left") is Stand.TRIPPED
            assert "ZeroDivisionError" in one.service.bays["left"].list.why
            [(bay, how, why, off)] = one.told.at_once
            assert (bay, how, off) == ("left", "tripped", True)
            assert "ZeroDivisionError" in why

    on_virtual_time(work())


def test_a_fault_outside_of_any_run_trips_and_is_told(tmp_path: Path) -> None:
    """A list whose task has died must not look as if it went on."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "rest")

            def faulty(bay: str, profile: str, pack: Path) -> Job:
                raise ZeroDivisionError("on purpose")

            keeper = one.service.bays["left"]
            keeper._hooks = replace(keeper._hooks, prepare=faulty)
            await one.start("left")
            await one.until(lambda: one.stand("left") is Stand.TRIPPED, 10)
            await one.until(lambda: bool(one.told.lists), 10)
            assert [(bay, how, off) for bay, how, _, off in one.told.at_once] == [("left", "tripped", True)]
            assert "ZeroDivisionError" in one.told.lists[0][2]

    on_virtual_time(work())


def test_a_start_that_cannot_look_for_the_drill_leaves_no_list_running(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "rest")

            def faulty(entry: object) -> list[str]:
                raise ZeroDivisionError("on purpose")

            keeper = one.service.bays["left"]
            keeper._hooks = replace(keeper._hooks, undrilled=faulty)
            assert "on purpose" in (await one.start("left"))["error"]
            assert one.stand("left") is Stand.STOPPED

    on_virtual_time(work())


async def _warmed_until_it_trips(one: Serving, bay: str) -> None:
    await one.until(lambda: one.drawing(bay), 60)
    pack = one.simulated.bays[bay].pack
    for _ in range(300):
        await asyncio.sleep(1.0)
        if one.stand(bay) is Stand.TRIPPED:
            return
        pack.core_c += 0.5
        pack.surface_c += 0.5
    raise AssertionError("did not trip")


async def _in_its_aftermath(one: Serving, bay: str) -> BayKeeper:
    """Let a bay's draw trip with a warm pack, so that it is looked at on; return who keeps it."""
    await one.add(bay, "heron", "draw")
    await one.start(bay)
    await _warmed_until_it_trips(one, bay)
    keeper = one.service.bays[bay]
    await one.until(lambda: keeper._aftermath is not None, 10)
    return keeper


def test_an_aftermath_that_has_ended_opens_no_connection_any_more(tmp_path: Path) -> None:
    """Many instruments serve one client: a connection that nobody closes keeps every later off away."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            keeper = await _in_its_aftermath(one, "left")
            aftermath = keeper._aftermath
            assert aftermath is not None
            assert (await aftermath.switch_off()) is not None
            await keeper.gone()
            assert (await aftermath.switch_off()) is None
            keeper._aftermath = aftermath  # as while its record is still being closed
            assert (await one.ask("stop", bay="left"))["off"]
            keeper._aftermath = None

    on_virtual_time(work())


def test_a_current_after_a_trip_that_cannot_be_switched_off_is_every_bay_s(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            keeper = await _in_its_aftermath(one, "left")
            await one.add("middle", "plover", "draw")
            await one.start("middle")
            await one.until(lambda: one.drawing("middle"), 60)
            one.simulated.instruments["left/load"].endpoint.faults.lost = "INP"
            one.simulated.bays["left"].switch_load(0, True, one.simulated.now())
            await one.until(lambda: one.stand("middle") is Stand.STOPPED, 30)
            assert not one.drawing("middle")
            assert not keeper.off.confirmed
            assert "flowed again" in keeper.list.why
            one.simulated.instruments["left/load"].endpoint.faults.lost = None

    on_virtual_time(work())


def test_a_bay_that_is_not_off_at_the_start_is_tripped_and_starts_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "rest")
            one.simulated.instruments["left/load"].endpoint.faults.mute = True
            again = Service(
                load_bench(tmp_path / "bench.toml"),
                tmp_path / "bench.toml",
                tmp_path / "runs",
                tmp_path / "state",
                lambda job, ask: run_one(None, job, tmp_path, one.guardian, one.board, ask),  # type: ignore[arg-type]
                one.board.note,
                outside=(told := Told()),
            )
            await again.begin()
            assert [(bay, how, off) for bay, how, _, off in told.at_once] == [("left", "tripped", False)]
            assert again.bays["left"].list.stand is Stand.TRIPPED
            assert "OFF NOT CONFIRMED" in again.bays["left"].list.why
            assert again.bays["middle"].list.stand is Stand.IDLE
            answer = await again.handle({"do": "start", "bay": "left", "numbers": [1]})
            assert "acknowledge left" in answer["error"]
            one.simulated.instruments["left/load"].endpoint.faults.mute = False

    on_virtual_time(work())


def test_a_restart_is_idle_and_says_what_was_interrupted(tmp_path: Path) -> None:
    """What lies on disk while a test runs is what a service that was killed leaves."""

    async def before() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw", "rest")
            await one.start("left")
            await one.until(lambda: one.drawing("left"), 60)
            (tmp_path / "left by a kill").write_bytes(list_path(tmp_path / "state", "left").read_bytes())

    on_virtual_time(before())
    (tmp_path / "left by a kill").replace(list_path(tmp_path / "state", "left"))

    async def after() -> None:
        async with serving(tmp_path) as one:
            assert one.stand("left") is Stand.INTERRUPTED
            assert one.fates("left") == [Fate.INTERRUPTED, Fate.WAITING]
            assert any("the service ended while test 1 (Short draw) ran" in note for note in one.board.notes)
            await asyncio.sleep(7200.0)
            assert one.drew("left") == []
            assert not one.guardian.armed
            cautions = (await one.ask("list", bay="left"))["bays"]["left"]["cautions"]
            assert any("Test 1 (Short draw) was interrupted" in text for text in cautions)
            assert (await one.start("left"))["ok"]
            await one.until(lambda: one.stand("left") is Stand.IDLE, 200)
            assert one.fates("left") == [Fate.INTERRUPTED, Fate.FINISHED]

    on_virtual_time(after())


def test_a_list_that_cannot_be_read_is_put_aside_and_not_guessed(tmp_path: Path) -> None:
    async def work() -> None:
        (tmp_path / "state").mkdir()
        list_path(tmp_path / "state", "left").write_text('{"format": 1, "tests"')
        async with serving(tmp_path) as one:
            assert (one.stand("left"), one.fates("left")) == (Stand.STOPPED, [])
            assert "not JSON" in one.service.bays["left"].list.why
            assert (tmp_path / "state" / "left.unreadable").read_text() == '{"format": 1, "tests"'
            assert one.stand("middle") is Stand.IDLE

    on_virtual_time(work())


def test_a_disk_that_cannot_keep_the_list_changes_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "rest")
            moved_away = tmp_path / "elsewhere"
            (tmp_path / "state").rename(moved_away)
            assert "left.json" in (await one.add("left", "heron", "draw"))["error"]
            assert "left.json" in (await one.start("left"))["error"]
            assert (one.stand("left"), one.fates("left")) == (Stand.IDLE, [Fate.WAITING])
            assert (await one.ask("stop", bay="left"))["off"]  # off never waits for a disk
            moved_away.rename(tmp_path / "state")

    on_virtual_time(work())


def test_an_acknowledge_that_finds_a_bay_not_off_reaches_every_bay(tmp_path: Path) -> None:
    """One bay that is not off is every bay's matter, also when it is a person's look that finds it."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw")
            await one.start("left")
            await _warmed_until_it_trips(one, "left")
            await one.add("middle", "plover", "draw", "rest")
            await one.start("middle")
            await one.until(lambda: one.drawing("middle"), 60)
            one.simulated.instruments["left/load"].endpoint.faults.lost = "INP"
            one.simulated.bays["left"].switch_load(0, True, one.simulated.now())
            assert "OFF NOT CONFIRMED" in (await one.ask("acknowledge", bay="left"))["error"]
            assert not one.drawing("middle")
            assert one.stand("middle") is Stand.STOPPED
            assert "off not confirmed in left" in one.service.bays["middle"].list.why
            assert one.stand("left") is Stand.TRIPPED
            assert ("left", "tripped", False) in [(bay, how, off) for bay, how, _, off in one.told.at_once]
            one.simulated.instruments["left/load"].endpoint.faults.lost = None

    on_virtual_time(work())


def test_a_stop_while_a_disk_refuses_leaves_no_test_that_seems_to_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The list is written before a test begins; while that hangs somebody says STOP, and then the disk refuses."""
    asked, may_fail = threading.Event(), threading.Event()
    write = list_file.write_list

    def refuses(state: Path, found: waiting_list.WaitingList) -> None:
        if found.running:
            asked.set()
            may_fail.wait(60)
            raise FolderError("left.json: the disk refuses, on purpose")
        write(state, found)

    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "rest", "draw")
            monkeypatch.setattr(list_file, "write_list", refuses)
            assert (await one.start("left"))["ok"]
            await asyncio.to_thread(asked.wait, 20)
            stopping = asyncio.ensure_future(one.ask("stop", bay="left"))
            await one.until(lambda: one.stand("left") is Stand.STOPPED, 5)
            may_fail.set()
            assert (await stopping)["off"]
            await one.service.bays["left"].gone()
            monkeypatch.setattr(list_file, "write_list", write)
            assert one.stand("left") is Stand.STOPPED
            assert one.fates("left") == [Fate.WAITING, Fate.WAITING]
            assert (await one.start("left"))["ok"]  # nothing is in its way any more
            await one.ask("stop", bay="left")

    on_virtual_time(work())


def test_a_fault_after_a_run_s_end_stops_the_list_and_is_said(tmp_path: Path) -> None:
    """What works out the figures cannot be started, say: the next test does not begin as if nothing had been."""

    def faulty(run: Path) -> None:
        raise ZeroDivisionError("on purpose")

    async def work() -> None:
        async with serving(tmp_path) as one:
            one.after_each.append(faulty)
            await one.add("left", "heron", "rest", "draw")
            await one.start("left")
            await one.until(lambda: one.stand("left") is Stand.TRIPPED, 120)
            await one.service.bays["left"].gone()
            assert one.fates("left") == [Fate.FINISHED, Fate.WAITING]
            assert "on purpose" in one.service.bays["left"].list.why
            assert one.service.bays["left"].off.confirmed
            assert any("on purpose" in note for note in one.board.notes)
            assert [(bay, how, off) for bay, how, _, off in one.told.at_once] == [("left", "tripped", True)]
            assert one.drew("left") == []

    on_virtual_time(work())


def test_a_fault_after_the_watch_over_a_tripped_pack_is_said(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            keeper = await _in_its_aftermath(one, "left")
            await one.until(lambda: bool(one.over), 10)  # the run's own end

            def faulty(run: Path) -> None:
                raise ZeroDivisionError("on purpose")

            one.after_each.append(faulty)
            watching = keeper._watching
            assert watching is not None
            await one.until(watching.done, 3600)
            assert "a fault of this program after the watch: ZeroDivisionError('on purpose')" in keeper.list.why
            assert keeper.off.confirmed

    on_virtual_time(work())
