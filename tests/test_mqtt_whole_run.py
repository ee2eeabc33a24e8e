"""A whole run with real processes and a real broker, told from first to last and stopped; and a front that dies."""

import asyncio
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from benchwarden.results.folder import read_events
from tests.bare_timers import bare_timers
from tests.broker import Broker, needs_mosquitto, until, watching
from tests.front_rig import Rig
from tests.shed import ENVIRONMENT, SOON, Shed, worker_of
from tests.test_mqtt_stop import answered, now
from tests.test_schema import checked

BENCH = "benchwarden/simulated-boat-shed"
SECONDS = 60.0


BENCH_FILE = """
name = "Bird Shed"
simulated = true
mqtt = {{ url = "mqtt://127.0.0.1:{port}" }}
[[bay]]
name = "left"
cooling = "box"
load = {{ at = "TCPIP::127.0.0.1::1::SOCKET", map = "load-function", sense = "pack connector", limits = {limits} }}
"""
LIMITS = '{ voltage = "60 V", current = "10 A", power = "60 W" }'


@needs_mosquitto
@pytest.mark.realtime
def test_of_a_front_that_is_killed_the_broker_says_offline_and_the_next_one_tells_all(tmp_path: Path) -> None:
    broker = Broker(tmp_path).start()
    rig = Rig(tmp_path, broker.port)
    bench = tmp_path / "bench.toml"
    bench.write_text(BENCH_FILE.format(port=broker.port, limits=LIMITS))
    orders = json.dumps({"bench": str(bench), "state": str(rig.state)})
    command = [sys.executable, "-m", "benchwarden.daemon.front", orders]

    def front() -> "subprocess.Popen[bytes]":
        return subprocess.Popen(command, env=ENVIRONMENT)

    async def work() -> None:
        first = second = None
        async with rig.feed, watching(broker.port) as seen:
            try:
                first = front()
                rig.told("started")
                await until(lambda: seen.of("left/event"), SECONDS)
                first.kill()
                await until(lambda: seen.of("status")[-1]["state"] == "offline", SECONDS)
                rig.told("step_began", step=1)
                second = front()
                await until(lambda: [one["seq"] for one in seen.of("left/event")] == [1, 1, 2], SECONDS)
                assert seen.of("status")[-1]["state"] == "online"
                second.terminate()
                assert await asyncio.to_thread(second.wait, 20) == 3  # asked to end
                await until(lambda: seen.of("status")[-1]["state"] == "offline", SECONDS)
                assert len({one["boot"] for one in seen.of("status")}) == 2
            finally:
                for process in (first, second):
                    if process:
                        process.kill()
                        process.wait()

    try:
        asyncio.run(work())
    finally:
        broker.kill()


@needs_mosquitto
@pytest.mark.realtime
def test_a_run_is_told_from_first_to_last_and_stopped_by_mqtt(tmp_path: Path) -> None:
    broker = Broker(tmp_path).start()
    shed = Shed(tmp_path, recovery=SOON)
    with shed.bench.open("a") as file:
        file.write(f'\n[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\nevery = "500 ms"\n')
    run = shed.run()

    async def work() -> list[dict[str, Any]]:
        async with watching(broker.port) as seen:

            async def comes(what: Callable[[], object]) -> Any:
                return await until(what, SECONDS)

            await comes(lambda: [one for one in seen.of("left/sample") if one["output"] == "load"])
            assert shed.is_on()
            await seen.publish(f"{BENCH}/left/stop", now("whole-run-1"))
            answer = await asyncio.wait_for(answered(seen, "whole-run-1"), SECONDS)
            assert (answer.taken, answer.off) == (True, True)
            assert abs(answer.current_a["left"]["load"] or 0.0) < 0.05
            assert not shed.is_on()
            await comes(lambda: seen.of("left/result"))
            await comes(lambda: seen.of("status")[-1]["state"] == "offline")
            return [one.data for one in seen.got if not one.topic.endswith("/stop")]

    try:
        told = asyncio.run(work())
        assert run.wait(60) == 3
    finally:
        run.terminate()  # a guardian that is killed would leave its children behind
        said = run.communicate(timeout=60)[1]
        shed.close()
        broker.kill()
    kinds = [checked(message) for message in told]
    assert {*kinds} == {"status", "state", "sample", "event", "result", "answer"}
    folder = shed.run_folder()
    numbers = {message["seq"] for message in told if message["kind"] == "event"}
    assert numbers == {event["seq"] for event in read_events(folder)}
    [result] = [message for message in told if message["kind"] == "result"][-1:]
    assert (result["how"], result["flag"]) == ("stopped", "")
    assert result["run"] == folder.relative_to(tmp_path / "runs").as_posix()
    assert result["result"]
    assert "fault of this program" not in said


@needs_mosquitto
@pytest.mark.realtime
def test_of_a_worker_that_is_killed_an_alarm_says_what_its_guardian_did(tmp_path: Path) -> None:
    broker = Broker(tmp_path).start()
    shed = Shed(tmp_path, recovery=SOON)
    with shed.bench.open("a") as file:
        file.write(f'\n[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\nevery = "500 ms"\n')
    run = shed.run()

    async def work() -> list[dict[str, Any]]:
        async with watching(broker.port) as seen:
            await until(lambda: [one for one in seen.of("left/sample") if one["output"] == "load"], SECONDS)
            os.kill(worker_of(run), signal.SIGKILL)
            await until(lambda: [one for one in seen.of("left/alarm") if one["off"]], SECONDS)
            assert not shed.is_on()
            await until(lambda: not seen.of("status")[-1]["worker"], SECONDS)
            return [one.data for one in seen.got]

    try:
        told = asyncio.run(work())
    finally:
        run.kill()  # it asserts off for two minutes; its front ends by itself
        run.communicate(timeout=60)
        shed.close()
        broker.kill()
    kinds = [checked(message) for message in told]
    assert {*kinds} == {"status", "state", "sample", "event", "alarm"}
    alarm = next(message for message in told if message["kind"] == "alarm" and message["off"])
    assert (alarm["bay"], alarm["alarm"]) == ("left", "guardian took over")
    profiles = {test["profile"] for message in told if message["kind"] == "state" for test in message["tests"]}
    assert profiles == {"draw"}, "no path of this machine"


@needs_mosquitto
@pytest.mark.endure
@pytest.mark.realtime
def test_a_run_does_not_notice_what_its_broker_goes_through(tmp_path: Path) -> None:
    """Killed, started anew, frozen, thawed in the middle: no gap, no delay, and every event once by its number."""
    broker = Broker(tmp_path).start()
    shed = Shed(tmp_path)
    with shed.bench.open("a") as file:
        file.write(f'\n[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\nevery = "500 ms"\n')
    run = shed.run()
    events: list[dict[str, Any]] = []

    async def seen_until(what: Callable[[Any], object]) -> None:
        async with watching(broker.port) as seen:
            await until(lambda: what(seen), 2 * SECONDS)  # a front that was refused comes back after half a minute
            events.extend(seen.of("left/event"))

    async def work() -> None:
        await seen_until(lambda seen: [one for one in seen.of("left/sample") if one["output"] == "load"])
        broker.kill()
        await asyncio.sleep(6.0)
        broker.start()
        await seen_until(lambda seen: len(seen.of("left/sample")) > 4)
        broker.freeze()
        await asyncio.sleep(12.0)  # longer than a publish may take
        broker.thaw()
        async with watching(broker.port) as seen:
            await until(lambda: len(seen.of("left/sample")) > 4, SECONDS)
            assert shed.is_on()
            await seen.publish(f"{BENCH}/left/stop", now("outages-1"))
            await until(lambda: seen.of("status")[-1]["state"] == "offline", SECONDS)
            events.extend(seen.of("left/event"))

    try:
        with bare_timers(tmp_path, count=1) as bare:
            asyncio.run(work())
        assert run.wait(60) == 3
    finally:
        run.terminate()
        run.communicate(timeout=60)
        shed.close()
        broker.kill()
    folder = shed.run_folder()
    rows = [row.split(",") for row in (folder / "samples-001.csv").read_text().splitlines()[1:]]
    assert [int(row[5]) for row in rows] == list(range(1, len(rows) + 1))
    apart_s = [float(later[0]) - float(before[0]) for before, later in pairwise(rows)]
    assert max(apart_s) < 1.5 + bare.longest_s, "it is sampled each second"
    told = {(one["run"], one["seq"]) for one in events}
    assert {seq for _, seq in told} == {event["seq"] for event in read_events(folder)}
    assert len({run for run, _ in told}) == 1
