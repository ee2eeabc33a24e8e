"""Keeps one bay's beat: look, judge, join, let the step decide, act, hand on.

Every decision is made elsewhere by a pure function (daemon/safety.py for the limits, profiles/steps.py for the
experiment); this file only carries out.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import asdict, dataclass, field, is_dataclass
from typing import Any

from benchwarden.daemon import safety
from benchwarden.daemon.running.eyes import Eyes, Trip
from benchwarden.daemon.running.hands import Hands, Want
from benchwarden.daemon.running.ledger import Counted, Ledger, blur_in_words, count_in_step
from benchwarden.daemon.running.supervisor import Supervisor
from benchwarden.daemon.safety import Heat, State
from benchwarden.drivers.errors import IdentityChanged, InstrumentError
from benchwarden.profiles.plan import Plan
from benchwarden.profiles.planned import FAST_KINDS, FAST_S, PlannedCharge
from benchwarden.profiles.repeating import NO_PAST, left_out, remembered
from benchwarden.profiles.steps import Decision, Draw, Feed, Off, PlannedStep, Question, Seen, begin, decide
from benchwarden.results.sample import Reading, Sample

# Whatever a profile records, the bay is looked at, its step decided, and the guardian hears of it, this often.
SAFETY_BEAT_S = 1.0
# What is on, its set-points, and that the rest is off are read back this often; first so long after a switching.
LOOK_OVER_S, FIRST_LOOK_OVER_S = 10.0, 5.0
LOOK_OVERS_MISSED = 3
# A sample this share of its period late is said, once in so long; none is ever made up for.
OVERRUN_SHARE, OVERRUN_SAID_S = 0.5, 60.0
# The loop wakes a task up to a clock tick early.
CLOCK_GRAIN_S = 1e-3
# Readings further apart than this, or than so many of the step's periods, are not joined when charge is counted.
LONGEST_GAP_S, LONGEST_GAP_PERIODS = 3.0, 2.5
AMBIENT = "ambient_c"

Ask = Callable[[str, tuple[str, ...]], Awaitable[str]]


@dataclass(frozen=True, slots=True)
class Ending:
    """How a run ended: "finished", "tripped" or "stopped", and why.

    `every_bay`: the reason is one for which every bay is switched off. `currents_a`: what each load and the supply
    measured once they were switched off, amperes. `heat`: what the reason says of the pack's warmth.
    """

    how: str
    why: str
    every_bay: bool = False
    currents_a: Mapping[str, float | None] = field(default_factory=dict, compare=False)
    heat: Heat = Heat.NO


class Conductor:
    """Runs one plan in one bay; `charged`: its supply has charged the pack to its end."""

    def __init__(
        self,
        plan: Plan,
        eyes: Eyes,
        hands: Hands,
        *,
        places: tuple[str, ...],
        off_threshold_a: float,
        supervisor: Supervisor,
        keep: Callable[[Sample], None],
        say: Callable[..., None],
        alive: Callable[[int, bool], None],
        ask: Ask,
        started_unix_s: float,
        started_s: float | None = None,
    ) -> None:
        """`started_s`: the loop's time from which run time counts, as in the run's events; now, if it is not given."""
        self._plan, self._eyes, self._hands = plan, eyes, hands
        self._places = tuple(f"{place}_c" for place in places)
        self._groups = tuple(f"group_{number}_v" for number in range(1, plan.pack.series + 1))
        self._keep, self._say, self._alive, self._ask = keep, say, alive, ask
        self._loop = asyncio.get_running_loop()
        self._started_s = self._loop.time() if started_s is None else started_s
        self._started_unix_s = started_unix_s
        self._off_threshold_a = off_threshold_a
        self._supervisor = supervisor
        self._look_over_s = self._loop.time() + FIRST_LOOK_OVER_S
        self._openings = hands.openings
        self._look_overs_missed = 0
        self._looking_over: asyncio.Task[None] | None = None
        self._idle_since_s: float | None = None
        self._sequence = 0
        self._step_started_s = self._started_s
        self._question: tuple[Question, asyncio.Task[str]] | None = None
        self._full_at: tuple[float, float] | None = None
        self.ledger = Ledger()
        self._longest_s = LONGEST_GAP_S
        hands.edge = self._note_edge
        hands.counted = self._note_count
        self._counts: list[Mapping[str, float] | str] = []
        self.charged = False
        self.overruns, self.longest_late_s = 0, 0.0
        self._overrun_said_s = float("-inf")
        self.step: PlannedStep | None = None

    async def conduct(self) -> Ending:
        """Run every step; returns how the plan ended. Raises Trip; the caller switches off."""
        try:
            past = NO_PAST
            for step in self._plan.steps:
                why = left_out(step, self._plan.repeats, past)
                if why:
                    self._say("step_left_out", step=step.number, type=step.kind, why=why)
                    continue
                began_s, drawn_ah = self._loop.time(), self.ledger.discharging_ah
                decision = await self._one_step(step)
                drawn_ah = self.ledger.discharging_ah - drawn_ah
                past = remembered(past, step, decision, self._loop.time() - began_s, drawn_ah)
                if decision.final:
                    return Ending("stopped", f"step {step.number} ({step.kind}): {decision.finished}")
            return Ending("finished", "every step was done")
        finally:
            if self._question:
                self._question[1].cancel()
            if self._looking_over:
                await _ended(self._looking_over)

    async def _one_step(self, step: PlannedStep) -> Decision:
        self.step = step
        self._step_started_s = beat_s = self._loop.time()
        self._say("step_began", step=step.number, type=step.kind, title=step.title)
        state: Any = begin(step, self._net_since_full_ah())
        phase, next_s = "", 0.0
        counted = (self.ledger.charging_ah, self.ledger.discharging_ah)
        before = Counted.of(self.ledger)
        self._counts.clear()
        flags: set[str] = set()
        while True:
            sample = await self._joined(step, phase, next_s)
            due = self._loop.time() >= beat_s - CLOCK_GRAIN_S
            decision = decide(step, state, self._seen(sample, counted))
            state, phase, next_s = decision.state, decision.phase, decision.next_s
            for flag in decision.flags:
                if flag not in flags:
                    flags.add(flag)
                    self._say("flag", step=step.number, text=flag)
            # A profile may record less often than a step is decided; what changes something is always recorded.
            if due or decision.finished is not None or decision.want != self._hands.wanted:
                self._record(sample)
            if decision.finished is not None:
                break
            if isinstance(decision.want, Draw | Feed):
                self.ledger.period_s = min(next_s, SAFETY_BEAT_S)
            if await self._bring(decision.want):
                beat_s = self._loop.time()  # an edge: a point on both sides, and the beat starts anew
                self._guard_burst(step, next_s)
                self._eyes.announce(beat_s + next_s)
                self._look_over_s = self._loop.time() + FIRST_LOOK_OVER_S
                continue
            self._question_for(decision)
            if due:
                self._note_overrun(beat_s, next_s)
                beat_s = max(beat_s + next_s, self._loop.time())
            look_s = min(beat_s, self._loop.time() + SAFETY_BEAT_S)
            await self._look_over(look_s)
            await self._wait_until(look_s)
        if await self._bring(Off()):
            self._guard_burst(step, next_s)
            self._record(await self._joined(step, phase, next_s))
        if self._counts:
            self._say("counted_by_load", step=step.number, **count_in_step(self._counts))
        blurred = blur_in_words(before, Counted.of(self.ledger))
        if blurred:
            flags.add(blurred)
            self._say("flag", step=step.number, text=blurred)
        self._question_for(decision)
        if step.kind == "charge" and decision.ended_by == "done":
            self._full_at = (self.ledger.discharging_ah, self.ledger.charging_ah)
            self.charged = self.charged or (isinstance(step, PlannedCharge) and step.method == "supply")
        self._say(
            "step_ended",
            step=step.number,
            why=decision.finished,
            ended_by=decision.ended_by,
            flags=sorted(flags),
            state=asdict(state) if is_dataclass(state) and not isinstance(state, type) else None,
        )
        return decision

    def _guard_burst(self, step: PlannedStep, next_s: float) -> None:
        """In a burst or a pulse look at the groups more often, and without the load's own timer be stricter.

        Without that timer, half a second without a reading is allowed and no more.
        """
        fast = step.kind in FAST_KINDS and next_s <= FAST_S + CLOCK_GRAIN_S
        self._eyes.bursting = fast and self._hands.output == "load"
        if self._eyes.bursting and "timer" in self._hands.unprotected:
            self._eyes.be_stricter("load", safety.BURST_BLIND_S)

    async def _bring(self, want: Want) -> bool:
        """Bring about what a step wants; a look over what is on ends before anything is switched."""
        task = self._looking_over
        if task and want != self._hands.wanted and not self._hands.stays_on(want):
            await _ended(task)
            self._looking_over = None
            if not task.cancelled():
                self._end_of_look_over(task)
        return await self._hands.bring(want)

    async def _look_over(self, until_s: float) -> None:
        """Read settings back when it is time, and at once after a connection was opened anew; raises Trip.

        Not in a burst: it would cost samples there, and measured current against set current is judged at each. On slow
        instruments it takes longer than a beat: it goes on while the bay is looked at, and is judged when it is over.
        """
        if self._looking_over and self._looking_over.done():  # since the beat before
            self._end_of_look_over(self._looking_over)
        if self._looking_over is None:
            again = self._hands.openings != self._openings
            if not again and (self._eyes.bursting or self._loop.time() < self._look_over_s):
                return
            self._looking_over = asyncio.create_task(self._hands.look_over(), name="look over")
        await asyncio.wait({self._looking_over}, timeout=max(until_s - self._loop.time(), 0.0))
        if self._looking_over.done():
            self._end_of_look_over(self._looking_over)

    def _end_of_look_over(self, task: "asyncio.Task[None]") -> None:
        self._looking_over = None
        try:
            task.result()
        except IdentityChanged as error:
            raise Trip(str(error)) from error
        except InstrumentError as error:
            self._look_overs_missed += 1
            self._say("missed", role="read-back", error=str(error))
            if self._look_overs_missed >= LOOK_OVERS_MISSED:
                raise Trip(f"settings could not be read back {LOOK_OVERS_MISSED} times in a row: {error}") from error
        else:
            self._look_overs_missed = 0
            self._openings = self._hands.openings
        self._look_over_s = self._loop.time() + LOOK_OVER_S

    def _note_count(self, counts: Mapping[str, float] | str) -> None:
        self._counts.append(counts)

    def _note_edge(self, output: str, ordered_s: float, answered_s: float) -> None:
        if output == "off":
            self.ledger.went_off(ordered_s, answered_s, self._longest_s)
        else:
            self.ledger.went_on(ordered_s, answered_s)

    def _note_overrun(self, beat_s: float, period_s: float) -> None:
        """Count a beat that ends late, so that old decisions are never taken for fresh ones (fault 23)."""
        late_s = self._loop.time() - beat_s
        if late_s <= OVERRUN_SHARE * period_s:
            return
        self.overruns += 1
        self.longest_late_s = max(self.longest_late_s, late_s)
        if self._loop.time() - self._overrun_said_s >= OVERRUN_SAID_S:
            self._overrun_said_s = self._loop.time()
            self._say("loop_overrun", late_s=round(late_s, 3), period_s=period_s, overruns=self.overruns)

    async def _wait_until(self, beat_s: float) -> None:
        self._eyes.next_beat_s = beat_s
        await asyncio.sleep(max(beat_s - self._loop.time(), 0.0))

    async def _look(self) -> Reading:
        """Look at the instrument that measures now, and give a sign of life if what it says is valid."""
        name = "supply" if self._hands.state is State.FEEDING else "load"
        reading = await self._eyes.look(name)
        self._eyes.check_overdue()
        if self._hands.state is State.DRAWING:
            now_s = reading.asked_s
            current_a = reading.values["current_a"]
            self._idle_since_s = safety.vanished(current_a, self._off_threshold_a, self._idle_since_s, now_s)
            if self._idle_since_s is not None and now_s - self._idle_since_s >= safety.VANISHED_S:
                raise Trip(_draws_nothing(self._hands.wanted, current_a, self._off_threshold_a))
        else:
            self._idle_since_s = None
        if reading.values["voltage_v"] is not None and reading.values["current_a"] is not None:
            self._alive(self._sequence, self._hands.output != "off")
        return reading

    async def _joined(self, step: PlannedStep, phase: str, period_s: float) -> Sample:
        """Look, and join the newest reading of each role; nothing is recorded yet."""
        reading = await self._look()
        now_s = reading.asked_s
        groups = self._eyes.fresh("cells", now_s, since_switching=True)
        warmth = self._eyes.fresh("temperature", now_s, since_switching=False)
        voltmeter = self._eyes.fresh("voltmeter", now_s, since_switching=True)
        voltage_v, current_a = reading.values["voltage_v"], reading.values["current_a"]
        self._longest_s = max(LONGEST_GAP_S, LONGEST_GAP_PERIODS * period_s)
        self.ledger.add(now_s, voltage_v, current_a, self._longest_s)
        net_ah = self.ledger.charging_ah - self.ledger.discharging_ah
        self._supervisor.see(reading, self._hands.output, self._hands.wanted, net_ah, groups, warmth, voltmeter)
        return Sample(
            sequence=self._sequence + 1,
            test_time_s=now_s - self._started_s,
            unix_time_s=self._started_unix_s + now_s - self._started_s,
            step_count=step.number,
            step_type=step.kind,
            step_time_s=now_s - self._step_started_s,
            phase=phase,
            output=self._hands.output,
            voltage_v=voltage_v,
            current_a=current_a,
            groups_v=tuple(groups.values.get(name) if groups else None for name in self._groups)
            if self._eyes.has("cells")
            else (),
            temperatures_c=tuple(warmth.values.get(name) if warmth else None for name in self._places),
            charging_ah=self.ledger.charging_ah,
            discharging_ah=self.ledger.discharging_ah,
            charging_wh=self.ledger.charging_wh,
            discharging_wh=self.ledger.discharging_wh,
            groups_age_s=now_s - groups.asked_s if groups else None,
            temperatures_age_s=now_s - warmth.asked_s if warmth else None,
        )

    def _record(self, sample: Sample) -> None:
        self._sequence += 1
        self._keep(sample)

    def _seen(self, sample: Sample, counted: tuple[float, float]) -> Seen:
        warmth = dict(zip(self._places, sample.temperatures_c, strict=True))
        ambient_c = warmth.pop(AMBIENT, None)
        known = [value for value in warmth.values() if value is not None]
        on = sample.output != "off"
        return Seen(
            step_time_s=sample.step_time_s,
            voltage_v=sample.voltage_v,
            current_a=sample.current_a,
            groups_v=sample.groups_v,
            hottest_c=max(known) if known else None,
            ambient_c=ambient_c,
            charging_ah=sample.charging_ah - counted[0],
            discharging_ah=sample.discharging_ah - counted[1],
            output=sample.output,
            since_on_s=self._loop.time() - self._hands.switched_s if on else None,
            answer=self._answer(),
        )

    def _question_for(self, decision: Decision) -> None:
        """Put a step's question to the operator once; take it back when the step no longer asks."""
        want = decision.want if decision.finished is None else None
        if not isinstance(want, Question):
            if self._question:
                self._question[1].cancel()
            self._question = None
        elif self._question is None or self._question[0] != want or self._question[1].done():
            self._say("waiting_for_operator", text=want.text, answers=list(want.answers))
            self._question = (want, asyncio.ensure_future(self._ask(want.text, want.answers)))

    def _net_since_full_ah(self) -> float | None:
        if self._full_at is None:
            return None
        out_ah, in_ah = (
            self.ledger.discharging_ah - self._full_at[0],
            self.ledger.charging_ah - self._full_at[1],
        )
        return out_ah - in_ah

    def _answer(self) -> str | None:
        if self._question and self._question[1].done():
            task = self._question[1]
            if task.cancelled() or task.exception():
                raise Trip("the operator's answer could not be read")
            return task.result()
        return None


def _draws_nothing(want: Want, current_a: float | None, threshold_a: float) -> str:
    words = "the load is on, but draws nothing"
    if current_a is None or not isinstance(want, Draw):
        return words
    unit = {"current": "A", "power": "W"}.get(want.quantity, "ohm")
    return (
        f"{words}: measured {abs(current_a):.3f} A where {want.level:g} {unit} are set; up to {threshold_a:.3g} A "
        "counts as nothing"
    )


async def _ended(task: "asyncio.Task[None]") -> None:
    """Cancel a task and wait for its end, whichever way it ends; nobody else may be there to take its error."""
    task.cancel()
    await asyncio.wait({task})
    if not task.cancelled():
        task.exception()
