"""Decides the discharge: a draw, constant or as a flight was recorded, until the lowest group is at its cut-off."""

from bisect import bisect_right
from dataclasses import dataclass, replace

from benchwarden.profiles.before_drawing import NOTHING_JUDGED, Judged, judge
from benchwarden.profiles.decision import OFF, Decision, Draw, Seen, ended, lowest_group, time_in_words
from benchwarden.profiles.planned import PlannedDischarge
from benchwarden.profiles.until import NOTHING_COUNTED, UNTIL, Counted, counted, left_s, met

_ROUNDING_S = 1e-3


@dataclass(frozen=True, slots=True)
class DischargeState:
    """What a discharge remembers: its wish, what was judged before it, its energy, and when its record began (s)."""

    draw: Draw
    judged: Judged = NOTHING_JUDGED
    counted: Counted = NOTHING_COUNTED
    began_s: float | None = None


def begin_discharge(step: PlannedDischarge) -> DischargeState:
    """The state before the first beat."""
    return DischargeState(Draw(step.quantity, step.level, step.ceiling_a, step.trip_voltage_v, step.timer_s))


def decide_discharge(step: PlannedDischarge, state: DischargeState, seen: Seen) -> Decision:
    """Draw until the cut-off, the temperature cut-off or the time; a missing value ends nothing."""
    start = judge(step, state.judged, seen)
    flags, state = start.flags, replace(state, judged=start.judged)
    if start.waits:
        return Decision(OFF, 1.0, state, "waiting for the groups", None, flags)
    if start.refused:
        return ended(state, "discharge", start.refused, "not possible", flags, final=True)
    lowest = lowest_group(seen, step.series)
    if lowest is not None and lowest[1] <= step.cut_off_v:
        words = f"{lowest[0]} at {lowest[1]:.3f} V, {step.cut_off_name} {step.cut_off_v:.3f} V"
        if seen.output != "load" and state.began_s is None:
            words += " before the load went on"
            return ended(state, "discharge", words, "not possible", (*flags, words))
        return ended(state, "discharge", words, "cut-off", flags)
    if seen.hottest_c is not None and seen.hottest_c >= step.temperature_cut_off_c:
        words = f"hottest sensor at {seen.hottest_c:.1f} °C, cut-off {step.temperature_cut_off_c:g} °C"
        flag = "ended by temperature: the delivered charge reads at least"
        return ended(state, "discharge", words, "temperature", (*flags, flag))
    state = replace(state, counted=counted(state.counted, seen, step.every_s))
    if step.until is not None and (words := met(step.until, state.counted, seen, step.series, charging=False)):
        return ended(state, "discharge", words, UNTIL, flags)
    most_s = step.at_most_s - seen.step_time_s
    if most_s <= _ROUNDING_S:
        words = f"not at its cut-off after {time_in_words(step.at_most_s)}"
        return ended(state, "discharge", words, "time", (*flags, f"{words}: the delivered charge reads at least"))
    next_s = left_s(step.until, seen, min(step.every_s, most_s))
    if not step.table:
        return Decision(state.draw, next_s, state, "discharge", None, flags)
    return _as_recorded(step, state, seen, next_s, flags)


def _as_recorded(
    step: PlannedDischarge, state: DischargeState, seen: Seen, next_s: float, flags: tuple[str, ...]
) -> Decision:
    """The power of the record's row that it is time for; the record begins with the first draw and loops."""
    if state.began_s is None:
        first_w = next(power_w for _, power_w in step.table if power_w > 0)
        if seen.output != "load":
            # The load takes its time to go on: the record's clock begins when it is on.
            return Decision(replace(state.draw, level=first_w), next_s, state, "discharge", None, flags)
        begin_s = next(time_s for time_s, power_w in step.table if power_w > 0)
        state = replace(state, began_s=seen.step_time_s - begin_s)
    flown_s = seen.step_time_s - (state.began_s or 0.0)
    in_record_s = flown_s % step.table_s
    # A beat that comes a hair early by rounding is the beat that was asked for.
    if step.table_s - in_record_s <= _ROUNDING_S:
        in_record_s = 0.0
    place = bisect_right(step.table, in_record_s + _ROUNDING_S, key=lambda row: row[0]) - 1
    power_w, row_ends_s = step.table[place][1], step.table[place + 1][0]
    next_s = min(next_s, max(row_ends_s - in_record_s, _ROUNDING_S))
    phase = f"flight {int((flown_s + _ROUNDING_S) // step.table_s) + 1}"
    want = replace(state.draw, level=power_w) if power_w > 0 else OFF
    return Decision(want, next_s, state, phase, None, flags)
