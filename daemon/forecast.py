"""What is to be expected of a plan: voltage, current, temperature and duration, worked out before anything is on.

The steps decide here as they do in a run; only the pack is pretended (daemon/planning/typical.py), by what its file and
its chemistry say. These two files know the physics of the simulators' pack, and nothing else of the simulators.
"""

import math
from dataclasses import dataclass, replace
from typing import Any

from benchwarden.daemon.planning.typical import expected
from benchwarden.profiles.decision import ended
from benchwarden.profiles.pack import Pack as PackFile
from benchwarden.profiles.plan import Plan
from benchwarden.profiles.repeating import NO_PAST, left_out, remembered
from benchwarden.profiles.steps import Decision, Draw, Feed, PlannedStep, Question, Seen, Want, begin, decide
from benchwarden.simulators.pack import Pack, constant_power_current_a

START_SOC = 0.4
"""How full a pack is taken to be that a plan charges first."""
AMBIENT_C = 23.0
# While nothing changes quickly a forecast may look less often than a run does, seconds.
_LOOKS_EVERY_S = {"rest": 10.0, "soak": 10.0, "charge": 5.0, "store": 5.0}
_SLOW_DISCHARGE_S, _SLOW_LOOKS_EVERY_S = 3600.0, 5.0
# A pretended pack does not age: after so many cycles of a repeat the others are as the last.
_CYCLES_PLAYED = 3
# A repeat that ends once the pack delivers what is rated is reckoned with a pack that falls so much short of it:
# whether it passes is what the run is for, and who plans the bench needs the longer time.
_SHORT_OF_RATED = 0.9
_FLOW_STEP_S, _REST_STEP_S = 1.0, 10.0
_NOTHING_FLOWS = ("ask", "rest", "soak", "inspect")
_MOST_BEATS = 500_000
_MOST_S = 60 * 86400.0
# Points for the chart: beside every edge, so many over the whole plan.
_POINTS, _POINT_EVERY_S = 1500, 5.0


@dataclass(frozen=True, slots=True)
class Point:
    """What is expected at one moment: seconds since the start, volts of the pack, amperes (positive charges), °C."""

    time_s: float
    voltage_v: float
    current_a: float
    lowest_group_v: float
    hottest_c: float
    ambient_c: float


@dataclass(frozen=True, slots=True)
class StepForecast:
    """What is expected of one step. Seconds, ampere-hours, watt-hours, volts of the lowest group, degrees Celsius.

    `cooling_s`: the part of `duration_s` that only waits for a temperature. `heat_wh`: what becomes heat in the pack.
    `ended`: what ends the step.
    """

    number: int
    kind: str
    began_s: float
    duration_s: float
    cooling_s: float
    charged_ah: float
    charged_wh: float
    drawn_ah: float
    drawn_wh: float
    heat_wh: float
    lowest_group_v: float
    hottest_c: float
    ended: str
    ended_by: str


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is expected of a plan of a pack that begins `start_soc` full, 0 to 1.

    `ended_early` says in words why the run ends before its last step, empty if it does not. Cycles of a repeat that
    are not expected to be needed have no step here.
    """

    steps: tuple[StepForecast, ...]
    points: tuple[Point, ...]
    start_soc: float
    resistance_ohm: float
    assumed: tuple[str, ...]
    ended_early: str

    @property
    def duration_s(self) -> float:
        """How long the run is likely to take, seconds."""
        return sum(step.duration_s for step in self.steps)

    @property
    def cooling_s(self) -> float:
        """How much of that is waiting for temperatures, seconds."""
        return sum(step.cooling_s for step in self.steps)

    @property
    def heat_wh(self) -> float:
        """What becomes heat in the pack, watt-hours."""
        return sum(step.heat_wh for step in self.steps)


def forecast(plan: Plan, pack: PackFile, edge_ohm: float | None = None) -> Forecast:
    """Return what is to be expected of a plan for this pack.

    `edge_ohm`: the whole pack's resistance as an earlier run has measured it, ohm; without it, what is typical.
    """
    start_soc = START_SOC if _charges_first(plan) else 1.0
    likely = expected(pack, plan.pack, plan.bay.cooling, start_soc, edge_ohm)
    rehearsal = _Rehearsal(plan, Pack(likely.model, ambient_c=AMBIENT_C))
    steps: list[StepForecast] = []
    cycles: dict[tuple[int, int], list[StepForecast]] = {}
    ended_early, past = "", NO_PAST
    for step in plan.steps:
        if left_out(step, plan.repeats, past):
            continue
        before = None if step.cycle is None else cycles.get((step.cycle[0], step.cycle[1] - 1))
        own = cycles.setdefault(step.cycle, []) if step.cycle else []
        if step.cycle and before and step.cycle[1] > _CYCLES_PLAYED:
            done, final = rehearsal.as_before(step, before[len(own)]), False
        else:
            done, final = rehearsal.play(step)
        own.append(done)
        steps.append(done)
        ending = ended(None, "", done.ended, done.ended_by)
        past = remembered(past, step, ending, done.duration_s, _SHORT_OF_RATED * done.drawn_ah)
        if final:
            ended_early = f"step {step.number} is likely to end the run: {done.ended}"
            break
    assumed = (f"begins {100 * start_soc:.0f} % full, at {AMBIENT_C:g} °C all around", *likely.words)
    return Forecast(tuple(steps), tuple(rehearsal.points), start_soc, likely.resistance_ohm, assumed, ended_early)


def _charges_first(plan: Plan) -> bool:
    return next((step.kind == "charge" for step in plan.steps if step.kind not in _NOTHING_FLOWS), False)


@dataclass(slots=True)
class _Counted:
    """What one step has moved so far."""

    charged_ah: float = 0.0
    charged_wh: float = 0.0
    drawn_ah: float = 0.0
    drawn_wh: float = 0.0
    cooling_s: float = 0.0
    lowest_v: float = math.inf
    hottest_c: float = -math.inf


class _Rehearsal:
    """Plays one plan's steps on the expected pack, one after the other."""

    def __init__(self, plan: Plan, pack: Pack) -> None:
        self._plan, self._pack = plan, pack
        self._places = tuple(place for place in plan.bay.pack_places if place in pack.probes_c) or ("middle",)
        self._time_s = 0.0
        self._want: Want | None = None
        self._output, self._on_since_s = "off", 0.0
        self._current_a = 0.0  # positive discharges, as in the pack's physics
        self._net_since_full_ah: float | None = None
        self._point_every_s = max(_POINT_EVERY_S, plan.estimate_s / _POINTS)
        self.points: list[Point] = []
        self._points_of: dict[int, tuple[int, int]] = {}

    def play(self, step: PlannedStep) -> tuple[StepForecast, bool]:
        """Play one step to its end; True if it ends the run."""
        began_s, heat_j = self._time_s, sum(self._pack.heat_j.values())
        first = len(self.points)
        counted = _Counted()
        state: Any = begin(step, self._net_since_full_ah)
        answer: str | None = None
        for _ in range(_MOST_BEATS):
            decision = decide(step, state, self._seen(began_s, counted, answer))
            state, answer = decision.state, None
            self._note(counted)
            if decision.finished is not None or self._time_s - began_s > _MOST_S:
                break
            if isinstance(decision.want, Question):
                answer = self._answered(step, decision.want, counted)
                continue
            if self._changes(decision.want):
                continue  # a look right after an output went on or off
            self._wait(_until_next(step, decision), counted, self._is_waiting(step, decision, began_s))
        else:
            decision = Decision(decision.want, 1.0, state, "", "no end in sight", final=True)
        self._changes(None)
        if step.kind == "charge" and decision.ended_by == "done":
            self._net_since_full_ah = 0.0
        elif self._net_since_full_ah is not None:
            self._net_since_full_ah += counted.drawn_ah - counted.charged_ah
        self._keep_point(always=True)
        self._points_of[step.number] = (first, len(self.points))
        done = StepForecast(
            number=step.number,
            kind=step.kind,
            began_s=began_s,
            duration_s=self._time_s - began_s,
            cooling_s=counted.cooling_s,
            charged_ah=counted.charged_ah,
            charged_wh=counted.charged_wh,
            drawn_ah=counted.drawn_ah,
            drawn_wh=counted.drawn_wh,
            heat_wh=(sum(self._pack.heat_j.values()) - heat_j) / 3600.0,
            lowest_group_v=counted.lowest_v,
            hottest_c=counted.hottest_c,
            ended=decision.finished or "no end in sight",
            ended_by=decision.ended_by,
        )
        return done, decision.final

    def as_before(self, step: PlannedStep, before: StepForecast) -> StepForecast:
        """What was expected of the same step one cycle ago, once more: the pack is as it was then."""
        later_s, first = self._time_s - before.began_s, len(self.points)
        begin, end = self._points_of[before.number]
        self.points += [replace(point, time_s=point.time_s + later_s) for point in self.points[begin:end]]
        self._points_of[step.number] = (first, len(self.points))
        began_s, self._time_s = self._time_s, self._time_s + before.duration_s
        return replace(before, number=step.number, began_s=began_s)

    def _seen(self, began_s: float, counted: _Counted, answer: str | None) -> Seen:
        groups_v = tuple(self._pack.group_voltages_v(self._current_a))
        return Seen(
            step_time_s=self._time_s - began_s,
            voltage_v=self._voltage_v(),
            current_a=-self._current_a,
            groups_v=groups_v if self._plan.bay.group_channels else (),
            hottest_c=self._hottest_c() if self._plan.bay.pack_places else None,
            ambient_c=AMBIENT_C if self._plan.bay.has_ambient else None,
            charging_ah=counted.charged_ah,
            discharging_ah=counted.drawn_ah,
            output=self._output,
            since_on_s=None if self._output == "off" else self._time_s - self._on_since_s,
            answer=answer,
        )

    def _voltage_v(self) -> float:
        return self._pack.emf_v - self._current_a * self._pack.resistance_ohm

    def _hottest_c(self) -> float:
        return max(self._pack.probes_c[place] for place in self._places)

    def _note(self, counted: _Counted) -> None:
        counted.lowest_v = min(counted.lowest_v, *self._pack.group_voltages_v(self._current_a))
        counted.hottest_c = max(counted.hottest_c, self._hottest_c())

    def _is_waiting(self, step: PlannedStep, decision: Decision, began_s: float) -> bool:
        """Whether nothing is done now but waiting for a temperature."""
        if self._output != "off":
            return False
        if step.kind in ("rest", "soak"):
            return self._time_s - began_s >= getattr(step, "at_least_s", 0.0) - 1e-3
        return "waiting" in decision.phase and "°C" in decision.phase

    def _answered(self, step: PlannedStep, question: Question, counted: _Counted) -> str:
        """Somebody answers after as long as such things take; an operator's charge leaves the pack full."""
        self._changes(None)
        self._wait(max(step.estimate_s, 1.0), counted, False)
        if step.kind == "charge":
            self._pack.soc = [1.0] * len(self._pack.soc)
            self._pack.step(0.0, 0.0)
        return question.answers[0]

    def _changes(self, want: Want | None) -> bool:
        """Set what is wanted; True if an output went on or off."""
        output = {Draw: "load", Feed: "supply"}.get(type(want), "off")
        edge = output != self._output
        if edge and self._time_s > 0.0:
            self._keep_point(always=True)
        self._want, self._output = want, output
        if edge:
            self._on_since_s = self._time_s
        self._current_a = self._flows_a()
        if edge:
            self._keep_point(always=True)
        return edge

    def _flows_a(self) -> float:
        """The current that what is wanted makes flow, positive discharges, A."""
        emf_v, ohm = self._pack.emf_v, self._pack.resistance_ohm
        match self._want:
            case Draw(quantity="current", level=level, ceiling_a=ceiling_a):
                return min(level, ceiling_a)
            case Draw(quantity="resistance", level=level, ceiling_a=ceiling_a):
                return min(emf_v / (level + ohm), ceiling_a)
            case Draw(level=level, ceiling_a=ceiling_a):
                wanted_a = constant_power_current_a(emf_v, ohm, level)
                return ceiling_a if wanted_a is None else min(wanted_a, ceiling_a)
            case Feed(voltage_v=voltage_v, current_a=current_a):
                return -min(current_a, max(0.0, (voltage_v - emf_v) / max(ohm, 1e-6)))
        return 0.0

    def _wait(self, seconds: float, counted: _Counted, cooling: bool) -> None:
        longest_s = _FLOW_STEP_S if self._current_a else _REST_STEP_S
        longest_s = min(longest_s, self._pack.model.thermal.longest_step_s)
        count = max(1, math.ceil(seconds / longest_s - 1e-9))
        h_s = seconds / count
        for _ in range(count):
            volts, amperes = self._voltage_v(), self._current_a
            self._pack.step(amperes, h_s)
            self._time_s += h_s
            ah, wh = amperes * h_s / 3600.0, amperes * volts * h_s / 3600.0
            if amperes > 0.0:
                counted.drawn_ah, counted.drawn_wh = counted.drawn_ah + ah, counted.drawn_wh + wh
            elif amperes < 0.0:
                counted.charged_ah, counted.charged_wh = counted.charged_ah - ah, counted.charged_wh - wh
            self._current_a = self._flows_a()
        counted.cooling_s += seconds if cooling else 0.0
        self._keep_point()

    def _keep_point(self, *, always: bool = False) -> None:
        if not always and self.points and self._time_s - self.points[-1].time_s < self._point_every_s:
            return
        lowest_v = min(self._pack.group_voltages_v(self._current_a))
        self.points.append(
            Point(self._time_s, self._voltage_v(), -self._current_a, lowest_v, self._hottest_c(), AMBIENT_C)
        )


def _until_next(step: PlannedStep, decision: Decision) -> float:
    """Seconds until the next look: as decided, or longer where a step looks often and little changes."""
    every_s = _LOOKS_EVERY_S.get(step.kind, 0.0)
    if step.kind == "discharge" and step.estimate_s > _SLOW_DISCHARGE_S:
        every_s = _SLOW_LOOKS_EVERY_S
    if decision.next_s < getattr(step, "every_s", 1.0) - 1e-9:
        return decision.next_s  # cut short because something ends then
    return max(decision.next_s, every_s)
