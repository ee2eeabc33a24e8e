"""A whole run with real processes and a real mosquitto: told from first to last, its front killed, stopped by MQTT."""

import asyncio
import os
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchwarden.results.folder import read_events
from tests.broker import Broker, needs_mosquitto, until, watching
from tests.shed import Shed
from tests.test_mqtt_stop import answered, now
from tests.test_schema import checked

BENCH = "benchwarden/simulated-boat-shed"
SECONDS = 60.0


def front_of(guardian: "subprocess.Popen[str]") -> int | None:
    """Return the process id of the front among the guardian's children."""
    children = Path(f"/proc/{guardian.pid}/task/{guardian.pid}/children").read_text().split()
    found = [one for one in children if b"benchwarden.daemon.front" in Path(f"/proc/{one}/cmdline").read_bytes()]
    return int(found[0]) if found else None


@needs_mosquitto
@pytest.mark.realtime
def test_a_run_is_told_outlives_its_front_and_is_stopped_by_mqtt(tmp_path: Path) -> None:
    broker = Broker(tmp_path).start()
    shed = Shed(tmp_path)
    with shed.bench.open("a") as file:
        file.write(f'\n[mqtt]\nurl = "mqtt://127.0.0.1:{broker.port}"\nevery = "500 ms"\n')
    run = shed.run()

    async def work() -> list[dict[str, Any]]:
        async with watching(broker.port) as seen:

            async def comes(what: Callable[[], object]) -> Any:
                return await until(what, SECONDS)

            await comes(lambda: [one for one in seen.of("left/sample") if one["output"] == "load"])
            front = front_of(run)
            assert front
            os.kill(front, signal.SIGKILL)
            await comes(lambda: seen.of("status")[-1]["state"] == "offline")  # the broker says it
            asked = len(seen.of("left/sample"))
            await comes(lambda: seen.of("status")[-1]["state"] == "online")  # a new one, ten seconds after the first
            await comes(lambda: len(seen.of("left/sample")) > asked)
            assert len({one["boot"] for one in seen.of("status")}) == 2
            assert shed.is_on()

            await seen.publish(f"{BENCH}/left/stop", now("whole-run-1"))
            answer = await asyncio.wait_for(answered(seen, "whole-run-1"), SECONDS)
            assert (answer.taken, answer.off) == (True, True)
            assert not shed.is_on()
            await comes(lambda: seen.of("left/result"))
            await comes(lambda: seen.of("status")[-1]["state"] == "offline")
            return [one.data for one in seen.got if not one.topic.endswith("/stop")]

    try:
        told = asyncio.run(work())
        assert run.wait(60) == 3
    finally:
        run.kill()
        said = run.communicate()[1]
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
