"""Keeps one bay for the service: its waiting list on disk, the test that runs, and off when it was last confirmed.

What follows from what is decided in daemon/serving/waiting_list.py; how a test is run, in daemon/worker.py.
"""

import asyncio
import hashlib
import json
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.alarm.outside import NOBODY, Outside
from benchwarden.daemon.bench import BayEntry
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.running.aftermath import Aftermath
from benchwarden.daemon.running.bay import Finished
from benchwarden.daemon.running.bay_off import BayOff, switch_bay_off
from benchwarden.daemon.running.conductor import Ask
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.daemon.running.progress import View
from benchwarden.daemon.safety import Heat
from benchwarden.daemon.serving import list_file, waiting_list
from benchwarden.daemon.serving.waiting_list import GOING_ON, Entry, Fate, WaitingList
from benchwarden.profiles.attendance import charges
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.plan import PlanRefused, plan_as_data, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.results.folder import FolderError, utc_text

COOLING = "cooling"  # the name of the rest between two tests, as a profile

# A list that has just stopped is still bringing its last words to the disk.
LAST_WORDS_S = 5.0

CarryOut = Callable[[Job, Ask], Awaitable[Finished]]
Prepare = Callable[[str, str, Path], Job]  # bay, profile, pack file; raises FileMistakes


@dataclass(frozen=True, slots=True)
class Hooks:
    """What a bay's keeper needs of the service.

    `undrilled` says why a bay may not be started. `everywhere` is called with the bay's name and a reason that switches
    every bay off; `over`, in a thread, with a run that ended. `outside` is told of trips that no run could tell of, and
    of a list's end.
    """

    prepare: Prepare
    undrilled: Callable[[BayEntry], list[str]]
    carry_out: CarryOut
    note: Callable[[str], None]
    everywhere: Callable[[str, str], Awaitable[None]]
    over: Callable[[Path], None]
    outside: Outside = NOBODY


@dataclass(slots=True)
class Question:
    """What a step asks the operator, the answers it takes, and where the answer goes."""

    text: str
    answers: tuple[str, ...]
    answer: "asyncio.Future[str]"


@dataclass(frozen=True, slots=True)
class _Outcome:
    fate: Fate
    why: str
    off_confirmed: bool
    run: Path | None = None
    every_bay: bool = False
    heat: Heat = Heat.NO


class BayKeeper:
    """One bay of the service; `folder` is where the bench file lies, `state` where the list is kept."""

    def __init__(self, entry: BayEntry, folder: Path, state: Path, hooks: Hooks) -> None:
        self.entry = entry
        self._folder, self._state, self._hooks = folder, state, hooks
        self.list = WaitingList(entry.name)
        self.view: View | None = None
        self.question: Question | None = None
        self.off = BayOff(False, {}, "nobody has looked yet")
        self.off_utc = ""
        self._going: asyncio.Task[None] | None = None
        self._run: asyncio.Task[Finished] | None = None
        self._aftermath: Aftermath | None = None
        self._watching: asyncio.Task[None] | None = None
        self._instruments_free = asyncio.Lock()
        self._pen = asyncio.Lock()
        self._saving: set[asyncio.Task[None]] = set()

    async def begin(self) -> None:
        """Switch the bay off and confirm it, then take up the list of before: nothing of it goes on by itself."""
        name = self.entry.name
        off = await self.confirm_off()
        try:
            self.list = await asyncio.to_thread(list_file.read_list, self._state, name)
        except list_file.ListUnreadable as error:
            self.list = waiting_list.lost(name, f"{error}; {list_file.put_aside(self._state, name)}")
        self.list = waiting_list.after_restart(self.list)
        if not off.confirmed:
            self.trip(f"{waiting_list.AT_START}{off.in_words()}", off_confirmed=False)
        self._hooks.note(f"{name}: {off.in_words()}; its list: {self.in_words()}")
        await self.keep()

    def in_words(self) -> str:
        """Say where the list stands."""
        waiting = len(self.list.waiting)
        words = f"{self.list.stand.value}, {waiting} waiting" + (f" of {self.list.pack_name}" if waiting else "")
        return f"{words}: {self.list.why}" if self.list.why else words

    async def confirm_off(self) -> BayOff:
        """Switch off, read back and measure on connections of its own; waits for a run that has the instruments."""
        if self._aftermath:  # it goes on looking: a person's STOP is no reason to look away from a warm pack
            off = await self._aftermath.switch_off()
            if off is not None:
                self.off, self.off_utc = off, utc_text(clock.unix_s())
                return off
        async with self._instruments_free:
            try:
                # Not in a thread, though it may read a map of the bench's own: off never waits for a free one.
                instruments = Instruments(self.entry, folder=self._folder)
                try:
                    self.off = await switch_bay_off(instruments, self.entry.off_thresholds_a())
                finally:
                    await instruments.close()
            except Exception as error:  # noqa: BLE001  a command map that has gone, say: nothing is confirmed then
                self.off = BayOff(False, {}, str(error))
            self.off_utc = utc_text(clock.unix_s())
        if self.off.confirmed:
            self._hooks.outside.sign(self.entry.name, False)
        return self.off

    async def change(self, how: Callable[[WaitingList], WaitingList]) -> None:
        """Change the list as a person asked; Refused, or FolderError where the disk cannot keep it, changes nothing."""
        before = self.list
        after = self.list = how(before)
        try:
            await self._write()
        except FolderError:
            if self.list is after:
                self.list = before
            raise

    async def keep(self) -> None:
        """Bring the list to the disk; a disk that refuses is said and changes nothing else."""
        try:
            await self._write()
        except FolderError as error:
            self._hooks.note(f"{self.entry.name}: {error}")

    async def keep_soon(self) -> None:
        """The same, but wait only so long for a disk that stands still: nobody's stop waits for it."""
        saving = asyncio.create_task(self.keep(), name=f"bay {self.entry.name} list")
        self._saving.add(saving)
        saving.add_done_callback(self._saving.discard)
        await asyncio.wait({saving}, timeout=LAST_WORDS_S)
        if not saving.done():
            self._hooks.note(f"{self.entry.name}: its list is not on disk yet: the disk stands still")

    async def _write(self) -> None:
        async with self._pen:  # in a thread: a disk that stands still must not keep the bays from being looked at
            await asyncio.to_thread(list_file.write_list, self._state, self.list)

    def trip(self, why: str, *, off_confirmed: bool) -> None:
        """Stop the list until somebody acknowledges, and tell people: no run does."""
        self.list = waiting_list.tripped(self.list, why)
        self._hooks.note(f"{self.entry.name}: TRIPPED: {why}")
        self.tell("tripped", why, off_confirmed=off_confirmed)

    def tell(self, how: str, why: str, *, off_confirmed: bool) -> None:
        """Tell people what the service decided on this bay: "tripped" or "stopped", and why."""
        self._hooks.outside.ended(self.entry.name, self.list.pack_name, how, why, off_confirmed=off_confirmed)

    async def start(self, numbers: list[int] | None) -> None:
        """Let the list go on; Refused where it must not."""
        waiting_list.start(self.list, numbers)  # refused at once, before anything is waited for
        if self._going and not self._going.done():
            _, late = await asyncio.wait({self._going}, timeout=LAST_WORDS_S)
            if late:
                raise waiting_list.Refused(f"bay {self.entry.name}: its last test is still being closed; try again")
        await self.change(lambda found: waiting_list.start(found, numbers))
        # Only now that the list is on its way, so that a stop in the meantime has something to stop.
        try:
            why = "; ".join(await asyncio.to_thread(self._hooks.undrilled, self.entry))
        except Exception as error:  # noqa: BLE001  a list must not look as if it went on when nobody sees to it
            why = f"whether a drill was passed cannot be told: {error}"
        if why:
            self.list = waiting_list.stopped(self.list, why)
            await self.keep()
            raise waiting_list.Refused(why)
        going = self._going is not None and not self._going.done()  # it was stopped and started anew meanwhile
        if self.list.stand in GOING_ON and not going:  # nobody stopped it while the disk was written
            self._going = asyncio.create_task(self._go(), name=f"list of bay {self.entry.name}")
            self._going.add_done_callback(self._say_fault)

    async def stop(self, why: str) -> BayOff:
        """Stop test and list, and return only once off is confirmed or cannot be; the same for an idle bay."""
        self.list = waiting_list.stopped(self.list, why)
        if self._run:
            self._run.cancel()
            await asyncio.wait({self._run})
        off = await self.confirm_off()
        await self.keep_soon()
        return off

    async def gone(self) -> None:
        """Wait until the list no longer goes on, and look no longer after a trip."""
        await self._end_watch()
        last = {*self._saving, *([self._going] if self._going else [])}
        if last:
            await asyncio.wait(last)

    def _say_fault(self, task: "asyncio.Task[None]") -> None:
        """What ended the list's own task is said: nobody waits for it."""
        if not task.cancelled() and (error := task.exception()) is not None:
            self._hooks.note(f"{self.entry.name}: a fault of this program at its list's end: {error!r}")

    async def _go(self) -> None:
        try:
            await self._go_on()
        except Exception as error:  # noqa: BLE001  a list must not look as if it went on when nobody sees to it
            await self._trip_for_fault(f"a fault of this program: {error!r}")
        self.list = waiting_list.at_rest(self.list)
        await self.keep()
        self._hooks.note(f"{self.entry.name}: its list: {self.in_words()}")
        found = self.list
        self._hooks.outside.list_over(
            found.bay,
            found.pack_name,
            found.stand.value,
            found.why,
            self._state,
            off_confirmed=self.off.confirmed,
            heat=found.heat,
        )

    async def _trip_for_fault(self, why: str) -> None:
        off = await self.confirm_off()
        why = f"{why}; {off.in_words()}"
        self.trip(why, off_confirmed=off.confirmed)
        if not off.confirmed:
            await self._hooks.everywhere(self.entry.name, why)

    async def _go_on(self) -> None:
        while (test := waiting_list.next_up(self.list)) is not None:
            if waiting_list.cools_first(self.list) and not await self._cool():
                break
            test = waiting_list.next_up(self.list)
            if test is not None:
                await self._one(test)

    async def _cool(self) -> bool:
        """Rest with everything off and judged until the pack is cool; False if the list does not go on."""
        self.list = waiting_list.cooling(self.list)
        await self.keep()
        test = waiting_list.next_up(self.list)
        if test is None:
            return False
        try:
            job = await asyncio.to_thread(_cooling_job, await self._prepared(test))
        except (FileMistakes, PlanRefused) as error:
            with suppress(waiting_list.Refused):  # dropped meanwhile
                self.list = waiting_list.refused(self.list, test.number, str(error))
            return False
        outcome = await self._carry(job)
        self.list = waiting_list.cooled(
            self.list, outcome.fate, outcome.why, off_confirmed=outcome.off_confirmed, heat=outcome.heat
        )
        await self._settle(outcome)
        return self.list.stand in GOING_ON

    async def _one(self, test: Entry) -> None:
        try:
            job = await self._prepared(test)
            await self.change(lambda found: waiting_list.begun(found, test.number, utc_text(clock.unix_s())))
        except waiting_list.Refused:
            return  # dropped or stopped meanwhile
        except FileMistakes as error:
            with suppress(waiting_list.Refused):
                self.list = waiting_list.refused(self.list, test.number, str(error))
            return
        except FolderError as error:
            # If somebody stopped the list while the disk refused, it is no longer the one that `change` put back.
            self.list = waiting_list.not_begun(self.list, test.number)
            self.list = waiting_list.stopped(self.list, f"its list cannot be kept on disk: {error}")
            return
        outcome = await self._carry(job)
        self.list = waiting_list.ended(
            self.list,
            outcome.fate,
            outcome.why,
            run=str(outcome.run) if outcome.run else None,
            off_confirmed=outcome.off_confirmed,
            utc=utc_text(clock.unix_s()),
            heat=outcome.heat,
        )
        await self._settle(outcome)
        if outcome.run:  # whatever goes wrong there ends the list, with everything off: see `_go`
            await asyncio.to_thread(self._hooks.over, outcome.run)

    async def _settle(self, outcome: _Outcome) -> None:
        """Other bays off first where this one's end reaches them; then the disk."""
        if waiting_list.reaches_every_bay(outcome.fate, outcome.every_bay, outcome.off_confirmed):
            await self._hooks.everywhere(self.entry.name, outcome.why)
        await self.keep()

    async def _prepared(self, test: Entry) -> Job:
        job = await asyncio.to_thread(self._hooks.prepare, self.entry.name, test.profile, Path(self.list.pack))
        if digest(job) != test.digest:
            raise FileMistakes(
                [
                    f"test {test.number} ({test.title}): its plan is no longer the one that was added: the pack's, the "
                    "profile's or the bench's file has changed; drop it and add it again"
                ]
            )
        return job

    async def _carry(self, job: Job) -> _Outcome:
        await self._end_watch()
        async with self._instruments_free:
            if self.list.stand not in GOING_ON:
                return _Outcome(Fate.STOPPED, "stopped before it began", self.off.confirmed)
            running = self._run = asyncio.ensure_future(self._hooks.carry_out(job, self._ask))
            await asyncio.wait({running})
            self._run = self.view = None
        if running.cancelled():
            return await self._untold("stopped", "stopped before it began")
        error = running.exception()
        if error is not None:
            return await self._untold("tripped", f"a fault of this program: {error!r}")
        ending, confirmed, folder, aftermath = running.result()
        if aftermath:
            self._hooks.note(f"{self.entry.name}: its pack is warm and is watched for a while")
            self._aftermath = aftermath
            aftermath.flowed = self._flowed
            self._watching = asyncio.create_task(self._watch(aftermath, folder), name=f"bay {self.entry.name} after")
        self.off = BayOff(confirmed, ending.currents_a, "" if confirmed else ending.why)  # measured at the run's end
        self.off_utc = utc_text(clock.unix_s())
        return _Outcome(Fate(ending.how), ending.why, confirmed, folder, ending.every_bay, ending.heat)

    async def _watch(self, aftermath: Aftermath, run: Path | None) -> None:
        """Watch a pack after a trip; what was seen then belongs to its run's report."""
        try:
            await aftermath.watch()
        finally:
            self._aftermath = self.view = None
        try:
            if run:
                await asyncio.to_thread(self._hooks.over, run)
        except Exception as error:  # noqa: BLE001  nobody waits for this task: it says itself what went wrong
            off = await self.confirm_off()
            self.trip(
                f"a fault of this program after the watch: {error!r}; {off.in_words()}", off_confirmed=off.confirmed
            )
            await self.keep()
            if not off.confirmed:
                await self._hooks.everywhere(self.entry.name, off.in_words())

    async def _flowed(self, off: BayOff) -> None:
        """A current was there again after a trip: what is known of off is newer now, and not off reaches all."""
        self.off, self.off_utc = off, utc_text(clock.unix_s())
        if not off.confirmed:
            self.list = waiting_list.tripped(self.list, f"a current flowed again after the trip: {off.in_words()}")
            await self._hooks.everywhere(self.entry.name, off.in_words())
            await self.keep()

    async def _end_watch(self) -> None:
        if self._watching:
            self._watching.cancel()
            await asyncio.wait({self._watching})

    async def _untold(self, how: str, why: str) -> _Outcome:
        """See to a run that ended without its own end: nobody switched off or told anybody so far."""
        off = await self.confirm_off()
        if how == "tripped" or not off.confirmed:
            self.tell(how, why, off_confirmed=off.confirmed)
        return _Outcome(Fate(how), why, off.confirmed)

    async def _ask(self, text: str, answers: tuple[str, ...]) -> str:
        waiting: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self.question = Question(text, answers, waiting)
        self._hooks.note(f"{text} [{' or '.join(answers) or 'any text'}]: `benchwarden answer {self.entry.name} …`")
        try:
            return await waiting
        finally:
            self.question = None

    def answer(self, text: str) -> None:
        """Answer what the running test asks; Refused without a question, or if it is none of its answers."""
        if self.question is None or self.question.answer.done():
            raise waiting_list.Refused(f"bay {self.entry.name}: nothing is asked")
        answer = text.strip().lower()
        if not answer or (self.question.answers and answer not in self.question.answers):
            right = " or ".join(self.question.answers) or "any text"
            raise waiting_list.Refused(f"bay {self.entry.name}: {text!r} is no answer here; right would be {right}")
        self.question.answer.set_result(answer)

    def as_data(self) -> dict[str, Any]:
        """Return all that can be said of the bay now as JSON data: volts, amperes, degrees Celsius, seconds."""
        looking = self._run is not None or self._aftermath is not None
        return {
            "list": list_file.as_data(self.list),
            "now": _view_as_data(self.view, self.entry.places) if self.view and looking else None,
            "question": {"text": self.question.text, "answers": list(self.question.answers)} if self.question else None,
            "checking": self._run is not None and self.view is None,
            "off": None if self._run else self.off_as_data(),
        }

    def off_as_data(self) -> dict[str, Any]:
        """Return when the bay was last confirmed off and what was measured, or why it could not be."""
        return {
            "confirmed": self.off.confirmed,
            "current_a": dict(self.off.currents_a),
            "why": self.off.why,
            "utc": self.off_utc,
            "words": self.off.in_words(),
        }


def listed(job: Job, profile: str) -> Entry:
    """Return a job as an entry of a list; its number is given when it is added."""
    return Entry(0, profile, job.plan.title, digest(job), round(job.plan.estimate_s, 1), charges(job.plan))


def digest(job: Job) -> str:
    """Return what tells one plan from another: it changes with every absolute figure in it."""
    text = json.dumps(plan_as_data(job.plan), sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _cooling_job(job: Job) -> Job:
    places = job.entry.places
    text = waiting_list.cooling_profile(
        pack_sensor=any(place != "ambient" for place in places), ambient="ambient" in places
    )
    wanted = read_profile(text, "cooling between tests")
    plan = work_out(wanted, job.pack, job.entry.abilities())
    return replace(job, profile=wanted, profile_name=COOLING, plan=plan, profile_text=text, continues=None)


def _view_as_data(view: View, places: tuple[str, ...]) -> dict[str, Any]:
    sample = view.sample
    return {
        "pack": view.pack,
        "step": sample.step_count,
        "steps": view.steps,
        "kind": sample.step_type,
        "phase": sample.phase,
        "output": sample.output,
        "voltage_v": sample.voltage_v,
        "current_a": sample.current_a,
        "groups_v": list(sample.groups_v),
        "temperatures_c": dict(zip(places, sample.temperatures_c, strict=True)),
        "discharging_ah": sample.discharging_ah,
        "charging_ah": sample.charging_ah,
        "test_time_s": sample.test_time_s,
        "left_s": view.left_s,
    }
