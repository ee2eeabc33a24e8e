"""The service's lists on virtual time: what is added, changed, asked, and run one after the other."""

import asyncio
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchwarden.daemon.alarm.outside import InAList, Outside
from benchwarden.daemon.serving.list_file import read_list
from benchwarden.daemon.serving.waiting_list import Fate, Stand
from benchwarden.daemon.serving.worker_socket import WorkerSocket
from benchwarden.results.folder import read_run
from benchwarden.results.sample import Sample
from tests.service_bench import DRAW, serving
from tests.virtual_bench import on_virtual_time


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
    """A wait for a temperature ends safe when its time is over. In a room at 40 °C nothing cools."""

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
            one.waiting("left", "Heron", "is it in the bag?", output="off")
            whole.list_over("left", "Heron", "stopped", "expired", tmp_path, off_confirmed=True)

    asyncio.run(work())
    told = [json.loads(line) for line in kept.read_text().splitlines()]
    assert [(one["kind"], one["why"]) for one in told[:3]] == [
        ("tripped", "hot"),
        ("finished", "every step was done"),
        ("waiting for the operator", "is it in the bag?"),
    ]
    assert (told[3]["list"], told[3]["stand"], told[3]["state"]) == ("left", "stopped", str(tmp_path))
