"""Looks at one bay's instruments: every reading is judged as it arrives, before anything else is done with it.

Each role has a period of its own and a task of its own, so that a slow thermometer never delays an
under-voltage verdict. The conductor joins the newest readings at its beat.
"""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from benchwarden.daemon import safety
from benchwarden.daemon.safety import Heat
from benchwarden.drivers.errors import IdentityChanged, InstrumentError, NotSharing
from benchwarden.results.sample import Reading

# Asked for this long before the conductor's next beat, so that the sample joins a fresh reading.
LEAD_S = 0.02


class Trip(Exception):
    """The bay must be switched off and its run ended; the message is the reason.

    `every_bay`: what happened here (a pack that warms by itself) ends what runs in the other bays, too. `heat`: what
    the reason says of the pack's warmth.
    """

    def __init__(self, reason: str, *, every_bay: bool = False, heat: Heat = Heat.NO) -> None:
        super().__init__(reason)
        self.every_bay, self.heat = every_bay, heat


class Readable(Protocol):
    """What a role offers to the eyes."""

    async def read(self) -> Mapping[str, float | None]:
        """Return one value per quantity; None where the instrument gave no value."""


@dataclass(slots=True)
class Watched:
    """One role, how often it is asked, in a burst too, and how old its reading may be in a sample (seconds)."""

    role: Readable
    every_s: float
    stale_after_s: float
    quantities: tuple[str, ...]
    burst_every_s: float


def next_look_s(last_s: float, every_s: float, beat_s: float) -> float:
    """Return when a role is asked next: a period after `last_s`, moved by half a period at most to just before a beat.

    `beat_s` is the conductor's last announced beat, 0 before there is one; its beats are taken to go on in this
    role's period, so that it does not matter whether the next one is announced already. Loop's clock, seconds.
    """
    due_s = last_s + every_s
    if beat_s <= 0.0:
        return due_s
    before_beat_s = beat_s - LEAD_S
    return before_beat_s + every_s * round((due_s - before_beat_s) / every_s)


def _ring(nap: asyncio.Future[bool]) -> None:
    if not nap.done():
        nap.set_result(False)


class Eyes:
    """The newest reading of each role, and the memory of the limits."""

    def __init__(
        self, watched: Mapping[str, Watched], limits: safety.Limits, missed: Callable[[str, str], None]
    ) -> None:
        self._watched = watched
        self._loop = asyncio.get_running_loop()
        self._missed = missed
        self._watches = safety.watch_from(limits, self._loop.time())
        self._limits = self._limits_before = limits
        self._limits_since_s = self._loop.time()
        self.newest: dict[str, Reading] = {}
        self._switches = 0
        self._asked_in: dict[str, int] = {}
        self._naps: dict[str, asyncio.Future[bool]] = {}
        self.next_beat_s = 0.0
        self.bursting = False

    def allow(self, limits: safety.Limits) -> None:
        """Judge by these limits what is asked for from now on; what was asked for before, by those before."""
        self._limits_before, self._limits, self._limits_since_s = self._limits, limits, self._loop.time()

    def be_stricter(self, role: str, blind_s: float) -> None:
        """Cut one role's blind times until the limits change next."""
        self.allow(safety.tightened(self._limits, role, blind_s))

    async def look(self, name: str) -> Reading:
        """Ask one role once and judge its answer; raises Trip. A failed exchange is a missing value."""
        watched = self._watched[name]
        asked_s, asked_in = self._loop.time(), self._switches
        try:
            values = await watched.role.read()
        except (IdentityChanged, NotSharing) as error:  # no missing value, but a finding
            raise Trip(str(error)) from error
        except InstrumentError as error:
            self._missed(name, str(error))
            values = dict.fromkeys(watched.quantities)
        reading = Reading(name, asked_s, values)
        limits = self._limits if asked_s >= self._limits_since_s else self._limits_before
        self._watches, breach = safety.judge(limits, self._watches, reading)
        if breach:
            raise Trip(breach.why, heat=breach.heat)
        self.newest[name] = reading
        self._asked_in[name] = asked_in
        return reading

    async def keep_looking(self, name: str) -> None:
        """Look at one role for ever, in step with the conductor's beat where that is near."""
        watched = self._watched[name]
        last_s = self._loop.time() - watched.every_s
        while True:
            every_s = watched.burst_every_s if self.bursting else watched.every_s
            due_s = next_look_s(last_s, every_s, self.next_beat_s)
            if due_s > self._loop.time() and await self._nap(name, due_s):
                continue  # the beat has moved
            last_s = self._loop.time()
            await self.look(name)

    def announce(self, beat_s: float) -> None:
        """Say when the conductor's next beat is after its beats have moved, and let every role fall into step."""
        self.next_beat_s = beat_s
        for nap in self._naps.values():
            if not nap.done():
                nap.set_result(True)

    async def _nap(self, name: str, until_s: float) -> bool:
        """Sleep until a time of the loop's clock; True if woken before it, because the beat has moved."""
        nap = self._naps[name] = self._loop.create_future()
        alarm = self._loop.call_at(until_s, _ring, nap)
        try:
            early: bool = await nap
            return early
        finally:
            alarm.cancel()

    async def stand_in(self, name: str) -> None:
        """Look at one role for ever, but only when nobody else has done so for half as long again as its period.

        For load and supply: the conductor looks at the one that measures; nobody may forget the other.
        """
        wait_s = 1.5 * self._watched[name].every_s
        while True:
            due_s = self.newest[name].asked_s + wait_s
            now_s = self._loop.time()
            if due_s > now_s:
                await asyncio.sleep(due_s - now_s)
            else:
                await self.look(name)

    def check_overdue(self) -> None:
        """Raise Trip if a limited quantity has not been seen within its blind time."""
        breach = safety.overdue(self._limits, self._watches, self._loop.time())
        if breach:
            raise Trip(breach.why, heat=breach.heat)

    def switched(self) -> None:
        """Note that an output was switched: what was asked for before says nothing of what is now."""
        self._switches += 1

    def fresh(self, name: str, now_s: float, *, since_switching: bool) -> Reading | None:
        """Return the newest reading of a role unless it is stale or, if asked for, from before the last switching."""
        reading = self.newest.get(name)
        if reading is None or (since_switching and self._asked_in[name] != self._switches):
            return None
        return reading if now_s - reading.asked_s <= self._watched[name].stale_after_s else None

    def has(self, name: str) -> bool:
        """Tell whether the bay has this role."""
        return name in self._watched
