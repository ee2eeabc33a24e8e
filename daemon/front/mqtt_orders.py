"""What comes from the broker: STOP is carried out at once by worker and guardian, all else is refused and logged."""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.front.mqtt_news import News
from benchwarden.daemon.front.mqtt_queue import Outgoing
from benchwarden.daemon.front.mqtt_stop import Calm, Gate, StopRefused, outcome
from benchwarden.daemon.front.mqtt_topics import Topics
from benchwarden.daemon.serving.asking import ask_both
from benchwarden.daemon.serving.messages import utc_ms

# So many refusals are said or answered at once, then one in so many seconds; all are counted.
BURST, EVERY_S = 10, 5.0
# So many senders of one STOP get an answer each.
ANSWERED = 100
LONGEST_SHOWN = 200
# So long an answer waits for the currents that were measured at a run's end.
MEASURED_S = 1.0


class Orders:
    """Takes messages where they are read, without a queue between; never raises and never waits.

    A STOP that comes while the same bay is being stopped gets the same answer; nothing is done twice.
    """

    def __init__(self, topics: Topics, state: Path, news: News, say: Callable[[str], None]) -> None:
        self._topics, self._state, self._news, self._say = topics, state, news, say
        self._stops = topics.stops()
        # What a wrong bay was sent may be sent again to the right one, so it is remembered apart.
        self._gate, self._wrong_gate = Gate(), Gate()
        self._said, self._answered = Calm(BURST, EVERY_S), Calm(BURST, EVERY_S)
        self._nonces: dict[str | None, list[str]] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        # Threads of its own: a disk or a broker that hangs holds the others.
        self._threads = ThreadPoolExecutor(len(self._stops), thread_name_prefix="stop")

    def take(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Take one message of the broker."""
        wrong = self._topics.wrong_bay(topic)
        if wrong is not None:
            self._refuse_bay(topic, wrong, payload, retained=retained)
            return
        if topic not in self._stops:
            self._refuse(topic, "only STOP is taken over MQTT, and nothing that could switch on")
            return
        bay = self._stops[topic]
        try:
            nonce = self._gate.judge(payload, retained=retained, unix_s=clock.unix_s())
        except StopRefused as error:
            self._refuse(topic, str(error))
            self._answer_refused(bay, error.nonce, str(error))
            return
        under_way = self._nonces.get(bay)
        if under_way is not None:
            if len(under_way) < ANSWERED:
                under_way.append(nonce)
            return
        self._nonces[bay] = [nonce]
        task = asyncio.create_task(self._stop(bay), name=f"stop {bay}")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        if self._said.passes(asyncio.get_running_loop().time()):
            self._say(f"mqtt: STOP for {f'bay {bay}' if bay else 'all bays'}")

    def _refuse_bay(self, topic: str, bay: str, payload: bytes, *, retained: bool) -> None:
        """Tell whoever meant to stop a bay that there is none of that name: nothing was stopped."""
        why = f"there is no bay {bay!r}; known: {', '.join(self._topics.bays)}"
        try:
            nonce: str | None = self._wrong_gate.judge(payload, retained=retained, unix_s=clock.unix_s())
        except StopRefused as error:
            nonce = error.nonce
        self._refuse(topic, why)
        self._answer_refused(bay, nonce, why)

    def _answer_refused(self, bay: str | None, nonce: str | None, why: str) -> None:
        if nonce and self._answered.passes(asyncio.get_running_loop().time()):
            self._answer(bay, nonce, taken=False, off=None, words=[f"refused: {why}"], current_a={})

    def _refuse(self, topic: str, why: str) -> None:
        """Say it without the payload, which may hold somebody's secret; of a topic no more than a line takes."""
        self._news.refused += 1
        if self._said.passes(asyncio.get_running_loop().time()):
            more = f" ({self._said.held_back} more were not logged)" if self._said.held_back else ""
            self._said.held_back = 0
            shown = topic if topic.isprintable() and len(topic) <= LONGEST_SHOWN else f"{topic[:LONGEST_SHOWN]!r}…"
            self._say(f"mqtt_refused: {shown}: {why}{more}")

    async def _stop(self, bay: str | None) -> None:
        request = {"do": "stop"} | ({} if bay is None else {"bay": bay})
        try:
            loop = asyncio.get_running_loop()
            answers = await loop.run_in_executor(self._threads, ask_both, self._state, request)
            off, words, current_a = outcome(answers)
            await self._measured(current_a)
        except Exception as error:  # noqa: BLE001  whoever sent it must get an answer
            off, words, current_a = None, [f"a fault of this program: {error!r}; whether it is off is not known"], {}
        for nonce in self._nonces.pop(bay):
            self._answer(bay, nonce, taken=True, off=off, words=words, current_a=current_a)

    async def _measured(self, current_a: dict[str, dict[str, Any]]) -> None:
        """Fill in what a single run's worker does not answer, from its last event, which is on its way by the feed."""
        loop = asyncio.get_running_loop()
        end_s = loop.time() + MEASURED_S
        for bay in [bay for bay, found in current_a.items() if not found]:
            while bay not in self._news.off_a and loop.time() < end_s:  # noqa: ASYNC110  a second at most, and rare
                await asyncio.sleep(0.02)
            current_a[bay] = self._news.off_a.get(bay, {})

    def _answer(
        self,
        bay: str | None,
        nonce: str,
        *,
        taken: bool,
        off: bool | None,
        words: list[str],
        current_a: dict[str, dict[str, Any]],
    ) -> None:
        message = {
            "kind": "answer",
            "bench": self._topics.name,
            "bay": bay,
            "utc": utc_ms(clock.unix_s()),
            "nonce": nonce,
            "taken": taken,
            "off": off,
            "words": words,
            "current_a": current_a,
        }
        self._news.outbox.urgent(Outgoing(self._topics.answer(bay), message, 1))
        self._news.wake()

    async def settle(self, seconds: float) -> None:
        """Wait for stops under way, at most so long, and let go of the rest."""
        if self._tasks:
            await asyncio.wait(set(self._tasks), timeout=seconds)
        left = list(self._tasks)
        for task in left:
            task.cancel()
        if left:
            await asyncio.wait(left)
        self._threads.shutdown(wait=False, cancel_futures=True)
