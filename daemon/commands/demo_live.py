"""The demonstration that goes on: a service as on a real bench, and somebody who starts its lists again and again.

On a real bench nothing starts by itself. Here there must always be something to watch, and nothing can burn.
"""

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from benchwarden.daemon import clock
from benchwarden.daemon.running.progress import View
from benchwarden.daemon.serving.service import Board, Service
from benchwarden.daemon.serving.waiting_list import Fate, Stand, WaitingList

# Real seconds that a bay stays stopped: long enough to see what STOP has done.
STOPPED_S = 60.0
LOOK_S = 1.0  # of the loop's own clock
THEN = "capacity"  # what waits behind the first test, so that there is a list to see


class LiveBoard(Board):
    """Shows at the terminal what the bays do, beside what a service says."""

    def show(self, bay: str, view: View) -> None:
        """Replace what is shown of a bay."""
        super().show(bay, view)
        self.progress.show(bay, view)

    def end(self, bay: str, how: str) -> None:
        """Show how a bay's run ended."""
        self.progress.end(bay, how)


def begun_anew(found: WaitingList) -> WaitingList:
    """Return a list that begins anew with the same pack: of what was before, only the last test that had a run is kept.

    A list in which something flowed lets its pack cool first, looked at like any other; one that knew nothing would try
    a warm pack at once, and trip.
    """
    ran = [replace(test, number=1) for test in found.tests if test.run is not None]
    return WaitingList(found.bay, found.pack, found.pack_name, tuple(ran[-1:]))


class Caretaker:
    """Stands for the person who puts packs in and starts: at once, after a list's end, and a minute after a STOP.

    A pack that is still warm then cools first, as between two tests.

    `packs`: pack files by bay; `at`: where the page is served.
    """

    def __init__(self, packs: Mapping[str, Path], profile: str, at: str, note: Callable[[str], None]) -> None:
        self._packs, self._at, self._note = packs, at, note
        self._profiles = [profile, THEN] if profile != THEN else [profile, profile]
        self._stopped_s: dict[str, float] = dict.fromkeys(packs, float("-inf"))
        self._gave_up: set[str] = set()

    async def keep_going(self, service: Service) -> None:
        """See to every bay for ever; a bay that tripped waits for a person, as on a real bench."""
        told = asyncio.create_task(self._tell_address(), name="address")
        try:
            while True:
                for bay in self._packs.keys() - self._gave_up:
                    if self._is_due(bay, service.bays[bay].list.stand):
                        await self._start(service, bay)
                await asyncio.sleep(LOOK_S)
        finally:
            told.cancel()
            await asyncio.wait({told})

    def _is_due(self, bay: str, stand: Stand) -> bool:
        if stand not in (Stand.STOPPED, Stand.INTERRUPTED):
            self._stopped_s.pop(bay, None)
            return stand is Stand.IDLE
        if bay not in self._stopped_s:
            self._stopped_s[bay] = clock.real_s()
            self._note(f"{bay}: stopped, and begins again in {STOPPED_S:g} s; a real bench never does so by itself")
        return clock.real_s() - self._stopped_s[bay] >= STOPPED_S

    async def _start(self, service: Service, bay: str) -> None:
        await service.bays[bay].change(begun_anew)
        pack = str(self._packs[bay].absolute())
        answer = await service.handle({"do": "add", "bay": bay, "pack": pack, "profiles": self._profiles})
        if "error" not in answer:
            numbers = [test["number"] for test in answer["list"]["tests"] if test["fate"] == Fate.WAITING.value]
            answer = await service.handle({"do": "start", "bay": bay, "numbers": numbers})
        if "error" in answer:
            self._gave_up.add(bay)
            self._note(f"{bay}: not started: {answer['error']} {'; '.join(answer.get('mistakes', []))}")

    async def _tell_address(self) -> None:
        """Say where to look once the page answers there."""
        host, _, port = self._at.rpartition(":")
        while True:
            with suppress(OSError):
                _, writer = await asyncio.open_connection(host, int(port))
                writer.close()
                break
            await asyncio.sleep(LOOK_S)
        line = "=" * 78
        for text in (
            line,
            f"   Open in a browser on this machine:   http://{self._at}/",
            "   It shows three packs being tested. Press STOP there: it says when all is off.",
            "   Ctrl-C ends the demonstration.",
            line,
        ):
            self._note(text)
