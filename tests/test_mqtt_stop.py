"""STOP over MQTT: what counts as one, from a table; and that nothing else has any effect, with a real broker."""

import asyncio
import json
import re
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon import clock
from benchwarden.daemon.front import mqtt_publisher
from benchwarden.daemon.front.mqtt_stop import LONGEST, NONCES, Calm, Gate, StopRefused, outcome
from benchwarden.daemon.serving.messages import AnswerMessage, utc_ms
from benchwarden.daemon.serving.worker_socket import WorkerSocket
from tests.broker import Broker, Watcher, needs_mosquitto, until, watching
from tests.front_rig import Rig

NOW_S = 1_800_000_000.0


def stop(nonce: str = "n-0000001", age_s: float = 0.0, **more: Any) -> bytes:
    return json.dumps({"nonce": nonce, "utc": utc_ms(NOW_S - age_s), **more}).encode()


@pytest.mark.parametrize("age_s", [0.0, 9.9, -9.9])
def test_a_fresh_stop_counts(age_s: float) -> None:
    assert Gate().judge(stop(age_s=age_s), retained=False, unix_s=NOW_S) == "n-0000001"


def test_a_time_in_another_zone_is_the_same_time() -> None:
    payload = b'{"nonce": "abcdefgh", "utc": "2027-01-15T10:00:00+02:00"}'  # 1 800 000 000 s is 08:00:00Z
    assert Gate().judge(payload, retained=False, unix_s=NOW_S) == "abcdefgh"


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", "found something else (JSON)"),
        (b"stop", "found something else (JSON)"),
        (b"\xff\xfe", "found something else (JSON)"),
        (b"[" * 900, "found something else (JSON)"),
        (b"x" * (LONGEST + 1), f"it has {LONGEST + 1} bytes"),
        (b"[]", "found something else (JSON)"),
        (b"{}", "found something else (nonce, utc)"),
        (stop(nonce="short"), "found something else (nonce)"),
        (stop(nonce="has a space in it"), "found something else (nonce)"),
        (stop(nonce="a" * 65), "found something else (nonce)"),
        (stop(bay="left"), "found something else (bay)"),
        (b'{"nonce": 12345678, "utc": "2027-01-15T08:00:00Z"}', "found something else (nonce)"),
        (b'{"nonce": "abcdefgh", "utc": "yesterday"}', "no time with a zone"),
        (b'{"nonce": "abcdefgh", "utc": "2027-01-15T08:00:00"}', "no time with a zone"),
        (stop(age_s=10.1), "it is 10.1 s old"),
        (stop(age_s=-10.1), "it is -10.1 s old"),
    ],
)
def test_what_is_no_stop_is_refused_in_words(payload: bytes, why: str) -> None:
    with pytest.raises(StopRefused) as refused:
        Gate().judge(payload, retained=False, unix_s=NOW_S)
    assert why in str(refused.value)


def test_what_the_broker_kept_is_refused_however_good_it_is() -> None:
    with pytest.raises(StopRefused, match="retained"):
        Gate().judge(stop(), retained=True, unix_s=NOW_S)


def test_a_nonce_counts_once_for_as_long_as_its_stop_is_fresh() -> None:
    gate = Gate()
    gate.judge(stop(age_s=-9.0), retained=False, unix_s=NOW_S)
    for later_s in (0.0, 18.9):
        with pytest.raises(StopRefused, match="used before"):
            gate.judge(stop(age_s=-9.0), retained=False, unix_s=NOW_S + later_s)
    with pytest.raises(StopRefused, match="s old"):
        gate.judge(stop(age_s=-9.0), retained=False, unix_s=NOW_S + 21.0)


def test_nonces_are_not_kept_without_end() -> None:
    gate = Gate()
    for number in range(NONCES + 100):
        gate.judge(stop(nonce=f"nonce-{number:05d}"), retained=False, unix_s=NOW_S)
    assert len(gate._seen) <= NONCES


def test_calm_lets_some_through_at_once_and_then_one_now_and_then() -> None:
    calm = Calm(3, 5.0)
    assert [calm.passes(100.0) for _ in range(5)] == [True, True, True, False, False]
    assert calm.held_back == 2
    assert [calm.passes(s) for s in (104.9, 105.1, 105.2)] == [False, True, False]
    assert [calm.passes(1000.0) for _ in range(4)] == [True, True, True, False]


WORKER_OFF = {"ok": True, "off": True, "by": "worker", "bays": {"left": {"words": "off", "current_a": {"load": 0.001}}}}


@pytest.mark.parametrize(
    ("worker", "guardian", "off"),
    [
        (WORKER_OFF, {"off": True, "by": "worker"}, True),
        (WORKER_OFF | {"off": False}, {"off": True, "by": "worker"}, False),
        (WORKER_OFF | {"off": False}, {"off": True, "by": "guardian", "outcomes": {}}, True),
        ("no answer", {"off": True, "by": "guardian", "outcomes": {"left load": "off"}}, True),
        ("no answer", {"off": True, "by": "worker"}, None),
        ({"error": "no such bay"}, "no answer", None),
    ],
)
def test_off_is_what_somebody_measured(
    worker: Mapping[str, Any] | str, guardian: Mapping[str, Any] | str, off: bool | None
) -> None:
    found, words, current_a = outcome({"worker": worker, "guardian": guardian})
    assert found is off
    assert any("hard-wired stop" in line for line in words) == (off is None)
    if isinstance(worker, Mapping) and "bays" in worker:
        assert current_a == {"left": {"load": 0.001}}


class Stoppable:
    """Answers at both sockets like a worker that switches off and a guardian that had nothing to do."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.asked: list[Mapping[str, Any]] = []
        self.slow = asyncio.Event()
        self.slow.set()

    async def worker(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        self.asked.append(request)
        await self.slow.wait()
        return WORKER_OFF

    async def guardian(self, request: Mapping[str, Any]) -> Mapping[str, Any]:
        return {"off": True, "by": "worker"}

    @asynccontextmanager
    async def served(self) -> AsyncIterator[None]:
        async with WorkerSocket(self._rig.state / "worker.sock", self.worker):
            async with WorkerSocket(self._rig.state / "guardian.sock", self.guardian):
                yield


def now(nonce: str, age_s: float = 0.0) -> dict[str, str]:
    return {"nonce": nonce, "utc": utc_ms(clock.unix_s() - age_s)}


async def answered(seen: Watcher, nonce: str, where: str = "left/stop/answer") -> AnswerMessage:
    found = await until(lambda: [one for one in seen.of(where) if one["nonce"] == nonce])
    return AnswerMessage.model_validate(found[0])


@needs_mosquitto
@pytest.mark.realtime
def test_only_a_fresh_new_stop_stops_and_a_flood_does_not_keep_it_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = "benchwarden/bird-shed"
    # A machine that stands still must not end the connection: what is sent meanwhile would be gone, and not counted.
    monkeypatch.setattr(mqtt_publisher, "PUBLISH_S", 20.0)
    monkeypatch.setattr(mqtt_publisher, "KEEPALIVE_S", 60)

    async def work() -> None:
        broker = Broker(tmp_path).start()
        rig = Rig(tmp_path, broker.port)
        stoppable = Stoppable(rig)
        try:
            async with stoppable.served(), watching(broker.port) as seen:
                # Kept by the broker from before: a STOP, and something that would switch on.
                await seen.publish(f"{bench}/left/stop", now("retained-1"), retain=True)
                await seen.publish(f"{bench}/left/start", now("retained-2"), retain=True)
                async with rig.running():
                    await until(lambda: sum("mqtt_refused" in text for text in rig.said) == 2)
                    await seen.publish(f"{bench}/left/stop", now("stale-001", age_s=60.0))
                    refused = await answered(seen, "stale-001")
                    assert (refused.taken, refused.off) == (False, None)
                    assert re.search(r"6\d\.\d s old", refused.words[0])
                    await seen.publish(f"{bench}/nowhere/stop", now("good-0001"))
                    refused = await answered(seen, "good-0001", "nowhere/stop/answer")
                    assert (refused.taken, refused.off, refused.bay) == (False, None, "nowhere")
                    assert refused.words == ["refused: there is no bay 'nowhere'; known: left, right"]
                    await seen.publish(f"{bench}/left/stop", {"password": "do not log me"})
                    await seen.publish(f"{bench}/left/start", "now")
                    await seen.publish(f"{bench}/on", "1")
                    await seen.publish(f"{bench}/left/resume", "1")
                    await until(lambda: sum("mqtt_refused" in text for text in rig.said) == 8)
                    assert stoppable.asked == []

                    # Its nonce still counts where the bay is meant that there is.
                    await seen.publish(f"{bench}/left/stop", now("good-0001"))
                    done = await answered(seen, "good-0001")
                    assert (done.taken, done.off, done.bay) == (True, True, "left")
                    assert done.current_a == {"left": {"load": 0.001}}
                    assert stoppable.asked == [{"do": "stop", "bay": "left"}]

                    await seen.publish(f"{bench}/left/stop", now("good-0001"))  # again
                    await until(lambda: any("used before" in text for text in rig.said))

                    stoppable.slow.clear()  # the bays take a while to be off
                    await seen.publish(f"{bench}/stop", now("all-00001"))
                    await seen.publish(f"{bench}/stop", now("all-00002"))  # joins it
                    for number in range(1000):
                        await seen.publish(f"{bench}/left/stop", f"flood {number}")
                    await seen.publish(f"{bench}/right/stop", now("right-001"))
                    await until(lambda: len(stoppable.asked) == 3)
                    assert stoppable.asked[1:] == [{"do": "stop"}, {"do": "stop", "bay": "right"}]
                    assert seen.of("stop/answer")[-1]["nonce"] == "good-0001"  # none before off
                    stoppable.slow.set()
                    for nonce in ("all-00001", "all-00002"):
                        assert (await answered(seen, nonce, "bird-shed/stop/answer")).bay is None
                    assert (await answered(seen, "right-001", "right/stop/answer")).taken
                last = await until(lambda: [one for one in seen.of("status") if one["state"] == "offline"])
                assert last[-1]["refused"] == 1009
        finally:
            broker.kill()
        assert len(stoppable.asked) == 3
        assert sum("mqtt_refused" in text for text in rig.said) < 20
        assert "do not log me" not in "".join(rig.said)

    asyncio.run(work())
