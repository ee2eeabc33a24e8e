"""Signs of life for a watchdog on another machine: a dead computer raises no alarm of its own.

While an output is on, an address is fetched each minute; whoever watches it raises the alarm when nothing comes. What
counts is the last sign from the bench, not that this process lives: a frozen worker falls silent here, too.
"""

import threading
import urllib.request
from collections.abc import Callable
from http.client import HTTPException

from benchwarden.daemon import clock

PERIOD_S = 60.0
# A sign from the bench counts for so long; the worker gives one in five seconds while an output is on.
FRESH_S = 15.0
TIMEOUT_S = 10.0


class Alive:
    """Fetches `url` each `period_s` while signs come that an output is on, `end_url` once when all is off.

    `say` gets a line when fetching begins to fail, and when it works again. Its thread never holds up anybody.
    """

    def __init__(
        self,
        url: str | None,
        end_url: str | None,
        say: Callable[[str], None],
        *,
        period_s: float = PERIOD_S,
        fresh_s: float = FRESH_S,
    ) -> None:
        self._url, self._end_url, self._say = url, end_url, say
        self._period_s, self._fresh_s = period_s, fresh_s
        self._on_s: float | None = None
        self._ended = False
        self._failing = False
        self._changed = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def sign(self, on: bool) -> None:
        """Take one sign from the bench: whether any output is on, judged and measured just now."""
        began = on and self._on_s is None
        self._ended = self._ended or (not on and self._on_s is not None)
        self._on_s = clock.real_s() if on else None
        if began or self._ended:
            self._changed.set()

    def close(self, wait_s: float = TIMEOUT_S) -> None:
        """Fetch what is still to be fetched, and end."""
        self._stopping = True
        self._changed.set()
        self._thread.join(wait_s)

    def _work(self) -> None:
        while True:
            on_s = self._on_s
            if self._ended:
                self._ended = False
                self._fetch(self._end_url)
            elif not self._stopping and on_s is not None and clock.real_s() - on_s <= self._fresh_s:
                self._fetch(self._url)
            if self._stopping:
                return
            # Nothing on: wait for a sign; on, but none fresh: look again soon, for signs may come back.
            fresh = self._on_s is not None and clock.real_s() - self._on_s <= self._fresh_s
            wait_s = None if self._on_s is None else self._period_s if fresh else min(self._period_s, 1.0)
            self._changed.wait(wait_s)
            self._changed.clear()

    def _fetch(self, url: str | None) -> None:
        if not url:
            return
        try:
            with urllib.request.urlopen(url, timeout=TIMEOUT_S) as answer:
                answer.read(1000)
        except (OSError, ValueError, HTTPException) as error:
            if not self._failing:
                self._say(f"the sign of life did not get through: {error}")
            self._failing = True
            return
        if self._failing:
            self._say("the sign of life gets through again")
        self._failing = False
