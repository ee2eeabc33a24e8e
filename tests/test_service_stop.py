"""STOP to a service on virtual time: answered only after off, whatever else goes on or is broken."""

import asyncio
import threading
from pathlib import Path

import pytest

from benchwarden.daemon.serving import list_file
from benchwarden.daemon.serving.waiting_list import Fate, Stand, WaitingList
from tests.service_bench import serving
from tests.virtual_bench import on_virtual_time


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


def test_a_stop_does_not_wait_for_a_disk_that_stands_still(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def work() -> None:
        async with serving(tmp_path) as one:
            await one.add("left", "heron", "draw")
            await one.start("left")
            await one.until(lambda: one.drawing("left"), 60)
            moves, write = threading.Event(), list_file.write_list

            def late(state: Path, found: WaitingList) -> None:
                moves.wait(60)
                write(state, found)

            with monkeypatch.context() as patched:
                patched.setattr(list_file, "write_list", late)
                answer = await asyncio.wait_for(one.ask("stop", bay="left"), 15.0)
                assert answer["off"]
                assert any("the disk stands still" in note for note in one.board.notes)
                moves.set()
                await one.service.bays["left"].gone()
            assert one.told.lists == [("left", "stopped", "stopped by a person", True)]

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


def test_off_not_confirmed_switches_every_bay_off_and_stops_every_list(tmp_path: Path) -> None:
    """One bay that is not off is every bay's matter."""

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
