"""Decides the ladder: bursts of rising current, each held for the same time, with rests between them."""

from dataclasses import dataclass, replace

from benchwarden.profiles.before_drawing import NOTHING_JUDGED, Judged, judge
from benchwarden.profiles.decision import OFF, Decision, Draw, Seen, ended, lowest_group
from benchwarden.profiles.planned import PlannedLadder, Rung

_ROUNDING_S = 1e-3
# The first tenth of a second is the load's own rise; it does not belong to the mean of the hold.
_RISE_S = 0.1 - _ROUNDING_S
_LAST_SECOND_S = 1.0


@dataclass(frozen=True, slots=True)
class RungRecord:
    """How one burst went: whether it was held to its end with every group above the floor, and why not.

    `mean_current_a` is the mean of the measured current without sign after the load's rise; None if never
    measured.
    """

    number: int
    current_a: float
    rate_c: float
    held: bool
    mean_current_a: float | None
    lowest_v: float | None
    why_not: str


@dataclass(frozen=True, slots=True)
class LadderState:
    """Where the ladder is: the rung's index, "burst" or "rest", and what was measured in this burst so far."""

    index: int = 0
    bursting: bool = True
    rest_began_s: float = 0.0
    sum_a: float = 0.0
    count: int = 0
    lowest_v: float | None = None
    judged_at_end: bool = False
    judged: Judged = NOTHING_JUDGED
    records: tuple[RungRecord, ...] = ()


def decide_ladder(step: PlannedLadder, state: LadderState, seen: Seen) -> Decision:
    """Go up rung by rung until the floor, the temperature cut-off, the time, or the last planned rung."""
    start = judge(step, state.judged, seen)
    flags, state = start.flags, replace(state, judged=start.judged)
    if start.waits:
        return Decision(OFF, 1.0, state, "waiting for the groups", None, flags)
    if start.refused:
        return ended(state, "ladder", start.refused, "not possible", flags, final=True)
    rung = step.rungs[state.index]
    phase = f"burst {rung.number}: {rung.current_a:.1f} A" if state.bursting else f"rest {rung.number}"
    on = state.bursting and seen.output == "load" and seen.since_on_s is not None
    if on:
        state = _measured(step, state, seen)
    stop = _reason_to_stop(step, seen)
    if stop is not None:
        words, by = stop
        if on:
            state = _recorded(state, rung, False, words)
        return ended(state, phase, words, by, (*flags, *_after(state, by)))
    if seen.step_time_s >= step.at_most_s:
        words = f"not through after {step.at_most_s:g} s"
        return ended(state, phase, words, "time", (*flags, f"at least: the ladder was {words}"))
    if not state.bursting:
        return _rest(step, state, seen, flags)
    if not on or seen.since_on_s is None:
        return Decision(_draw(step, rung), step.every_s, state, phase, None, flags)
    left_s = step.hold_s - seen.since_on_s
    if left_s > _ROUNDING_S:
        return Decision(_draw(step, rung), min(step.every_s, left_s), state, phase, None, flags)
    return _held(step, state, seen, flags, phase)


def _draw(step: PlannedLadder, rung: Rung) -> Draw:
    return Draw("current", rung.current_a, rung.ceiling_a, step.trip_voltage_v, step.hold_s + 1.0)


def _measured(step: PlannedLadder, state: LadderState, seen: Seen) -> LadderState:
    sum_a, count, lowest_v, judged = state.sum_a, state.count, state.lowest_v, state.judged_at_end
    since_on_s = seen.since_on_s or 0.0
    if seen.current_a is not None and since_on_s >= _RISE_S:
        sum_a, count = sum_a - seen.current_a, count + 1
    lowest = lowest_group(seen, step.series)
    if lowest is not None:
        lowest_v = lowest[1] if lowest_v is None else min(lowest_v, lowest[1])
        judged = judged or since_on_s >= step.hold_s - _LAST_SECOND_S
    return replace(state, sum_a=sum_a, count=count, lowest_v=lowest_v, judged_at_end=judged)


def _reason_to_stop(step: PlannedLadder, seen: Seen) -> tuple[str, str] | None:
    lowest = lowest_group(seen, step.series)
    if lowest is not None and lowest[1] <= step.floor_v:
        return f"{lowest[0]} at {lowest[1]:.3f} V, {step.floor_name} {step.floor_v:.3f} V", "cut-off"
    if seen.hottest_c is not None and seen.hottest_c >= step.temperature_cut_off_c:
        return (
            f"hottest sensor at {seen.hottest_c:.1f} °C, cut-off {step.temperature_cut_off_c:g} °C",
            "temperature",
        )
    return None


def _recorded(state: LadderState, rung: Rung, held: bool, why_not: str) -> LadderState:
    mean_a = state.sum_a / state.count if state.count else None
    record = RungRecord(rung.number, rung.current_a, rung.rate_c, held, mean_a, state.lowest_v, why_not)
    return replace(state, records=(*state.records, record))


def _after(state: LadderState, by: str) -> tuple[str, ...]:
    """The flags that an early end adds."""
    flags: list[str] = []
    if by == "temperature":
        flags.append("at least: the ladder was ended by temperature")
    if not any(record.held for record in state.records):
        flags.append("no burst was held to its end")
    return tuple(flags)


def _held(step: PlannedLadder, state: LadderState, seen: Seen, flags: tuple[str, ...], phase: str) -> Decision:
    """The burst has reached its end: record it, then rest or finish."""
    rung = step.rungs[state.index]
    if state.judged_at_end:
        state = _recorded(state, rung, True, "")
    else:
        why = f"burst {rung.number} is not judged: no group voltage in its last second"
        state = _recorded(state, rung, False, why)
        flags = (*flags, why)
    if state.index + 1 == len(step.rungs):
        words = f"all {len(step.rungs)} planned bursts through, the last at {rung.current_a:.1f} A"
        flag = f"at least: the ladder was bounded by {step.bound}"
        return ended(state, phase, words, "bound", (*flags, flag))
    state = replace(state, bursting=False, rest_began_s=seen.step_time_s)
    return Decision(OFF, min(1.0, step.rest_s), state, f"rest {rung.number}", None, flags)


def _rest(step: PlannedLadder, state: LadderState, seen: Seen, flags: tuple[str, ...]) -> Decision:
    left_s = state.rest_began_s + step.rest_s - seen.step_time_s
    if left_s > _ROUNDING_S:
        return Decision(OFF, min(1.0, left_s), state, f"rest {state.index + 1}", None, flags)
    state = replace(
        state,
        index=state.index + 1,
        bursting=True,
        sum_a=0.0,
        count=0,
        lowest_v=None,
        judged_at_end=False,
    )
    rung = step.rungs[state.index]
    return Decision(_draw(step, rung), step.every_s, state, f"burst {rung.number}: {rung.current_a:.1f} A", None, flags)
