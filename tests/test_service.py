"""The service over a whole simulated bench on virtual time: lists, trips, stops, and what a restart finds.

Worker, drivers, maps, sockets and instruments are real code; only the guardian is doubled, at its socket.
"""

import asyncio
import json
import sys
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon import list_file, waiting_list
from benchwarden.daemon.bay import Finished
from benchwarden.daemon.conductor import Ask, Ending
from benchwarden.daemon.jobs import Job, load_bench
from benchwarden.daemon.list_file import list_path, read_list
from benchwarden.daemon.outside import InAList, Outside
from benchwarden.daemon.progress import View
from benchwarden.daemon.service import Service
from benchwarden.daemon.waiting_list import Fate, Stand
from benchwarden.daemon.worker import run_one
from benchwarden.daemon.worker_socket import WorkerSocket
from benchwarden.results.folder import FolderError, read_run
from benchwarden.results.sample import Sample
from benchwarden.simulators.scenario import demo_bench
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import HERON
from tests.virtual_bench import StandInGuardian, on_virtual_time

PLOVER = HERON.replace("Heron", "Plover")
REST = """
title = "Short rest"
[[step]]
do = "rest"
at_least = "20 s"
"""
DRAW = """
title = "Short draw"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "discharge cut-off" }
"""
ASK = """
title = "Question"
[[step]]
do = "ask"
text = "Is the lid on?"
answers = ["yes", "no"]
"""
PROFILES = {"rest": REST, "draw": DRAW, "ask": ASK}


@dataclass
class Board:
    """What the service shows, kept."""

    views: dict[str, View] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    service: Service | None = None

    def show(self, bay: str, view: View) -> None:
        self.views[bay] = view
        if self.service:
            self.service.bays[bay].view = view

    def end(self, bay: str, how: str) -> None:
        self.views.pop(bay, None)

    def note(self, text: str) -> None:
        self.notes.append(text)

    def event(self, bay: str, run: str, event: Mapping[str, Any]) -> None:
        pass


class Told(Outside):
    """Keeps what people would be told: (bay, how, why, off confirmed) at once, and each list's end."""

    def __init__(self) -> None:
        super().__init__(None, print)
        self.at_once: list[tuple[str, str, str, bool]] = []
        self.lists: list[tuple[str, str, str, bool]] = []

    def ended(self, bay: str, pack: str, how: str, why: str, *, off_confirmed: bool) -> None:
        self.at_once.append((bay, how, why, off_confirmed))

    def list_over(self, bay: str, pack: str, stand: str, why: str, state: Path, *, off_confirmed: bool) -> None:
        assert read_list(state, bay).stand.value == stand  # on disk before anybody is told to read it
        self.lists.append((bay, stand, why, off_confirmed))


@dataclass
class Serving:
    """A service on a simulated bench of two bays, and what a person has on disk beside it."""

    folder: Path
    service: Service
    simulated: SimulatedBench
    guardian: StandInGuardian
    board: Board
    over: list[Path]
    told: Told
    after_each: list[Callable[[Path], None]] = field(default_factory=list)

    async def ask(self, do: str, **more: Any) -> dict[str, Any]:
        return await self.service.handle({"do": do} | more)

    async def add(self, bay: str, pack: str, *profiles: str) -> dict[str, Any]:
        paths = [str(self.folder / f"{profile}.toml") for profile in profiles]
        return await self.ask("add", bay=bay, pack=str(self.folder / f"{pack}.toml"), profiles=paths)

    async def start(self, bay: str) -> dict[str, Any]:
        waiting = [test.number for test in self.service.bays[bay].list.waiting]
        return await self.ask("start", bay=bay, numbers=waiting)

    async def until(self, what: Callable[[], bool], seconds: float = 8000.0) -> None:
        for _ in range(int(seconds)):
            if what():
                return
            await asyncio.sleep(1.0)
        raise AssertionError(f"did not happen within {seconds} s: {self.board.notes[-8:]}")

    def stand(self, bay: str) -> Stand:
        return self.service.bays[bay].list.stand

    def fates(self, bay: str) -> list[Fate]:
        return [test.fate for test in self.service.bays[bay].list.tests]

    def drawing(self, bay: str) -> bool:
        return any(load.on for load in self.simulated.bays[bay].loads)

    def drew(self, bay: str) -> list[str]:
        """What the simulated bench itself saw switched in a bay."""
        return [what for _, what in self.simulated.journals()[bay] if what.endswith(" on")]


CarryOut = Callable[[Job, Ask], Awaitable[Finished]]


@asynccontextmanager
async def serving(
    folder: Path,
    *,
    soc: float = 0.5,
    ambient_c: float = 23.0,
    change: Callable[[CarryOut], CarryOut] = lambda carry_out: carry_out,
) -> AsyncIterator[Serving]:
    """Start a service over the demo's left and middle bays; `change` wraps how it runs a job."""
    state = folder / "state"
    state.mkdir(exist_ok=True)
    for name, text in ({"heron": HERON, "plover": PLOVER} | PROFILES).items():
        (folder / f"{name}.toml").write_text(text)
    scenario = [replace(bay, ambient_c=ambient_c) for bay in demo_bench()[:2]]
    async with SimulatedBench(scenario, soc=soc) as simulated:
        path = folder / "bench.toml"
        path.write_text(simulated.bench_toml())
        bench, guardian, board = load_bench(path), StandInGuardian(), Board()
        over: list[Path] = []
        told = Told()

        async def carry_out(job: Job, ask: Ask) -> Finished:
            return await run_one(bench, job, folder / "runs", guardian, board, ask)  # type: ignore[arg-type]

        def ended(run: Path) -> None:
            over.append(run)
            for do in one.after_each:
                do(run)

        service = Service(bench, path, folder / "runs", state, change(carry_out), board.note, ended, told)
        one = Serving(folder, service, simulated, guardian, board, over, told)
        board.service = service
        await service.begin()
        yield one
        await service.stop_everything("the test is over")


def test_two_bays_run_their_lists_at_once_and_stop_by_themselves(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path, soc=0.1) as one:
            assert (await one.add("left", "heron", "rest", "draw"))["ok"]
            assert (await one.add("middle", "plover", "rest", "rest"))["ok"]
            await asyncio.sleep(3600.0)
            assert one.fates("left") == [Fate.WAITING, Fate.WAITING]  # never by itself
            assert not one.guardian.armed
            await one.start("left")
            await one.start("middle")
            again = await asyncio.wait_for(one.ask("start", bay="left", numbers=[2]), 1.0)
            assert "its list is running already" in again["error"]
            await asyncio.sleep(10.0)
            assert (one.stand("left"), one.stand("middle")) == (Stand.RUNNING, Stand.RUNNING)
            status = await one.ask("status")
            assert status["bays"]["left"]["now"]["kind"] == "rest"
            assert status["bays"]["left"]["off"] is None  # a test runs: nobody says that it is off
            await one.until(lambda: one.stand("left") is Stand.COOLING, 60)
            await one.until(lambda: one.stand("left") is Stand.IDLE and one.stand("middle") is Stand.IDLE)
            assert one.fates("left") == one.fates("middle") == [Fate.FINISHED, Fate.FINISHED]
            assert set(one.drew("left")) == {"load 1 on"}
            assert one.drew("middle") == []
            assert len(one.over) == 4
            assert sorted(one.told.lists) == [("left", "idle", "", True), ("middle", "idle", "", True)]
            assert one.told.at_once == []

    on_virtual_time(work())
    ran = sorted(path.name.partition("_")[2] for path in tmp_path.glob("runs/heron/*"))
    assert [name.removesuffix("-2") for name in ran] == ["cooling", "draw", "rest"]
    kept = read_list(tmp_path / "state", "left")
    assert [test.off_confirmed for test in kept.tests] == [True, True]
    for test in kept.tests:
        assert test.run is not None
        assert read_run(Path(test.run)).ending.how == "finished"


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


def test_stop_answers_only_after_off_with_the_measured_current(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw", "rest")
            await one.start("left")
            await one.until(lambda: one.drawing("left"), 60)
            answer = await one.ask("stop", bay="left")
            assert not one.drawing("left")
            assert (answer["off"], list(answer["bays"])) == (True, ["left"])
            assert abs(answer["bays"]["left"]["current_a"]["load"]) < 0.05
            assert one.guardian.disarmed == ["left"]
            assert (one.stand("left"), one.fates("left")[1]) == (Stand.STOPPED, Fate.WAITING)
            drew = one.drew("left")
            await asyncio.sleep(7200.0)
            assert one.drew("left") == drew  # and nothing more
            everything = await one.ask("stop")
            assert everything["off"]
            assert set(everything["bays"]) == {"left", "middle"}

    on_virtual_time(work())


def test_a_stop_right_after_a_start_stops_it(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw")
            for pause_s in (0.0, 0.001, 0.05, 0.3):
                starting = asyncio.ensure_future(one.start("left"))
                await asyncio.sleep(pause_s)
                assert (await one.ask("stop", bay="left"))["off"]
                await starting
                await one.service.bays["left"].gone()
                assert one.stand("left") in (Stand.STOPPED, Stand.IDLE)
                assert not one.drawing("left")
                if not one.service.bays["left"].list.waiting:
                    await one.add("left", "heron", "draw")
            assert one.drew("left") == []

    on_virtual_time(work())


def test_off_not_confirmed_switches_every_bay_off_and_stops_every_list(tmp_path: Path) -> None:
    """Bench rule 32: one bay that is not off is every bay's matter."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw", "rest")
            await one.add("middle", "plover", "draw", "rest")
            await one.start("left")
            await one.start("middle")
            await one.until(lambda: one.drawing("left") and one.drawing("middle"), 60)
            one.simulated.instruments["left/load"].endpoint.faults.lost = "INP"
            answer = await one.ask("stop", bay="left")
            assert not answer["off"]
            assert one.stand("left") is Stand.TRIPPED
            assert not one.drawing("middle")
            assert one.stand("middle") is Stand.STOPPED
            assert "every bay was switched off" in one.service.bays["middle"].list.why
            assert "OFF NOT CONFIRMED" in (await one.ask("acknowledge", bay="left"))["error"]
            assert one.stand("left") is Stand.TRIPPED
            assert [told[:2] for told in one.told.at_once if told[0] == "middle"] == [("middle", "stopped")]
            assert ("left", "tripped", False) in [(bay, how, off) for bay, how, _, off in one.told.at_once]
            assert "left" not in one.guardian.disarmed  # the guardian is not let off, and takes over
            one.simulated.instruments["left/load"].endpoint.faults.lost = None
            assert (await one.ask("acknowledge", bay="left"))["ok"]

    on_virtual_time(work())


def test_a_marked_trip_switches_every_bay_off(tmp_path: Path) -> None:
    """Bench rule 32: a trip by temperature rate or smoke carries the mark; how it comes about is another test's."""

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


def test_a_stop_while_the_next_test_is_planned_is_not_undone(tmp_path: Path) -> None:
    """A plan is worked out in a thread; what a person, or another bay, says meanwhile stands."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw", "rest")
            await one.start("left")  # its first test is now being planned
            assert (await one.ask("stop", bay="left"))["off"]
            await asyncio.sleep(60.0)
            assert one.stand("left") is Stand.STOPPED
            assert one.fates("left") == [Fate.WAITING, Fate.WAITING]
            assert one.drew("left") == []
            assert one.told.lists == [("left", "stopped", "stopped by a person", True)]

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


def test_a_bay_whose_command_map_has_gone_does_not_keep_a_stop_from_the_others(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("middle", "plover", "draw")
            await one.start("middle")
            await one.until(lambda: one.drawing("middle"), 60)
            keeper = one.service.bays["left"]
            whole = keeper.entry
            load = whole.loads[0].model_copy(update={"map": "gone.toml"})
            keeper.entry = whole.model_copy(update={"load": [load]})
            answer = await one.ask("stop")
            assert answer["off"] is False
            assert "gone.toml" in answer["bays"]["left"]["words"]
            assert answer["bays"]["middle"]["confirmed"] is True
            assert not one.drawing("middle")
            assert one.stand("left") is Stand.TRIPPED
            keeper.entry = whole

    on_virtual_time(work())


def test_a_stop_does_not_wait_for_a_disk_that_stands_still(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw")
            await one.start("left")
            await one.until(lambda: one.drawing("left"), 60)
            moves = threading.Event()
            with monkeypatch.context() as patched:
                patched.setattr(list_file, "write_list", lambda state, found: moves.wait(20.0))
                answer = await asyncio.wait_for(one.ask("stop", bay="left"), 15.0)
                assert answer["off"]
                assert any("the disk stands still" in note for note in one.board.notes)
                moves.set()
                await one.service.bays["left"].gone()

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


def test_an_aftermath_that_has_ended_opens_no_connection_any_more(tmp_path: Path) -> None:
    """Many instruments serve one client: a connection that nobody closes keeps every later off away."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw")
            await one.start("left")
            await _warmed_until_it_trips(one, "left")
            keeper = one.service.bays["left"]
            await one.until(lambda: keeper._aftermath is not None, 10)
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
            await one.add("left", "heron", "draw")
            await one.start("left")
            await _warmed_until_it_trips(one, "left")
            keeper = one.service.bays["left"]
            await one.until(lambda: keeper._aftermath is not None, 10)
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


def test_everything_wrong_is_refused_when_it_is_added(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            (tmp_path / "bad.toml").write_text(DRAW.replace("2C", "90C"))
            found = await one.add("left", "heron", "rest", "bad", "missing")
            text = "\n".join(found["mistakes"])
            assert "bad for" in text
            assert "missing.toml: the profile cannot be read" in text
            assert one.fates("left") == []
            assert "there is no bay 'top'; known: left, middle" in (await one.add("top", "heron", "rest"))["error"]
            assert (await one.add("left", "heron", "rest"))["ok"]
            assert "a list is one pack's tests" in (await one.add("left", "plover", "rest"))["error"]
            assert "found do = 'dance'" in (await one.ask("dance"))["error"]
            assert "number is True" in (await one.ask("move", bay="left", number=True, where="up"))["error"]
            assert "number is 'one'" in (await one.ask("drop", bay="left", number="one"))["error"]
            assert "was shown" in (await one.ask("start", bay="left"))["error"]
            assert "whole path" in (await one.ask("add", bay="left", pack="heron.toml", profiles=[]))["error"]

    on_virtual_time(work())


def test_a_list_is_changed_from_outside_and_kept(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "rest", "draw", "ask")
            moved = await one.ask("move", bay="left", number=3, where="first")
            assert [test["number"] for test in moved["list"]["tests"]] == [3, 1, 2]
            await one.ask("drop", bay="left", number=1)
            kept = read_list(tmp_path / "state", "left")
            assert [test.number for test in kept.tests] == [3, 2]
            assert kept == one.service.bays["left"].list
            await one.ask("drop", bay="left", number="all")
            assert read_list(tmp_path / "state", "left").tests == ()

    on_virtual_time(work())


def test_a_file_changed_after_it_was_added_is_not_run(tmp_path: Path) -> None:
    """What was shown before the start is what is executed, or nothing is."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw", "rest")
            (tmp_path / "draw.toml").write_text(DRAW.replace("2C", "3C"))
            await one.start("left")
            await one.until(lambda: one.stand("left") is Stand.STOPPED, 60)
            assert one.fates("left") == [Fate.REFUSED, Fate.WAITING]
            assert "its plan is no longer the one that was added" in one.service.bays["left"].list.why
            assert one.drew("left") == []

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


def test_a_question_is_answered_over_the_socket(tmp_path: Path) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            async with WorkerSocket(tmp_path / "w", one.service.handle):

                async def said(request: Mapping[str, Any]) -> dict[str, Any]:
                    reader, writer = await asyncio.open_unix_connection(str(tmp_path / "w"))
                    writer.write(json.dumps(request).encode() + b"\n")
                    answer: dict[str, Any] = json.loads(await reader.readline())
                    writer.close()
                    return answer

                assert "nothing is asked" in (await said({"do": "answer", "bay": "left", "text": "yes"}))["error"]
                await one.add("left", "heron", "ask")
                await one.start("left")
                await one.until(lambda: one.service.bays["left"].question is not None, 60)
                status = await said({"do": "status"})
                assert status["bays"]["left"]["question"]["answers"] == ["yes", "no"]
                assert (
                    "right would be yes or no" in (await said({"do": "answer", "bay": "left", "text": "eh"}))["error"]
                )
                assert (await said({"do": "answer", "bay": "left", "text": " Yes "}))["ok"]
                await one.until(lambda: one.stand("left") is Stand.IDLE, 60)
                assert one.fates("left") == [Fate.FINISHED]

    on_virtual_time(work())


def test_a_pack_that_does_not_cool_stops_the_list_safe(tmp_path: Path) -> None:
    """Bench rule 27: a wait for a temperature ends safe when its time is over. In a room at 40 °C nothing cools."""

    async def work() -> None:
        async with serving(tmp_path, ambient_c=40.0) as one:
            await one.add("left", "heron", "rest", "draw")
            await one.start("left")
            await one.until(lambda: one.stand("left") is Stand.STOPPED, 4 * 3600.0)
            assert "cooling stopped" in one.service.bays["left"].list.why
            assert "expired after 3 h" in one.service.bays["left"].list.why
            assert one.fates("left") == [Fate.FINISHED, Fate.WAITING]
            assert one.drew("left") == []

    on_virtual_time(work())


def test_a_warm_pack_cools_before_the_next_test(tmp_path: Path) -> None:
    """A pack that a short test left warm, without a rest of its own at the end, begins its cooling warm."""

    async def work() -> None:
        async with serving(tmp_path) as one:
            pack = one.simulated.bays["left"].pack

            def warm(run: Path) -> None:
                if run.name.endswith("_rest"):
                    pack.core_c = pack.surface_c = pack.joint_c = pack.connector_c = 40.0
                    pack.probes_c |= {"middle": 40.0, "joint": 40.0, "connector": 40.0}

            one.after_each.append(warm)
            await one.add("left", "heron", "rest", "draw")
            await one.start("left")
            await one.until(lambda: one.stand("left") is Stand.IDLE, 5 * 3600.0)
            assert one.fates("left") == [Fate.FINISHED, Fate.FINISHED]

    on_virtual_time(work())
    [folder] = tmp_path.glob("runs/heron/*_cooling")
    run = read_run(folder)
    middle, ambient = run.info.places.index("middle"), run.info.places.index("ambient")

    def above_ambient_k(sample: Sample) -> float:
        warm, around = sample.temperatures_c[middle], sample.temperatures_c[ambient]
        assert warm is not None
        assert around is not None
        return warm - around

    assert above_ambient_k(run.samples[0]) > 10.0
    assert above_ambient_k(run.samples[-1]) <= 2.0
    assert {sample.output for sample in run.samples} == {"off"}


def test_a_test_of_a_list_tells_what_is_urgent_and_leaves_the_rest_to_the_list_s_end(tmp_path: Path) -> None:
    """A list that goes on after a good test needs nobody; what goes wrong is told at once."""
    kept = tmp_path / "told"
    child = [sys.executable, "-c", f"import sys; open({str(kept)!r}, 'wb').write(sys.stdin.buffer.read())"]

    async def work() -> None:
        async with Outside(child, print) as whole:
            one = InAList(whole)
            one.ended("left", "Heron", "finished", "every step was done", off_confirmed=True)
            one.ended("left", "Heron", "stopped", "expired", off_confirmed=True)
            one.ended("left", "Heron", "tripped", "hot", off_confirmed=True)
            one.ended("left", "Heron", "finished", "every step was done", off_confirmed=False)
            one.waiting("left", "Heron", "is it in the bag?")
            whole.list_over("left", "Heron", "stopped", "expired", tmp_path, off_confirmed=True)

    asyncio.run(work())
    told = [json.loads(line) for line in kept.read_text().splitlines()]
    assert [(one["kind"], one["why"]) for one in told[:3]] == [
        ("tripped", "hot"),
        ("finished", "every step was done"),
        ("waiting for the operator", "is it in the bag?"),
    ]
    assert (told[3]["list"], told[3]["stand"], told[3]["state"]) == ("left", "stopped", str(tmp_path))


def test_an_acknowledge_that_finds_a_bay_not_off_reaches_every_bay(tmp_path: Path) -> None:
    """Bench rule 32, when it is a person's look that finds it."""

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
            may_fail.wait(20)
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
            await one.add("left", "heron", "draw")
            await one.start("left")
            await _warmed_until_it_trips(one, "left")
            keeper = one.service.bays["left"]
            await one.until(lambda: keeper._aftermath is not None, 10)
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
