"""Keeps looking at a pack that a trip has left warm: heat goes on when everything is off (faults 67 and 68).

Everything is off and confirmed by then, and the run has its end; what is seen is still added to its record. Whoever
needs the instruments cancels it.
"""

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from benchwarden.daemon.alarm.outside import Outside
from benchwarden.daemon.recording.record import Record
from benchwarden.daemon.running.bay_off import BayOff
from benchwarden.daemon.running.hands import Hands
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.daemon.running.undisturbed import undisturbed
from benchwarden.daemon.safety import Heat
from benchwarden.drivers.errors import InstrumentError
from benchwarden.results.sample import Sample, ambient_c, hottest_c

# Common practice, no source: packs are warmest some minutes after a stop, and one in trouble shows it within this time.
WATCH_S, LOOK_S = 1800.0, 2.0
# Warmer than this above its surroundings, or above where it began, a pack is watched.
WARM_K = 5.0
# So many kelvins more than what people were told last are told anew.
HOTTER_K = 5.0
STEP_TYPE, PHASE = "watch", "after the trip"


def is_warm(first: Sample | None, last: Sample | None, places: tuple[str, ...]) -> bool:
    """Whether a pack is warm by a run's last sample: above ambient, or above the run's first sample where none is."""
    if first is None or last is None:
        return False
    now_c = hottest_c(last, places)
    around_c = ambient_c(last, places)
    from_c = hottest_c(first, places) if around_c is None else around_c
    return now_c is not None and from_c is not None and now_c - from_c > WARM_K


@dataclass(frozen=True, slots=True)
class Bay:
    """What of a bay its aftermath needs: currents (A) above `off_a`, by role, are no longer off."""

    name: str
    pack: str
    places: tuple[str, ...]
    off_a: Mapping[str, float]


async def _nobody(off: BayOff) -> None:
    """Nobody else has to know."""


class Aftermath:
    """Looks at one bay after a trip; `last` is the run's last sample. `close` gives instruments and record back.

    `flowed` is told what came of it when a current was there again and was switched off.
    """

    def __init__(
        self,
        bay: Bay,
        instruments: Instruments,
        hands: Hands,
        record: Record,
        last: Sample,
        *,
        started_unix_s: float,
        outside: Outside,
        show: Callable[[Sample], None],
        close: Callable[[], Coroutine[Any, Any, None]],
    ) -> None:
        self._bay, self._instruments, self._hands, self._record = bay, instruments, hands, record
        self._outside, self._show, self._close = outside, show, close
        self._started_unix_s = started_unix_s
        self._loop = asyncio.get_running_loop()
        self._began_s = self._loop.time()
        self._last = replace(last, step_count=last.step_count + 1, step_type=STEP_TYPE, phase=PHASE, output="off")
        self._told_c = hottest_c(last, bay.places)
        self._hottest_c = self._told_c
        self._turn = asyncio.Lock()
        self._over = False
        self._failed = False
        self.flowed: Callable[[BayOff], Coroutine[Any, Any, None]] = _nobody

    async def watch(self) -> None:
        """Look every two seconds for half an hour, or until cancelled; never raises for what it finds.

        A record that can no longer be kept ends nothing: heat does not wait for the disk.
        """
        self._record.say("watching", seconds=WATCH_S, hottest_c=self._told_c)
        try:
            while self._loop.time() - self._began_s < WATCH_S:
                try:
                    await self._look()
                except Exception as error:  # noqa: BLE001  one look that goes wrong is not the last one
                    self._say_failed(error)
                await asyncio.sleep(LOOK_S)
        except asyncio.CancelledError:
            pass  # somebody needs the instruments
        finally:
            seconds = round(self._loop.time() - self._began_s, 1)
            self._record.say("watched", seconds=seconds, hottest_c=self._hottest_c)
            await undisturbed(self._let_go())

    async def switch_off(self) -> BayOff | None:
        """Order off once more, read back and measure: what a person's STOP gets although everything is off.

        None once the instruments have been given back: a connection that this opened nobody would close.
        """
        async with self._turn:
            return None if self._over else await self._all_off()

    async def _let_go(self) -> None:
        async with self._turn:
            self._over = True
            await self._instruments.close()
        await self._close()

    async def _all_off(self) -> BayOff:
        confirmed = await self._hands.all_off()
        why = "" if confirmed else self._hands.why_not_off()
        return BayOff(confirmed, dict(self._hands.currents_a), why)

    def _say_failed(self, error: Exception) -> None:
        if not self._failed:
            self._failed = True
            self._record.say("watch_failed", error=repr(error))

    async def _look(self) -> None:
        now_s = self._loop.time()
        read: dict[str, Mapping[str, float | None]] = {}
        for role, watched in self._instruments.watched.items():
            with suppress(InstrumentError):  # a missing value is missing
                read[role] = await watched.role.read()
        test_time_s = now_s - self._record.started_s
        load, cells, warmth = (read.get(role, {}) for role in ("load", "cells", "temperature"))
        sample = replace(
            self._last,
            sequence=self._last.sequence + 1,
            test_time_s=test_time_s,
            unix_time_s=self._started_unix_s + test_time_s,
            step_time_s=now_s - self._began_s,
            voltage_v=load.get("voltage_v"),
            current_a=load.get("current_a"),
            groups_v=tuple(cells.values()) if cells else (None,) * len(self._last.groups_v),
            temperatures_c=tuple(warmth.get(f"{place}_c") for place in self._bay.places),
            groups_age_s=0.0 if cells else None,
            temperatures_age_s=0.0 if warmth else None,
        )
        self._last = sample
        self._record.keep(sample)
        self._show(sample)
        self._feel(sample)
        await self._still_off({role: read.get(role, {}).get("current_a") for role in self._bay.off_a})

    def _feel(self, sample: Sample) -> None:
        now_c = hottest_c(sample, self._bay.places)
        if now_c is None:
            return
        self._hottest_c = max(now_c, self._hottest_c if self._hottest_c is not None else now_c)
        if self._told_c is not None and now_c < self._told_c + HOTTER_K:
            return
        before, self._told_c = self._told_c, now_c
        if before is not None:
            why = f"still warming after the trip: temperature {now_c:.0f} °C, it was {before:.0f} °C when told last"
            self._record.say("still_warming", hottest_c=now_c)
            self._outside.ended(self._bay.name, self._bay.pack, "tripped", why, off_confirmed=True, heat=Heat.HOT)

    async def _still_off(self, currents_a: Mapping[str, float | None]) -> None:
        """Off was confirmed; a current that is there again was switched on by somebody else, or something is welded."""
        flows = {
            role: current_a
            for role, current_a in currents_a.items()
            if current_a is not None and abs(current_a) >= self._bay.off_a[role]
        }
        if not flows:
            return
        off = await self._all_off()
        shown = ", ".join(f"{role} {current_a:.2f} A" for role, current_a in flows.items())
        self._record.say("current_after_off", current_a=flows, off_confirmed=off.confirmed)
        why = f"a current flowed again after off was confirmed ({shown}), and was switched off"
        self._outside.ended(self._bay.name, self._bay.pack, "tripped", why, off_confirmed=off.confirmed)
        await undisturbed(self.flowed(off))
