"""What a plan will have the load and the supply do, line by line and in order: set-points, protections, on and off.

Pure. What is shown is what daemon/running/hands.py sends; `tests/test_plan_commands.py` holds it against what
instruments get.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from benchwarden.daemon.running.checks import TIMER_S
from benchwarden.daemon.running.protections import WORDS
from benchwarden.profiles.plan import Plan
from benchwarden.profiles.planned import (
    PlannedAsk,
    PlannedCharge,
    PlannedDischarge,
    PlannedInspect,
    PlannedLadder,
    PlannedPulse,
    PlannedPulseSeries,
    PlannedRest,
    PlannedSoak,
    PlannedStep,
    PlannedStore,
)
from benchwarden.profiles.preflight import pulse_current_a
from benchwarden.profiles.step_charge import TIMER_MARGIN_S
from benchwarden.profiles.step_pulse import pulse_timer_s
from benchwarden.profiles.steps import Draw, Feed

OFF = "load, supply: off"
OFF_ALONE = "load: off"
_UNITS = {"current": "A", "power": "W", "resistance": "ohm"}
ONCE, MAY_MISS, REPEATS = "once", "unless it ends before", "none, once or several times"


@dataclass(frozen=True, slots=True)
class Switching:
    """One output on and off again. `times`: `ONCE`; `MAY_MISS`, where the step may end before; `REPEATS`.

    While a supply is on, its voltage set-point follows the highest group and stays at or below what its line says.
    """

    lines: tuple[str, ...]
    times: str


@dataclass(frozen=True, slots=True)
class StepCommands:
    """What one step has done, by its number in the plan; 0 is the test pulse before the first step."""

    number: int
    switchings: tuple[Switching, ...]


def commands(plan: Plan, lacks: Mapping[str, Sequence[str]]) -> list[StepCommands]:
    """Return what every step will have done, all off at its beginning and at its end.

    `lacks`: by instrument which protections it does not have (keys of `WORDS`), as daemon/running/protections.py says.
    """
    sheet = _Sheet(plan, lacks)
    found: list[StepCommands] = []
    level_a = pulse_current_a(plan)
    if level_a is not None:
        ceiling_a = min(1.1 * level_a, plan.limits.max_draw_a)
        pulse = Draw("current", level_a, ceiling_a, plan.limits.pack_low_v, TIMER_S)
        found.append(StepCommands(0, (Switching(sheet.drawing(pulse), MAY_MISS),)))
    found += [StepCommands(step.number, sheet.step(step)) for step in plan.steps]
    return found


class _Sheet:
    """Writes lines; `lacks` by instrument."""

    def __init__(self, plan: Plan, lacks: Mapping[str, Sequence[str]]) -> None:
        self._plan = plan
        # Of loads in parallel, what one of them lacks.
        self._load_lacks = {key for name, keys in lacks.items() if name != "supply" for key in keys}
        self._supply_lacks = set(lacks.get("supply", ()))
        self._off = OFF if plan.bay.has_supply else OFF_ALONE

    def step(self, step: PlannedStep) -> tuple[Switching, ...]:
        """What one step switches, in order."""
        match step:
            case PlannedCharge():
                return self._charge(step)
            case PlannedDischarge():
                draw = Draw(step.quantity, step.level, step.ceiling_a, step.trip_voltage_v, step.timer_s)
                if step.table:
                    return (Switching(self._following(draw), REPEATS),)
                return (Switching(self.drawing(draw), MAY_MISS),)
            case PlannedPulse():
                timer_s = pulse_timer_s(step.low_s + step.high_s)
                low = Draw("current", step.low_a, step.ceiling_a, step.trip_voltage_v, timer_s)
                return (Switching(self.drawing(low, replace(low, level=step.high_a)), MAY_MISS),)
            case PlannedPulseSeries():
                return self._series(step) * step.portions
            case PlannedLadder():
                return tuple(
                    Switching(
                        self.drawing(
                            Draw("current", rung.current_a, rung.ceiling_a, step.trip_voltage_v, step.hold_s + 1.0)
                        ),
                        MAY_MISS,
                    )
                    for rung in step.rungs
                )
            case PlannedStore():
                return self._store(step)
            case PlannedAsk() | PlannedRest() | PlannedInspect() | PlannedSoak():
                return ()

    def _series(self, step: PlannedPulseSeries) -> tuple[Switching, ...]:
        """One portion: the charge is taken out, then the pulses of every level."""
        trip_v = step.trip_voltage_v
        draws = [Draw("current", step.move_a, step.move_ceiling_a, trip_v, step.move_timer_s)]
        timer_s = pulse_timer_s(step.hold_s)
        draws += [Draw("current", one.current_a, one.ceiling_a, trip_v, timer_s) for one in step.levels]
        return tuple(Switching(self.drawing(draw), MAY_MISS) for draw in draws)

    def _charge(self, step: PlannedCharge) -> tuple[Switching, ...]:
        if step.method != "supply":
            return ()
        # A pause when it is too warm opens and closes again.
        return (
            Switching(
                self._feeding(Feed(step.series * step.full_v, step.current_a, step.at_most_s + TIMER_MARGIN_S)), REPEATS
            ),
        )

    def _store(self, step: PlannedStore) -> tuple[Switching, ...]:
        draw = Draw("current", step.draw_a, step.ceiling_a, step.trip_voltage_v, step.timer_s)
        found = [Switching(self.drawing(draw), REPEATS)]
        if step.feed_a is not None:
            to_v = step.full_v if step.storage_v is None else step.storage_v
            found.append(
                Switching(
                    self._feeding(Feed(step.series * to_v, step.feed_a, step.at_most_s + TIMER_MARGIN_S)), REPEATS
                )
            )
        return tuple(found)

    def drawing(self, draw: Draw, then: Draw | None = None) -> tuple[str, ...]:
        """The lines of one draw, as `Hands` carries it out; `then` changes its level while it is on."""
        more = () if then is None else (_level(then),)
        return (*self._guards(draw), _level(draw), "load: on", *more, self._off)

    def _following(self, draw: Draw) -> tuple[str, ...]:
        """The lines of a draw whose level follows a record up to its highest; at 0 W it is off for so long."""
        return (*self._guards(draw), _level(draw).replace(": power ", ": power at most "), "load: on", self._off)

    def _guards(self, draw: Draw) -> list[str]:
        plan = self._plan
        wanted = {
            "under_voltage": f"at {number(draw.trip_voltage_v)} V",
            "over_current": f"at {number(plan.limits.max_draw_a)} A",
            "over_power": f"at {number(plan.bay.load_max_power_w)} W",
            "timer": None if draw.timer_s is None else f"{number(draw.timer_s)} s",
        }
        return [f"load: {WORDS[key]} {at}" for key, at in wanted.items() if at and key not in self._load_lacks]

    def _feeding(self, feed: Feed) -> tuple[str, ...]:
        limits = self._plan.limits
        wanted = {
            "over_voltage": f"at {number(limits.pack_high_v)} V",
            "over_current": f"at {number(limits.max_feed_a)} A",
        }
        if feed.timer_s is not None:
            wanted["timer"] = f"{number(feed.timer_s)} s"
        lines = [f"supply: {WORDS[key]} {at}" for key, at in wanted.items() if key not in self._supply_lacks]
        lines.append(f"supply: at most {number(feed.voltage_v)} V, {number(feed.current_a)} A")
        return (*lines, "supply: on", self._off)


def _level(draw: Draw) -> str:
    return f"load: {draw.quantity} {number(draw.level)} {_UNITS[draw.quantity]}, ceiling {number(draw.ceiling_a)} A"


def number(value: float) -> str:
    """Return a set-point as it is written to an instrument: to four decimals, without idle zeros."""
    return f"{round(value, 4):.10g}"
