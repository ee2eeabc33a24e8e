"""One bay's run from the first connection to the last: off, identify, arm, check, conduct, off, confirm."""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from benchwarden.daemon import safety
from benchwarden.daemon.alarm.outside import NOBODY, Outside
from benchwarden.daemon.bench import BayEntry
from benchwarden.daemon.guard.guardian_link import GuardianGone, GuardianLink
from benchwarden.daemon.recording.record import Record
from benchwarden.daemon.running import checks, protections
from benchwarden.daemon.running.aftermath import Aftermath, Bay, is_warm
from benchwarden.daemon.running.conductor import Ask, Conductor, Ending
from benchwarden.daemon.running.drilled import CheckBench, only_simulated
from benchwarden.daemon.running.eyes import Eyes, Trip
from benchwarden.daemon.running.hands import Hands
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.daemon.running.limits import has_recovered, limits_by_state, limits_while_recovering
from benchwarden.daemon.running.supervisor import Supervisor, Wiring
from benchwarden.daemon.running.undisturbed import undisturbed
from benchwarden.daemon.safety import State
from benchwarden.drivers.errors import InstrumentError
from benchwarden.profiles.plan import Plan
from benchwarden.results.folder import FolderError
from benchwarden.results.sample import Sample

# What is on in each state, for people; in every other state off has been confirmed.
_OUTPUTS = {
    State.DRAWING: "load",
    State.FEEDING: "supply",
    State.OPENING: "unconfirmed",
    State.TRIPPED: "unconfirmed",
}
# A contactor closes in some tens of milliseconds and bounces; common practice, no source.
CONTACTOR_SETTLES_S = 0.5


class Finished(NamedTuple):
    """How a run ended, whether off is confirmed, its folder (None: nothing was recorded), and what is to be watched."""

    ending: Ending
    off_confirmed: bool
    folder: Path | None
    aftermath: Aftermath | None = None


class BayRun:
    """Runs one plan in one bay and always leaves the bay off, or says that it could not."""

    def __init__(
        self,
        entry: BayEntry,
        plan: Plan,
        instruments: Instruments,
        guardian: GuardianLink,
        *,
        ask: Ask,
        show: Callable[[Sample, int], None],
        note: Callable[[str], None],
        started_unix_s: float,
        outside: Outside = NOBODY,
        check_bench: CheckBench = only_simulated,
    ) -> None:
        """`check_bench` says what speaks against these very instruments once they are known; see running/drilled.py."""
        self._check_bench = check_bench
        self._outside = outside
        self._entry, self._plan, self._instruments, self._guardian = entry, plan, instruments, guardian
        self._ask, self._show, self._note = ask, show, note
        self._started_unix_s = started_unix_s
        self._record: Record | None = None
        self._hands: Hands | None = None
        self._armed = False
        self._warned: str | None = None
        self._guardian_gone = False
        self._recovering = plan.limits.recover_low_v is not None
        self._tighten: Callable[[], None] = lambda: None
        self._first: Sample | None = None
        self._last: Sample | None = None
        self.off_confirmed = False
        self.charged = False
        self.aftermath: Aftermath | None = None

    async def run(self, make_record: Callable[[], Record]) -> Ending:
        """Run the plan; never raises for what goes wrong on the bench, but returns how the run ended.

        `make_record` makes the run folder once the instruments are known, in a thread. Cancelling stops the run
        safely, and again changes nothing: off is then under way. After a trip that left the pack warm there is an
        `aftermath`, which has the instruments and the record until it is over; the caller must await its `watch`.
        """
        hands = self._hands = Hands(
            self._instruments.load,
            self._instruments.supply,
            self._instruments.outputs,
            self._plan,
            self._entry.off_thresholds_a(),
            self._say,
        )
        tripped = False
        ending = Ending("stopped", "asked to stop")
        try:
            may_sleep = await self._outside.begin(self._entry.name)
            if may_sleep:
                raise Trip(may_sleep)
            await self._instruments.open()
            wrong = await asyncio.to_thread(self._check_bench, self._instruments)  # it reads the drills' records
            if wrong:
                raise Trip("; ".join(wrong))
            await self._begin_record(make_record)
            self._say("started", instruments=self._instruments.identities())
            self._say_lacking()
            hands.go(safety.Event.BEGIN)
            if not await hands.all_off():
                raise Trip(f"the bay was not off at the start, and could not be switched off: {hands.why_not_off()}")
            await hands.tell_errors()
            ending = await self._conduct(hands)
        except (Trip, InstrumentError, GuardianGone, FolderError, OSError) as error:
            tripped, ending = True, _ending_of(error)
            self._guardian_gone = isinstance(error, GuardianGone)
        except asyncio.CancelledError:
            pass
        except Exception as error:  # noqa: BLE001  whatever is wrong with this program, the bay is switched off
            tripped, ending = True, Ending("tripped", f"a fault of this program: {error!r}")
        return await undisturbed(self._leave(hands, ending, tripped, make_record))

    async def _begin_record(self, make_record: Callable[[], Record]) -> None:
        """Make the run folder in a thread: a slow disk must not keep the other bays from being looked at.

        Whoever stops meanwhile is heard once it is there, so that it gets its end.
        """
        making = asyncio.ensure_future(asyncio.to_thread(make_record))
        try:
            await asyncio.shield(making)
        finally:
            self._record = await undisturbed(making)

    async def _conduct(self, hands: Hands) -> Ending:
        plan, roles = self._plan, tuple(self._instruments.watched)
        off_a = self._entry.role_off_thresholds_a()
        if self._entry.contactor:
            await self._arm()  # behind an open contactor nothing is seen of the pack
        await self._check_load()
        await hands.stay_off_at_power_on()
        problems = await checks.first_look(self._entry, self._instruments, plan, self._still_there)
        if problems:
            raise Trip("not as planned: " + "; ".join(problems))
        if not self._armed:
            await self._arm()
        limits = limits_by_state(plan.limits, plan.pack.series, self._entry.places, roles, off_a)
        now = limits_while_recovering(limits, plan.limits, plan.pack.series) if self._recovering else limits
        eyes = Eyes(self._instruments.watched, now[State.READY], self._missed)
        for role in roles:
            await eyes.look(role)
            self._still_there()

        def allow(state: State) -> None:
            """What may be seen follows the state; below its hard limit a pack may be only until it has recovered."""
            if state in limits:
                eyes.allow((now if self._recovering else limits)[state])

        hands.allow = allow
        self._tighten = lambda: allow(hands.state)
        hands.switched = eyes.switched
        hands.still_there = self._still_there
        hands.go(safety.Event.CHECKED)
        try:
            async with asyncio.TaskGroup() as tasks:
                # Load and supply from before the first current on: where they are slow, programming takes longer than a
                # bay may be blind.
                watching = [
                    tasks.create_task(eyes.stand_in(role), name=f"{self._entry.name} {role}")
                    for role in roles
                    if role in ("load", "supply")
                ]
                ohm = await checks.pulse(self._entry, plan, eyes, hands, self._say, self._alive)
                for role in roles:
                    if role not in ("load", "supply"):
                        await self._look_again(eyes, role)
                        watching.append(tasks.create_task(eyes.keep_looking(role), name=f"{self._entry.name} {role}"))
                conductor = self._conductor(eyes, hands, off_a, ohm)
                ending = await conductor.conduct()
                for task in watching:
                    task.cancel()
        except BaseExceptionGroup as group:
            raise _first(group) from group
        self.charged = conductor.charged
        hands.go(safety.Event.FINISH)
        self._say(
            "counted",
            unmeasured_s=round(conductor.ledger.unmeasured_s, 3),
            blurred_ah=round(conductor.ledger.blurred_ah, 6),
            overruns=conductor.overruns,
            longest_late_s=round(conductor.longest_late_s, 3),
        )
        return ending

    async def _look_again(self, eyes: Eyes, role: str) -> None:
        """Look at a role that was last seen more than its period ago: the end of the pulse takes time on slow lines."""
        now_s = asyncio.get_running_loop().time()
        if now_s - eyes.newest[role].asked_s > self._instruments.watched[role].every_s:
            await eyes.look(role)
            self._still_there()

    def _conductor(self, eyes: Eyes, hands: Hands, off_a: Mapping[str, float], ohm: float | None) -> Conductor:
        wiring = Wiring(self._entry.path_ohm, off_a, self._entry.voltage_accuracies())
        return Conductor(
            self._plan,
            eyes,
            hands,
            places=self._entry.places,
            off_threshold_a=off_a["load"],
            supervisor=Supervisor(self._plan.pack, wiring, ohm),
            keep=self._keep,
            say=self._say,
            alive=self._alive,
            ask=self._ask,
            started_s=self._record.started_s if self._record else None,
            started_unix_s=self._record.started_unix_s if self._record else self._started_unix_s,
        )

    async def _arm(self) -> None:
        """Let the guardian see for itself whom it would have to switch off; raises GuardianGone if it is no.

        An instrument that serves one client at a time serves the guardian only while this process has let go.
        """
        # The pack's name is for what the guardian says when it takes over.
        entries = [entry | {"pack": self._plan.pack.name} for entry in self._instruments.off_entries()]
        contactor = self._entry.contactor
        held = contactor.for_guardian(self._entry.name) if contactor else None
        await self._instruments.let_go()
        await self._guardian.arm(self._entry.name, entries, held)
        self._armed = True
        if contactor:
            await asyncio.sleep(CONTACTOR_SETTLES_S)
        await self._instruments.open()

    async def _leave(self, hands: Hands, ending: Ending, tripped: bool, make_record: Callable[[], Record]) -> Ending:
        """Off, confirmed and told to the guardian, before anything else; then why, the record, the connections."""
        if tripped:  # only handed to the writer's thread: off is not held up, and the reason outlives this process
            self._say("tripping", reason=ending.why)
        self.off_confirmed = await hands.make_safe(ending.why if tripped else None)
        ending = replace(ending, currents_a=dict(hands.currents_a))
        if self.off_confirmed:
            try:
                self._guardian.disarm(self._entry.name, hands.currents_a)
            except GuardianGone as error:
                self._note(f"{self._entry.name}: {error}")
        own = await hands.own_protection() if tripped else None
        if own:
            ending = replace(ending, why=f"{ending.why}; own protection tripped: {own}")
        # Behind a contactor that the guardian has just let go, every path is open.
        seen = tripped and self.off_confirmed and self._entry.contactor is None
        path = await checks.open_path(self._instruments, self._plan) if seen else None
        if path:
            ending = replace(ending, why=f"{ending.why}; {path}")
        bay = self._entry.name
        pack = self._plan.pack.name
        self._outside.ended(bay, pack, ending.how, ending.why, off_confirmed=self.off_confirmed, heat=ending.heat)
        if self._record is None:  # a run that could not begin leaves its reason, too
            try:
                self._record = await asyncio.to_thread(make_record)
            except (FolderError, OSError) as error:
                self._note(f"{self._entry.name}: {error}")
        if tripped:
            self._say("tripped", reason=ending.why, heat=ending.heat.value)
        self._say(
            "ended",
            how=ending.how,
            why=ending.why,
            off_confirmed=self.off_confirmed,
            current_a=dict(hands.currents_a),
            unprotected=list(hands.unprotected),
        )
        warm = ending.every_bay or is_warm(self._first, self._last, self._entry.places)
        if tripped and self.off_confirmed and warm:
            self.aftermath = self._what_comes_after(hands)
        if self.aftermath is None:
            await self._close()
        self._note(f"{self._entry.name}: {ending.how}: {ending.why} ({self._off_in_words()})")
        return ending

    def _what_comes_after(self, hands: Hands) -> Aftermath | None:
        if self._record is None or self._last is None:
            return None
        entry = self._entry
        return Aftermath(
            Bay(entry.name, self._plan.pack.name, entry.places, entry.role_off_thresholds_a()),
            self._instruments,
            hands,
            self._record,
            self._last,
            started_unix_s=self._record.started_unix_s,
            outside=self._outside,
            show=lambda sample: self._show(sample, self._plan.steps[-1].number),
            close=self._close,
        )

    async def _close(self) -> None:
        await self._instruments.close()
        # In threads: a child or a disk that stands still must not keep the other bays from being looked at.
        await asyncio.to_thread(self._outside.end, self._entry.name)
        if self._record:
            await asyncio.to_thread(self._record.close)

    def _off_in_words(self) -> str:
        if self.off_confirmed:
            return "off confirmed"
        if not self._armed:
            return "this run switched nothing on, but could not confirm that everything is off: look at it"
        who = "there is no guardian any more" if self._guardian_gone else "the guardian takes over"
        return f"OFF NOT CONFIRMED: unplug it; {who}"

    async def _check_load(self) -> None:
        """A protection that latched before this run had a reason; a person finds it, not the next run."""
        tripped = await self._instruments.load.tripped()
        if tripped:
            raise Trip(
                f"{self._entry.name} load: its own protection had tripped before this run ({tripped}); find out why, "
                "then clear it at the instrument"
            )

    def _keep(self, sample: Sample) -> None:
        assert self._record is not None
        self._record.keep(sample)
        self._first, self._last = self._first or sample, sample
        if self._recovering and has_recovered(sample, self._plan.pack):
            self._recovering = False
            self._tighten()
        self._show(sample, self._plan.steps[-1].number)
        self._check_record()

    def _alive(self, sequence: int, on: bool) -> None:
        """At every look, however seldom a profile records: is the record kept, has the machine slept?"""
        self._check_record()
        self._guardian.beat(self._entry.name, sequence, on)
        self._outside.sign(self._entry.name, on)

    def _still_there(self) -> None:
        """A sign of life where nothing is on and much is asked: slow meters must not look like a dead program.

        Raises GuardianGone, so that nothing goes on after it.
        """
        if self._armed:
            self._alive(0, False)

    def _check_record(self) -> None:
        assert self._record is not None
        warning = self._record.warning
        if warning and warning != self._warned:
            self._warned = warning
            self._outside.disk(self._entry.name, self._plan.pack.name, warning, output=self.output)
        problem = self._record.problem or self._record.clock_problem()
        if problem:
            raise Trip(problem)

    def _say_lacking(self) -> None:
        maps = {name: output.command_map for name, output in self._instruments.outputs.items()}
        lacks = protections.in_words(self._entry, protections.lacking(maps))
        if lacks:
            self._say("lacks", instruments=lacks)

    def _say(self, event: str, **details: object) -> None:
        if self._record:
            self._record.say(event, **details)

    def _missed(self, role: str, error: str) -> None:
        self._say("missed", role=role, error=error)

    @property
    def output(self) -> str:
        """What is on, as people are told: "load", "supply", "off" (confirmed), or "unconfirmed"."""
        return "off" if self._hands is None else _OUTPUTS.get(self._hands.state, "off")

    @property
    def folder(self) -> Path | None:
        """Where the run's folder lies, once there is one."""
        return self._record.path if self._record else None


def _ending_of(error: Exception) -> Ending:
    if isinstance(error, Trip):
        return Ending("tripped", str(error), error.every_bay, heat=error.heat)
    return Ending("tripped", str(error))


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """Return the error that ended a bay's tasks: a trip before anything else, and of several one for heat."""
    found: list[BaseException] = []
    for error in group.exceptions:
        found.append(_first(error) if isinstance(error, BaseExceptionGroup) else error)
    trips = [error for error in found if isinstance(error, Trip)]
    hot = next((error for error in trips if error.heat is safety.Heat.HOT), None)
    return hot or (trips[0] if trips else found[0])
