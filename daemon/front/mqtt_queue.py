"""What waits for the broker, bounded: newest documents, live samples that may be lost, and words that may not.

Decides only; times are given in seconds of any one clock.
"""

import json
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

LIVE_AT_MOST = 50
URGENT_AT_MOST = 200


@dataclass(frozen=True, slots=True, eq=False)
class Outgoing:
    """One message as it goes to the broker."""

    topic: str
    message: Mapping[str, Any]
    qos: int
    retain: bool = False

    @property
    def payload(self) -> bytes:
        """The message as JSON."""
        return json.dumps(self.message, allow_nan=False, ensure_ascii=False, separators=(",", ":")).encode()


class Thinner:
    """Lets live samples of each topic through as they come, on average at most one in `every_s`.

    One more may be saved up, so that samples which come at just this rate, and now and then one between, are never held
    back. What had to be held goes out when its turn has come and half of `every_s` has brought nothing newer.
    """

    def __init__(self, every_s: float) -> None:
        self._every_s = every_s
        self._held: dict[str, Outgoing] = {}
        self._new: set[str] = set()
        self._free_s: dict[str, float] = {}  # from when on the next one may go; at most `every_s` ago

    def offer(self, one: Outgoing) -> None:
        """Take the newest sample of its topic."""
        self._held[one.topic] = one
        self._new.add(one.topic)

    def due(self, now_s: float) -> list[Outgoing]:
        """Return what is due now, each once."""
        found = [topic for topic in self._held if self._due_s(topic) <= now_s]
        for topic in found:
            free_s = max(self._free_s.get(topic, float("-inf")), now_s - self._every_s)
            self._free_s[topic] = free_s + self._every_s
        self._new.clear()
        return [self._held.pop(topic) for topic in found]

    def _due_s(self, topic: str) -> float:
        free_s = self._free_s.get(topic, float("-inf"))
        return free_s if topic in self._new else free_s + self._every_s / 2.0

    def next_s(self) -> float | None:
        """Return when something that is held will be due, None if nothing is held."""
        return min((self._due_s(topic) for topic in self._held), default=None)


class Outbox:
    """Hands out one message at a time, the most urgent first; what was handed out stays until `sent`."""

    def __init__(self, live_at_most: int = LIVE_AT_MOST, urgent_at_most: int = URGENT_AT_MOST) -> None:
        self._urgent: deque[Outgoing] = deque()
        self._documents: dict[str, Outgoing] = {}
        self._live: deque[Outgoing] = deque()
        self._live_at_most, self._urgent_at_most = live_at_most, urgent_at_most
        self.dropped = 0

    def urgent(self, one: Outgoing) -> None:
        """Take an alarm or an answer; only the two hundredth that nobody took makes the oldest go."""
        if len(self._urgent) >= self._urgent_at_most:
            self._urgent.popleft()
        self._urgent.append(one)

    def document(self, one: Outgoing) -> None:
        """Take the newest retained message of its topic, in place of an older one."""
        self._documents.pop(one.topic, None)
        self._documents[one.topic] = one

    def forget(self, topic: str) -> None:
        """Let go of a document that is no longer true."""
        self._documents.pop(topic, None)

    def live(self, one: Outgoing) -> None:
        """Take a live sample; the oldest makes room, and is counted."""
        if len(self._live) >= self._live_at_most:
            self._live.popleft()
            self.dropped += 1
        self._live.append(one)

    def first(self) -> Outgoing | None:
        """Return an urgent message or a document that goes before any event, None if there is none."""
        if self._urgent:
            return self._urgent[0]
        return next(iter(self._documents.values()), None)

    def last(self) -> Outgoing | None:
        """Return a live sample, which goes after the events."""
        return self._live[0] if self._live else None

    def sent(self, one: Outgoing) -> None:
        """Let go of what the broker has, unless something newer has taken its place meanwhile."""
        for waiting in (self._urgent, self._live):
            if waiting and waiting[0] is one:
                waiting.popleft()
                return
        if self._documents.get(one.topic) is one:
            del self._documents[one.topic]
