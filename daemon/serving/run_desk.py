"""What a single run answers at the worker's socket: the same `status`, `list` and `stop` as the service."""

import asyncio
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.running.aftermath import Aftermath
from benchwarden.daemon.running.bay import Finished
from benchwarden.daemon.running.bay_off import BayOff
from benchwarden.daemon.running.conductor import Ending
from benchwarden.daemon.serving import list_file
from benchwarden.daemon.serving.waiting_list import Entry, Fate, Stand, WaitingList
from benchwarden.results.folder import utc_text

_STANDS = {"finished": Stand.IDLE, "tripped": Stand.TRIPPED, "stopped": Stand.STOPPED}


class RunDesk:
    """Each bay's only test, shown as a list that nobody may add to."""

    def __init__(self, bench: str, jobs: Sequence[Job]) -> None:
        self._bench = bench
        self._lists = {job.entry.name: _list_of(job) for job in jobs}
        self._off: dict[str, dict[str, Any] | None] = dict.fromkeys(self._lists)
        self._tasks: dict[str, asyncio.Task[Finished]] = {}
        self._aftermaths: dict[str, Aftermath] = {}

    def begun(self, bay: str, task: "asyncio.Task[Finished]") -> None:
        """Take note of the task that runs a bay's test."""
        self._tasks[bay] = task
        task.add_done_callback(lambda done: self._ended(bay, done))

    def _ended(self, bay: str, task: "asyncio.Task[Finished]") -> None:
        if task.cancelled() or task.exception() is not None:
            ending, confirmed, folder = Ending("tripped", "a fault of this program"), False, None
        else:
            ending, confirmed, folder, aftermath = task.result()
            if aftermath:
                self._aftermaths[bay] = aftermath
        now = utc_text(clock.unix_s())
        stand = _STANDS[ending.how] if confirmed else Stand.TRIPPED
        [test] = self._lists[bay].tests
        run = str(folder) if folder else None
        test = replace(test, fate=Fate(ending.how), why=ending.why, run=run, off_confirmed=confirmed, ended_utc=now)
        why = "" if stand is Stand.IDLE else ending.why
        self._lists[bay] = replace(self._lists[bay], tests=(test,), stand=stand, why=why, heat=ending.heat)
        self._off[bay] = _off_as_data(BayOff(confirmed, ending.currents_a, "" if confirmed else ending.why))

    def states(self) -> dict[str, dict[str, Any]]:
        """Return what is known of each bay, in the service's words."""
        return {
            bay: {"list": list_file.as_data(found), "now": None, "question": None, "off": self._off[bay]}
            for bay, found in self._lists.items()
        }

    async def handle(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Answer `status`, `list` and `stop`; all else belongs to a service."""
        match request.get("do"):
            case "status":
                now = utc_text(clock.unix_s())
                return {"ok": True, "bench": self._bench, "pid": os.getpid(), "utc": now, "bays": self.states()}
            case "list":
                lists = {bay: found["list"] | {"cautions": []} for bay, found in self.states().items()}
                return {"ok": True, "bays": lists}
            case "stop":
                return await self._stop(request.get("bay"))
            case _:
                return {
                    "error": f"found do = {request.get('do')!r}; a single run knows status, list and stop "
                    "(`benchwarden serve` keeps lists)"
                }

    async def _stop(self, bay: object) -> dict[str, Any]:
        if bay is not None and bay not in self._lists:
            return {"error": f"there is no bay {bay!r} in this run; known: {', '.join(self._lists)}"}
        bays = [str(bay)] if bay is not None else list(self._lists)
        tasks = [self._tasks[one] for one in bays if one in self._tasks]
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
        await asyncio.sleep(0)  # the last words of each are taken by callbacks
        await asyncio.gather(*(self._off_once_more(one) for one in bays))
        found = {one: known for one in bays if (known := self._off[one]) is not None}
        off = len(found) == len(bays) and all(one["confirmed"] for one in found.values())
        return {"ok": True, "off": off, "by": "worker", "bays": found}

    async def _off_once_more(self, bay: str) -> None:
        """A run that has ended has said what was measured then; while its pack is watched it is measured anew.

        Off that is not confirmed any more is every bay's matter.
        """
        aftermath = self._aftermaths.get(bay)
        off = await aftermath.switch_off() if aftermath else None
        if off is None:
            return
        self._off[bay] = _off_as_data(off)
        if not off.confirmed:
            for task in self._tasks.values():
                task.cancel()


def _off_as_data(off: BayOff) -> dict[str, Any]:
    """Return what was measured just now, once everything was switched off."""
    return {
        "confirmed": off.confirmed,
        "current_a": dict(off.currents_a),
        "why": off.why,
        "utc": utc_text(clock.unix_s()),
        "words": off.in_words(),
    }


def _list_of(job: Job) -> WaitingList:
    test = Entry(
        1,
        job.profile_name,
        job.plan.title,
        "",
        round(job.plan.estimate_s, 1),
        fate=Fate.RUNNING,
        began_utc=utc_text(clock.unix_s()),
    )
    return WaitingList(job.entry.name, "", job.pack.name, (test,), Stand.RUNNING)
