"""Turns what the feed and the record tell into messages for the broker, in the order of their urgency."""

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.alarm.alarms import Fact, Kind, Limiter, words
from benchwarden.daemon.front.feed_reader import FeedReader
from benchwarden.daemon.front.mqtt_events import Track
from benchwarden.daemon.front.mqtt_queue import Outbox, Outgoing, Thinner
from benchwarden.daemon.front.mqtt_results import Ended, read_result, result_of
from benchwarden.daemon.front.mqtt_topics import Topics
from benchwarden.daemon.safety import Heat
from benchwarden.daemon.serving.messages import VALID_FOR_S, alarm_message, utc_ms
from benchwarden.results.folder import read_events

# A status that the broker acknowledges is also how a frozen broker is noticed.
STATUS_EVERY_S = 5.0
RESULTS_EVERY_S = 30.0
LOOK_S = 0.5
RUNS_REMEMBERED = 100

Message = Mapping[str, Any]
Sent = Callable[[], None]


class News:
    """What there is to publish of one bench. `hear` is a listener of the feed; `wake` is called when something comes.

    `boot` names this start of the program. Reads below `runs` only, in threads.
    """

    def __init__(
        self,
        topics: Topics,
        reader: FeedReader,
        runs: Path,
        every_s: float,
        boot: str,
        say: Callable[[str], None],
    ) -> None:
        self._topics, self._reader, self._runs, self._boot, self._say = topics, reader, runs, boot, say
        self.outbox = Outbox()
        self.refused = 0
        # What each bay's instruments measured when its last run ended (A).
        self.off_a: dict[str, dict[str, Any]] = {}
        self.wake: Callable[[], None] = lambda: None
        self._thinner = Thinner(every_s)
        self._limiter = Limiter()
        self._tracks: dict[str, Track] = {}
        self._told: dict[str, None] = {}
        self._ended: dict[str, Ended] = {}
        self._results: dict[str, dict[str, Any]] = {}
        self._seen: set[str] = set()
        self._status_due_s = self._results_due_s = 0.0

    def hear(self, message: Message) -> None:
        """Take one message of the feed; whatever is wrong with it, the others are still taken."""
        try:
            self._hear(message)
        except (KeyError, TypeError, ValueError) as error:
            self._say(f"mqtt: a message of the feed was left out: {error!r}")
        self.wake()

    def _hear(self, message: Message) -> None:
        match message["kind"]:
            case "sample":
                topic = self._topics.of_bay(message["bay"], "sample")
                self._thinner.offer(Outgoing(topic, self._ours(message), 0))
                self._thin(asyncio.get_running_loop().time())
            case "event":
                if message["event"] == "ended":
                    self.off_a[message["bay"]] = dict(message.get("current_a", {}))
                self._track(message["bay"], message["run"]).told(message)
            case "state":
                self._state(message)
            case "alarm":
                self.alarm(Fact.of({**message, "kind": message["alarm"]}))
            case "dropped":
                self.outbox.dropped += message["count"]
                for track in self._tracks.values():
                    track.look = True
            case "found" | "lost":
                self._status_due_s = 0.0
                self._seen.clear()
                if message["kind"] == "found":
                    self.off_a.clear()
                for track in self._tracks.values():
                    track.look = True
                for bay in self._topics.bays:
                    self.outbox.forget(self._topics.of_bay(bay, "state"))

    def _ours(self, message: Message) -> dict[str, Any]:
        return {**message, "bench": self._topics.name}

    def _state(self, message: Message) -> None:
        bay = message["bay"]
        self.outbox.document(Outgoing(self._topics.of_bay(bay, "state"), self._ours(message), 1, retain=True))
        if bay in self._seen:
            return
        self._seen.add(bay)
        # What happened while nobody here listened: the runs now and last, and what still needs a person.
        ran = [test["run"] for test in message["tests"] if test["run"] and test["fate"] != "running"]
        for run in (*ran[-1:], message["run"]):
            if run:
                self._track(bay, self._name(run))
        off = message["off"]["confirmed"] if message["off"] else None
        if message["stand"] == "tripped":
            heat = Heat(message["heat"])
            self.alarm(Fact(Kind.TRIPPED, bay, message["pack"], message["why"], off, heat=heat))
        if message["question"]:
            # A step asks only once everything is off, confirmed.
            text = message["question"]["text"]
            self.alarm(Fact(Kind.WAITING, bay, message["pack"], text, None, output="off"))

    def _name(self, run: str) -> str:
        """Return a run's name below the runs, whichever way it was told."""
        path = self._runs / run
        return path.relative_to(self._runs).as_posix() if path.is_relative_to(self._runs) else run

    def _track(self, bay: str, run: str) -> Track:
        if run in self._told and run not in self._tracks:
            return Track(bay, run)  # all of it is out; what comes again is left out
        return self._tracks.setdefault(run, Track(bay, run))

    def alarm(self, fact: Fact) -> None:
        """Publish what a person is needed for, in the words of the other alarms and no more often than those."""
        now_s = asyncio.get_running_loop().time()
        if not self._limiter.passes(fact, now_s):
            return
        title, text = words(fact)
        told = {"kind": fact.kind.value, "bay": fact.bay, "pack": fact.pack, "why": fact.why, "off": fact.off}
        told |= {"heat": fact.heat.value, "output": fact.output}
        message = alarm_message(self._topics.name, clock.unix_s(), told) | {"title": title, "text": text}
        self.outbox.urgent(Outgoing(self._topics.alarm(fact.bay), message, 1))
        self.wake()

    def status(self, state: str) -> Outgoing:
        """Return the bench's own status, "online" or "offline"."""
        message = {
            "kind": "status",
            "bench": self._topics.name,
            "utc": utc_ms(clock.unix_s()),
            "state": state,
            "valid_for_s": VALID_FOR_S,
            "boot": self._boot,
            "worker": self._reader.connected and state == "online",
            "dropped": self.outbox.dropped,
            "refused": self.refused,
        }
        return Outgoing(self._topics.status, message, 1, retain=True)

    def snapshot(self) -> None:
        """Have every retained document said anew, for a broker that may have forgotten all of them."""
        self._status_due_s = self._results_due_s = 0.0
        for message in self._reader.states.values() if self._reader.connected else ():
            topic = self._topics.of_bay(message["bay"], "state")
            self.outbox.document(Outgoing(topic, self._ours(message), 1, retain=True))

    def next(self, now_s: float) -> tuple[Outgoing, Sent] | None:
        """Return what is to be published next and what to call once the broker has it, None if nothing is due."""
        self._thin(now_s)
        if now_s >= self._status_due_s:
            self._status_due_s = now_s + STATUS_EVERY_S
            self.outbox.document(self.status("online"))
        if now_s >= self._results_due_s:
            self._results_due_s = now_s + RESULTS_EVERY_S
            for result in self._results.values():
                self._document_result(result)
        first = self.outbox.first()
        if first:
            return first, lambda: self.outbox.sent(first)
        for track in self._tracks.values():
            event = track.next()
            if event:
                return self._event(track, event)
        last = self.outbox.last()
        return (last, lambda: self.outbox.sent(last)) if last else None

    def _thin(self, now_s: float) -> None:
        """Put the samples that are due into the queue, whether or not the broker takes any."""
        for one in self._thinner.due(now_s):
            self.outbox.live(one)

    def _event(self, track: Track, event: Message) -> tuple[Outgoing, Sent]:
        message = {**event, "kind": "event", "bench": self._topics.name, "bay": track.bay, "run": track.run}
        return Outgoing(self._topics.of_bay(track.bay, "event"), message, 1), lambda: track.sent(event)

    def due_s(self) -> float:
        """Return when something will be due that nobody wakes for."""
        thinned_s = self._thinner.next_s()
        due_s = min(self._status_due_s, self._results_due_s)
        return due_s if thinned_s is None else min(thinned_s, due_s)

    async def keep_looking(self) -> None:
        """Look into the run folders for ever."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Read what the feed did not tell, and results that have come."""
        loop = asyncio.get_running_loop()
        for track in list(self._tracks.values()):
            if track.look or track.missing:
                found = await asyncio.to_thread(read_events, self._runs / track.run)
                lost = track.filled(found, loop.time())
                if lost:
                    self._say(f"mqtt: {lost}")
                self.wake()
            end = track.ended
            if end and track.run not in self._ended and track.run not in self._told:
                self._ended[track.run] = Ended(track.bay, track.run, end["how"], end["why"], loop.time())
            if track.done and track.run not in self._ended:
                del self._tracks[track.run]
        for ended in list(self._ended.values()):
            found_result = await asyncio.to_thread(read_result, self._runs, ended.run)
            result = result_of(ended, found_result, loop.time())
            if result:
                del self._ended[ended.run]
                self._remember(ended.run)
                self._results[ended.bay] = result
                self._document_result(result)
                self.wake()

    def _document_result(self, result: Mapping[str, Any]) -> None:
        message = self._ours(result) | {"utc": utc_ms(clock.unix_s())}
        self.outbox.document(Outgoing(self._topics.of_bay(result["bay"], "result"), message, 1, retain=True))

    def _remember(self, run: str) -> None:
        self._told[run] = None
        while len(self._told) > RUNS_REMEMBERED:
            del self._told[next(iter(self._told))]
