"""The events of one run on their way to the broker, in their order; the run folder has those that memory has not."""

from collections.abc import Iterable, Mapping
from typing import Any

HELD = 500
# A number that neither the feed nor the record has for so long was never written.
GIVE_UP_S = 10.0

Event = Mapping[str, Any]


class Track:
    """One run: `acknowledged` is the number of the last event that the broker has; numbers count from 1.

    `look`: the record may hold events that the feed has not told.
    """

    def __init__(self, bay: str, run: str) -> None:
        self.bay, self.run = bay, run
        self.acknowledged = 0
        self.look = True
        self.ended: Event | None = None
        self._waiting: dict[int, Event] = {}
        self._newest = 0
        self._missed_s: float | None = None

    def told(self, event: Event) -> None:
        """Take one event of the feed; what finds no room is read from the record later."""
        self._newest = max(self._newest, event["seq"])
        self._take(event)

    def filled(self, events: Iterable[Event], now_s: float) -> str:
        """Take what the record has; returns in words what neither has and is passed over, mostly nothing."""
        self.look = False
        for event in events:
            if isinstance(event.get("seq"), int):
                self._newest = max(self._newest, event["seq"])
                self._take(event)
        if not self.missing:
            self._missed_s = None
            return ""
        if self._missed_s is None:
            self._missed_s = now_s
        if now_s - self._missed_s < GIVE_UP_S:
            return ""
        first = min(self._waiting, default=self._newest + 1)
        words = f"{self.run}: events {self.acknowledged + 1} to {first - 1} are nowhere, and were not published"
        self.acknowledged, self._missed_s = first - 1, None
        return words

    def _take(self, event: Event) -> None:
        if event["event"] == "ended":
            self.ended = event
        if event["seq"] > self.acknowledged:
            self._waiting[event["seq"]] = event
            if len(self._waiting) > HELD:
                del self._waiting[max(self._waiting)]

    @property
    def missing(self) -> bool:
        """Whether the next event is known to be, and is not in memory."""
        return self._newest > self.acknowledged and self.acknowledged + 1 not in self._waiting

    def next(self) -> Event | None:
        """Return the event that comes next, None if it is not here."""
        return self._waiting.get(self.acknowledged + 1)

    def sent(self, event: Event) -> None:
        """Take note that the broker has it."""
        self._waiting.pop(event["seq"], None)
        self.acknowledged = max(self.acknowledged, event["seq"])

    @property
    def done(self) -> bool:
        """Whether the run has ended and the broker has everything."""
        return self.ended is not None and self.acknowledged >= self._newest and not self.look
