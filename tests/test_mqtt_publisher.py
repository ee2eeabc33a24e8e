"""Against a real mosquitto: what is published, and what becomes of it when the broker is absent, killed or frozen."""

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.serving.messages import EventMessage, ResultMessage, StateMessage, StatusMessage
from tests.broker import Broker, needs_mosquitto, until, watching
from tests.front_rig import RUN, Rig, sample_of, state_of

pytestmark = [needs_mosquitto, pytest.mark.realtime]


def numbers(events: list[dict[str, Any]]) -> list[int]:
    return [event["seq"] for event in events]


def test_a_run_from_its_first_event_to_its_result(tmp_path: Path) -> None:
    """Told late, in part by the record only; retained what says how things are, and offline at the end."""

    async def work() -> None:
        broker = Broker(tmp_path).start()
        rig = Rig(tmp_path, broker.port)
        try:
            rig.told("started", feed=False)  # before anybody listened
            async with watching(broker.port) as seen:
                async with rig.running():
                    await until(lambda: seen.of("left/state"))
                    rig.told("step_began", step=1)
                    rig.feed.tell(sample_of("left", 1))
                    rig.told("flag", feed=False)  # lost on the way
                    rig.told("step_ended", step=1)
                    await until(lambda: numbers(seen.of("left/event")) == [1, 2, 3, 4])
                    await until(lambda: seen.of("left/sample"))
                    rig.feed.tell(
                        {"kind": "alarm", "bench": "Bird Shed", "bay": "left", "utc": "2026-11-25T21:04:11Z"}
                        | {
                            "pack": "Sanderling",
                            "alarm": "finished",
                            "why": "",
                            "off": True,
                            "heat": "no",
                            "output": "",
                        }
                    )
                    rig.told("ended", how="finished", why="every step is done")
                    await until(lambda: seen.of("left/alarm"))
                    assert seen.of("left/result") == []
                    rig.result(delivered_ah={"value": 4.9, "unit": "Ah"})
                    await until(lambda: seen.of("left/result"))
                    rig.states["left"] = state_of("left", stand="idle", run=None)
                    rig.feed.tell(rig.states["left"])
                    await until(lambda: seen.of("left/state")[-1]["stand"] == "idle")
                await until(lambda: seen.of("status")[-1]["state"] == "offline")
            async with watching(broker.port) as late:  # what the broker kept
                await until(lambda: len(late.got) >= 3)
                kept = {one.topic: one.data for one in late.got}
                assert all(one.retained for one in late.got)
        finally:
            broker.kill()
        assert {topic.removeprefix("benchwarden/bird-shed/") for topic in kept} == {
            "status",
            "left/state",
            "left/result",
        }
        result = ResultMessage.model_validate(kept["benchwarden/bird-shed/left/result"])
        assert (result.run, result.how, result.flag) == (RUN, "finished", "")
        assert result.result == {"delivered_ah": {"value": 4.9, "unit": "Ah"}}
        state = StateMessage.model_validate(kept["benchwarden/bird-shed/left/state"])
        assert (state.bench, state.stand, state.valid_for_s) == ("bird-shed", "idle", 60.0)
        statuses = [StatusMessage.model_validate(one) for one in seen.of("status")]
        assert statuses[0].state == "online"
        assert len({one.boot for one in statuses}) == 1
        [alarm] = seen.of("left/alarm")
        assert alarm["title"] == "benchwarden: bay left finished"
        assert "Off is confirmed: read back and measured." in alarm["text"]
        for event in seen.of("left/event"):
            EventMessage.model_validate(event)

    asyncio.run(work())


def test_a_broker_that_comes_late_and_is_killed_misses_no_event(tmp_path: Path) -> None:
    async def work() -> None:
        broker = Broker(tmp_path)
        rig = Rig(tmp_path, broker.port)
        try:
            async with rig.running():
                rig.told("started")
                await until(lambda: rig.said)  # connecting failed, and was said once
                broker.start()
                async with watching(broker.port) as first:
                    await until(lambda: numbers(first.of("left/event")) == [1])
                    rig.told("step_began", step=1)
                    await until(lambda: numbers(first.of("left/event")) == [1, 2])
                    broker.kill()
                for number in range(1000):  # more than is held in memory
                    rig.told("flag", text=f"flag {number}", feed=number % 7 != 0)
                broker.start()
                async with watching(broker.port) as second:
                    await until(lambda: {*numbers(second.of("left/event"))} >= {*range(3, 1003)})
                    in_order = numbers(second.of("left/event"))
                    assert in_order == sorted(in_order)
                    # What the broker had forgotten is there again.
                    await until(lambda: second.of("left/state") and second.of("status"))
        finally:
            broker.kill()
        assert len([text for text in rig.said if "connected again" in text]) == 2

    asyncio.run(work())


def test_a_frozen_broker_delays_no_sample_and_loses_no_event(tmp_path: Path) -> None:
    """The worker's side of the feed is measured: telling takes next to nothing, and waits for nobody."""

    async def work() -> None:
        broker = Broker(tmp_path).start()
        rig = Rig(tmp_path, broker.port)
        took_s: list[float] = []
        try:
            # Who watches was there before: nobody else would get events that are published before they subscribe.
            async with watching(broker.port) as seen, rig.running(every="100 ms"):
                await until(lambda: seen.of("left/state"))
                broker.freeze()
                rig.told("started")
                # Longer than a publish's timeout, so that it happens, and enough samples that some find no room.
                for number in range(1, 301):
                    before_s = time.perf_counter()
                    for bay in ("left", "right"):
                        rig.feed.tell(sample_of(bay, number))
                    took_s.append(time.perf_counter() - before_s)
                    await asyncio.sleep(0.01)
                rig.told("step_began", step=1)
                broker.thaw()
                await until(lambda: {1, 2} <= set(numbers(seen.of("left/event"))))
                status = await until(lambda: [one for one in seen.of("status") if one["dropped"]])
                await until(lambda: seen.of("status")[-1]["state"] == "online")
        finally:
            broker.kill()
        assert status[0]["dropped"] > 0
        assert sorted(took_s)[len(took_s) // 2] < 0.005
        # Who waited for the broker would do so again and again; a machine may stand still just then, once.
        assert sum(one > 1.0 for one in took_s) <= 1
        assert any("timed out" in text for text in rig.said)

    asyncio.run(work())


def test_two_processes_never_have_one_name(tmp_path: Path) -> None:
    async def work() -> None:
        broker = Broker(tmp_path).start()
        rigs = []
        for name in ("a", "b"):
            (tmp_path / name).mkdir()
            rigs.append(Rig(tmp_path / name, broker.port))
        try:
            async with watching(broker.port) as seen, rigs[0].running() as first, rigs[1].running() as second:
                assert first.identifier != second.identifier
                assert first.identifier.startswith("benchwarden-")
                assert "-bird-shed-" in first.identifier
                await until(lambda: len({one["boot"] for one in seen.of("status")}) == 2)
                rigs[0].told("started")
                await until(lambda: seen.of("left/event"))
        finally:
            broker.kill()
        # Nobody was put out, as a broker does to the older of two connections of one name; a machine that stands still
        # makes troubles of its own.
        said = [text for rig in rigs for text in rig.said]
        assert [text for text in said if "timed out" not in text and "connected again" not in text] == []

    asyncio.run(work())
