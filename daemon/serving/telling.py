"""Tells the feed what the bays do, beside what is shown here; both the service and a single run use it."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.running.progress import Shown, View
from benchwarden.daemon.serving.feed import Feed
from benchwarden.daemon.serving.messages import alarm_message, event_message, sample_message, state_message

# How often it is looked whether a bay's state has changed, and how often it is told although it has not.
LOOK_S, AGAIN_S = 0.5, 20.0


class Telling:
    """Shows what `inner` shows, and tells it to the feed once there is one.

    `states` returns what is known of each bay, as the worker's socket gives it; `places` those of its temperatures.
    """

    def __init__(
        self,
        bench: str,
        places: Mapping[str, Sequence[str]],
        inner: Shown,
        states: Callable[[], Mapping[str, Mapping[str, Any]]],
    ) -> None:
        self._bench, self._places, self._inner, self._states = bench, places, inner, states
        self._runs: dict[str, str] = {}
        self._told: dict[str, tuple[Mapping[str, Any], float]] = {}
        self._failed = False
        self.feed: Feed | None = None

    def show(self, bay: str, view: View) -> None:
        """Show and tell the newest sample of a bay."""
        self._runs[bay] = view.run
        self._inner.show(bay, view)
        self._tell(lambda: sample_message(self._bench, bay, view, self._places[bay]))

    def event(self, bay: str, run: str, event: Mapping[str, Any]) -> None:
        """Tell one event of a run; its last one says that the bay has no run any more."""
        self._runs[bay] = run
        if event["event"] in ("ended", "watched"):
            self._runs.pop(bay)
        self._tell(lambda: event_message(self._bench, bay, run, event))
        self.look()

    def alarm(self, fact: Mapping[str, Any]) -> None:
        """Tell what a person is told by other ways (daemon/alarm/outside.py)."""
        self._tell(lambda: alarm_message(self._bench, clock.unix_s(), fact))

    def end(self, bay: str, how: str) -> None:
        """Show how a bay's run ended."""
        self._inner.end(bay, how)

    def note(self, text: str) -> None:
        """Say something that people want to read."""
        self._inner.note(text)

    @asynccontextmanager
    async def served_at(self, path: Path) -> AsyncIterator[None]:
        """Serve the feed at a path meanwhile."""
        async with Feed(path, self.greeting) as self.feed:
            looking = asyncio.create_task(self.keep_looking(), name="feed")
            try:
                yield
            finally:
                self.look()
                looking.cancel()
                await asyncio.wait({looking})
        self.feed = None

    def greeting(self) -> list[dict[str, Any]]:
        """Return what a new reader of the feed is told first: the state of every bay."""
        now_s = clock.unix_s()
        return [
            state_message(self._bench, bay, now_s, found, self._runs.get(bay)) for bay, found in self._states().items()
        ]

    def look(self) -> None:
        """Tell the state of each bay that has changed or has not been told for a while."""
        if not (self.feed and self.feed.heard):
            return
        now_s = asyncio.get_running_loop().time()
        for bay, found in self._states().items():
            message = state_message(self._bench, bay, clock.unix_s(), found, self._runs.get(bay))
            content = {key: value for key, value in message.items() if key != "utc"}
            before, at_s = self._told.get(bay, ({}, now_s))
            if content != before or now_s - at_s >= AGAIN_S:
                self._told[bay] = (content, now_s)
                self.feed.tell(message)

    def _tell(self, make: Callable[[], Mapping[str, Any]]) -> None:
        """Tell something if anybody reads; whatever goes wrong here, no run may suffer from it."""
        if not (self.feed and self.feed.heard):
            return
        try:
            self.feed.tell(make())
        except Exception as error:  # noqa: BLE001
            if not self._failed:
                self._failed = True
                self._inner.note(f"the live feed leaves something out: {error!r}")

    async def keep_looking(self) -> None:
        """Look at the states for ever."""
        while True:
            await asyncio.sleep(LOOK_S)
            self.look()
