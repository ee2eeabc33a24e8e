"""Decides the discharge: a constant draw until the lowest group under load is at its cut-off."""

from dataclasses import dataclass, replace

from benchwarden.profiles.before_drawing import NOTHING_JUDGED, Judged, judge
from benchwarden.profiles.decision import OFF, Decision, Draw, Seen, ended, lowest_group, time_in_words
from benchwarden.profiles.planned import PlannedDischarge

_ROUNDING_S = 1e-3


@dataclass(frozen=True, slots=True)
class DischargeState:
    """What a discharge remembers: its constant wish, and what was judged before it."""

    draw: Draw
    judged: Judged = NOTHING_JUDGED


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
        if seen.output != "load":
            words += " before the load went on"
            return ended(state, "discharge", words, "not possible", (*flags, words))
        return ended(state, "discharge", words, "cut-off", flags)
    if seen.hottest_c is not None and seen.hottest_c >= step.temperature_cut_off_c:
        words = f"hottest sensor at {seen.hottest_c:.1f} °C, cut-off {step.temperature_cut_off_c:g} °C"
        flag = "ended by temperature: the delivered charge reads at least"
        return ended(state, "discharge", words, "temperature", (*flags, flag))
    left_s = step.at_most_s - seen.step_time_s
    if left_s <= _ROUNDING_S:
        words = f"not at its cut-off after {time_in_words(step.at_most_s)}"
        return ended(state, "discharge", words, "time", (*flags, f"{words}: the delivered charge reads at least"))
    return Decision(state.draw, min(step.every_s, left_s), state, "discharge", None, flags)
