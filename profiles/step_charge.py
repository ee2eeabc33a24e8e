"""Decides the charge: by the bay's supply, governed by the highest group, or by the operator's own charger."""

from dataclasses import dataclass, replace

from benchwarden.profiles.decision import (
    OFF,
    Decision,
    Feed,
    Question,
    Seen,
    ended,
    highest_group,
    lowest_group,
    time_in_words,
)
from benchwarden.profiles.planned import PlannedCharge
from benchwarden.profiles.until import NOTHING_COUNTED, UNTIL, Counted, counted, left_s, met

# Below this a pack takes half of C at most (common practice, no source); 1 K of hysteresis so that it does
# not flap.
_SLOW_BELOW_C, _HYSTERESIS_K = 15.0, 1.0
# A pack that grows warmer than this above its start range pauses until it is back in range.
PAUSE_ABOVE_K = 5.0
_RECOVER_AT_MOST_S = 1800.0
_NEAR_FULL_V = 0.010
_OPERATOR_NEAR_FULL_V = 0.030
OVERCHARGE = 1.1
# A current that stays at the taper without a full group is a supply or a lead that is off by a little, which is
# flagged, or by more, after which no test from full makes sense.
_STUCK_BEATS = 60
_NOT_FULL_V = 0.050
# The set-point moves only when it is off by a millivolt per group: the supply is not written to at every
# beat.
_STEP_V = 0.001
_GOVERNED_V = 0.050
# So much later than the step itself the supply's own timer ends a charge: it guards a computer that died.
TIMER_MARGIN_S = 60.0


@dataclass(frozen=True, slots=True)
class ChargeState:
    """What a charge remembers between two beats."""

    set_v: float | None = None
    waiting: bool = True
    slow: bool = False
    recovering_since_s: float | None = None
    at_taper: int = 0
    paused: bool = False
    asked: int = 0
    counted: Counted = NOTHING_COUNTED


def governed_v(seen: Seen, series: int, full_v: float, last_v: float | None) -> float | None:
    """Pack voltage at which the highest group is just full; None if nothing is known.

    Never above series × full. Quantised to 1 mV. `last_v` is kept while it is within 1 mV per group, and, as long as
    the highest group is far from full, while it is higher than needed: there the current governs anyway, and the
    supply is not written to at every beat.
    """
    most_v = series * full_v
    highest = highest_group(seen, series)
    if highest is None or seen.voltage_v is None:
        return last_v
    wanted_v = min(most_v, seen.voltage_v + series * (full_v - highest[1]))
    if wanted_v <= 0:
        return last_v
    if last_v is not None:
        near_full = highest[1] >= full_v - _GOVERNED_V
        most_above_v = series * _STEP_V if near_full else most_v
        if -series * _STEP_V <= last_v - wanted_v <= most_above_v:
            return last_v
    return int(wanted_v * 1000 + 1e-6) / 1000


def decide_charge(step: PlannedCharge, state: ChargeState, seen: Seen) -> Decision:
    """Charge to full by the planned method."""
    if step.method == "operator":
        return _by_operator(step, state, seen)
    return _by_supply(step, state, seen)


def _by_operator(step: PlannedCharge, state: ChargeState, seen: Seen) -> Decision:
    flags: tuple[str, ...] = ()
    if seen.answer == "done":
        problem = _not_full(step, seen)
        if not problem:
            return ended(state, "charged", "the operator charged the pack; every group is full", "done")
        flags = (f"answered done, but {problem}",)
        state = replace(state, asked=state.asked + 1)
    again = f" (asked again: {state.asked})" if state.asked else ""
    text = (
        f"Charge the pack to {step.full_v:.2f} V per group with your own charger and reconnect it; "
        f"then answer done{again}"
    )
    return Decision(Question(text, ("done",)), step.every_s, state, "waiting for the operator", None, flags)


def _not_full(step: PlannedCharge, seen: Seen) -> str:
    """Which group is not within 30 mV of full, in words; empty if none."""
    groups = seen.groups_v or (None if seen.voltage_v is None else seen.voltage_v / step.series,)
    for number, value in enumerate(groups, start=1):
        if value is None:
            return f"group {number} has no reading"
        if not abs(value - step.full_v) <= _OPERATOR_NEAR_FULL_V:
            return f"group {number} is at {value:.3f} V, not within 30 mV of {step.full_v:.2f} V"
    return ""


def _by_supply(step: PlannedCharge, state: ChargeState, seen: Seen) -> Decision:
    most_s = step.at_most_s - seen.step_time_s
    if most_s <= 1e-3:
        words = f"not full after {time_in_words(step.at_most_s)}"
        return ended(state, "charge", words, "time", (words,), final=True)
    if seen.charging_ah > OVERCHARGE * step.rated_capacity_ah:
        words = f"took {seen.charging_ah:.3f} Ah, more than {OVERCHARGE:g} × {step.rated_capacity_ah:g} Ah rated"
        return ended(state, "charge", words, "not possible", (words,), final=True)
    next_s = left_s(step.until, seen, min(step.every_s, most_s))
    state = replace(state, counted=counted(state.counted, seen, step.every_s))
    if step.until is not None and (words := met(step.until, state.counted, seen, step.series, charging=True)):
        return ended(state, "charge", words, UNTIL)
    state, flags, waits_for = _temperature(step, state, seen)
    if state.waiting:
        return Decision(OFF, next_s, state, f"waiting: {waits_for}", None, flags)
    state, more, failed = _recovery(step, state, seen)
    flags = (*flags, *more)
    if failed:
        return ended(state, "charge", failed, "not possible", flags, final=True)
    state = _counted(step, state, seen)
    highest = highest_group(seen, step.series)
    near_full = highest is not None and highest[1] >= step.full_v - _NEAR_FULL_V
    if highest is not None and near_full and state.at_taper >= 2:
        words = f"{highest[0]} at {highest[1]:.3f} V and the current below the taper {step.taper_a:g} A"
        return ended(state, "charge", words, "done", flags)
    if highest is not None and state.at_taper >= _STUCK_BEATS:
        words = f"the current fell to the taper with the {highest[0]} at {highest[1]:.3f} V of {step.full_v:.2f} V"
        final = highest[1] < step.full_v - _NOT_FULL_V
        return ended(state, "charge", words, "not possible", (*flags, words), final=final)
    set_v = governed_v(seen, step.series, step.full_v, state.set_v)
    if set_v is None:
        return Decision(OFF, next_s, state, "waiting: no pack voltage", None, flags)
    state = replace(state, set_v=set_v)
    current_a = step.current_a
    phase = "charge"
    if state.recovering_since_s is not None:
        current_a, phase = min(current_a, step.recover_current_a), "charge: recovering"
    elif state.slow:
        current_a, phase = min(current_a, step.slow_current_a), "charge: cold"
    return Decision(Feed(set_v, current_a, step.at_most_s + TIMER_MARGIN_S), next_s, state, phase, None, flags)


def _temperature(step: PlannedCharge, state: ChargeState, seen: Seen) -> tuple[ChargeState, tuple[str, ...], str]:
    """Wait outside the start range, pause when too warm, go slow when cold."""
    hottest_c = seen.hottest_c
    if hottest_c is None:
        return state, (), "no temperature of the pack"
    flags: tuple[str, ...] = ()
    waiting, paused = state.waiting, state.paused
    if waiting:
        waiting = not step.start_low_c <= hottest_c <= step.start_high_c
    elif hottest_c > step.start_high_c + PAUSE_ABOVE_K or hottest_c < step.start_low_c - PAUSE_ABOVE_K:
        waiting = True
        if not paused:
            flags = (f"charge paused at {hottest_c:.1f} °C",)
            paused = True
    slow = hottest_c < _SLOW_BELOW_C + (_HYSTERESIS_K if state.slow else 0.0)
    if (waiting, slow, paused) != (state.waiting, state.slow, state.paused):
        state = replace(state, waiting=waiting, slow=slow, paused=paused)
    words = f"pack at {hottest_c:.1f} °C; charges from {step.start_low_c:g} to {step.start_high_c:g} °C"
    return state, flags, words


def _recovery(step: PlannedCharge, state: ChargeState, seen: Seen) -> tuple[ChargeState, tuple[str, ...], str]:
    """A group that rests too low is charged slowly, for at most half an hour, if somebody is there."""
    lowest = lowest_group(seen, step.series)
    since_s = state.recovering_since_s
    if lowest is None:
        return state, (), ""
    low = lowest[1] < step.recover_below_v
    if since_s is None:
        # Only a pack at rest shows it; the first beat comes with the output off.
        if not low or seen.output != "off":
            return state, (), ""
        if lowest[1] < step.recover_least_v:
            words = f"{lowest[0]} rests at {lowest[1]:.3f} V; below {step.recover_least_v:.2f} V it is never charged"
            return state, (words,), words
        if not step.may_recover:
            words = (
                f"{lowest[0]} rests at {lowest[1]:.3f} V; below {step.recover_below_v:.2f} V it is charged only while "
                "somebody is beside it: `benchwarden run --attended …`"
            )
            return state, (words,), words
        words = f"{lowest[0]} rests at {lowest[1]:.3f} V: charged slowly until it recovers"
        return replace(state, recovering_since_s=seen.step_time_s), (words,), ""
    if not low:
        return replace(state, recovering_since_s=None), (), ""
    if seen.step_time_s - since_s > _RECOVER_AT_MOST_S:
        words = f"{lowest[0]} still at {lowest[1]:.3f} V after 30 min of slow charge"
        return state, (words,), words
    return state, (), ""


def _counted(step: PlannedCharge, state: ChargeState, seen: Seen) -> ChargeState:
    """Successive beats at or below the taper; a missing current changes nothing, a slow recovery does not count."""
    if state.recovering_since_s is not None:
        return state
    if seen.current_a is None or seen.output != "supply" or (seen.since_on_s or 0.0) < 2.0:
        return state
    count = state.at_taper + 1 if seen.current_a <= step.taper_a else 0
    return state if count == state.at_taper else replace(state, at_taper=count)
