"""Decides the storing: to a rest voltage in ever smaller approaches from above, or by counted charge.

The rest voltage that a draw will leave is estimated as the voltage under load plus what the load had pulled
down ten seconds after it went on. That leaves out the slow part, so the pack rests above the estimate and the
next approach, with the rebound of the last one, comes nearer: it is never drawn too far.
"""

from dataclasses import dataclass, replace

from benchwarden.profiles.decision import OFF, Decision, Draw, Feed, Seen, ended, lowest_group, time_in_words
from benchwarden.profiles.planned import PlannedStore
from benchwarden.profiles.step_charge import OVERCHARGE, PAUSE_ABOVE_K, TIMER_MARGIN_S, governed_v

_NEAR_V = 0.020
_SETTLE_S = 600.0
_FIRST_SETTLE_S = 60.0
_EDGE_S = 10.0
_SHORTEST_DRAW_S = 20.0


@dataclass(frozen=True, slots=True)
class StoreState:
    """What storing remembers.

    `since_full_ah` is the net charge drawn since the last full charge when the step began, None if unknown.
    `pulled_v` is how far the last rest voltage lies above the voltage under load, None before the first
    estimate.
    """

    since_full_ah: float | None
    phase: str = "settle"
    settle_until_s: float = _FIRST_SETTLE_S
    rest_v: float | None = None
    pulled_v: float | None = None
    load_end_v: float | None = None
    set_v: float | None = None
    at_taper: int = 0


def decide_store(step: PlannedStore, state: StoreState, seen: Seen) -> Decision:
    """Bring the pack to storage; what cannot be done is flagged, not tried."""
    left_s = step.at_most_s - seen.step_time_s
    if left_s <= 1e-3:
        words = f"not at storage after {time_in_words(step.at_most_s)}"
        return ended(state, "store", words, "time", (words,))
    lowest = lowest_group(seen, step.series)
    if seen.hottest_c is not None and seen.hottest_c >= step.temperature_cut_off_c:
        words = f"hottest sensor at {seen.hottest_c:.1f} °C, cut-off {step.temperature_cut_off_c:g} °C"
        return ended(state, "store", words, "temperature", (f"not brought to storage: {words}",))
    if step.storage_v is not None:
        decision = _by_voltage(step, step.storage_v, state, seen)
    else:
        decision = _by_charge(step, state, seen)
    # Below its cut-off a pack is only ever charged; a charge has nothing to fear from it.
    if isinstance(decision.want, Draw) and lowest is not None and lowest[1] <= step.cut_off_v:
        words = f"{lowest[0]} at {lowest[1]:.3f} V, discharge cut-off {step.cut_off_v:.3f} V"
        return ended(state, "store", words, "cut-off", (f"stored too low: {words}",))
    return decision if decision.next_s <= left_s else replace(decision, next_s=left_s)


def _draw(step: PlannedStore) -> Draw:
    return Draw("current", step.draw_a, step.ceiling_a, step.trip_voltage_v, step.timer_s)


def _by_voltage(step: PlannedStore, storage_v: float, state: StoreState, seen: Seen) -> Decision:
    if state.phase == "feed":
        return _feed(step, state, seen, storage_v)
    lowest = lowest_group(seen, step.series)
    if state.phase == "draw":
        return _drawing(step, storage_v, state, seen, None if lowest is None else lowest[1])
    if seen.step_time_s < state.settle_until_s - 1e-3 or lowest is None:
        left_s = state.settle_until_s - seen.step_time_s
        return Decision(OFF, min(1.0, left_s) if left_s > 0 else 1.0, state, "store: settling")
    words, volts = lowest
    if abs(volts - storage_v) <= _NEAR_V:
        return ended(state, "store", f"{words} rests at {volts:.3f} V, storage {storage_v:.2f} V", "done")
    if volts < storage_v:
        if step.feed_a is None:
            flag = f"{words} rests at {volts:.3f} V, below storage {storage_v:.2f} V, and the bay has no supply"
            return ended(state, "store", flag, "not possible", (flag,))
        return _feed(step, replace(state, phase="feed"), seen, storage_v)
    # The rebound of the last draw is the better estimate of the next one.
    pulled_v = None if state.load_end_v is None else max(0.0, volts - state.load_end_v)
    state = replace(state, phase="draw", rest_v=volts, pulled_v=pulled_v, load_end_v=None)
    return Decision(_draw(step), 1.0, state, "store: drawing")


def _drawing(step: PlannedStore, storage_v: float, state: StoreState, seen: Seen, lowest_v: float | None) -> Decision:
    on_s = seen.since_on_s if seen.output == "load" else None
    if on_s is None or lowest_v is None:
        return Decision(_draw(step), 1.0, state, "store: drawing")
    pulled_v = state.pulled_v
    if pulled_v is None and on_s >= _EDGE_S and state.rest_v is not None:
        pulled_v = max(0.0, state.rest_v - lowest_v)
        state = replace(state, pulled_v=pulled_v)
    if pulled_v is not None and on_s >= _SHORTEST_DRAW_S and lowest_v + pulled_v <= storage_v + _NEAR_V / 2:
        state = replace(state, phase="settle", settle_until_s=seen.step_time_s + _SETTLE_S, load_end_v=lowest_v)
        return Decision(OFF, 1.0, state, "store: settling")
    return Decision(_draw(step), 1.0, state, "store: drawing")


def _feed(
    step: PlannedStore, state: StoreState, seen: Seen, to_v: float, to_charge_ah: float | None = None
) -> Decision:
    """Charge to a voltage with a taper, or until so much charge has gone in."""
    if to_charge_ah is not None and seen.charging_ah >= to_charge_ah:
        return ended(state, "store", f"charged {seen.charging_ah:.3f} Ah to storage", "done")
    if seen.charging_ah > OVERCHARGE * step.rated_capacity_ah:
        words = f"took {seen.charging_ah:.3f} Ah, more than {OVERCHARGE:g} × {step.rated_capacity_ah:g} Ah rated"
        return ended(state, "store", words, "not possible", (words,), final=True)
    lowest = lowest_group(seen, step.series)
    if seen.output == "off" and lowest is not None and lowest[1] < step.recover_below_v:
        words = f"{lowest[0]} rests at {lowest[1]:.3f} V, too low to be charged here; a charge with somebody there may"
        return ended(state, "store", words, "not possible", (words,))
    hottest_c = seen.hottest_c
    # Once it charges it may leave the range by as much as in a charge, and then pauses until it is back.
    more_k = PAUSE_ABOVE_K if seen.output == "supply" else 0.0
    if (hottest_c is None and seen.output != "supply") or not (
        hottest_c is None or step.start_low_c - more_k <= hottest_c <= step.start_high_c + more_k
    ):
        found = "no temperature of the pack" if hottest_c is None else f"pack at {hottest_c:.1f} °C"
        words = f"store: waiting: {found}; charges from {step.start_low_c:g} to {step.start_high_c:g} °C"
        return Decision(OFF, 1.0, state, words)
    if seen.output == "supply" and seen.current_a is not None and (seen.since_on_s or 0.0) >= 2.0:
        state = replace(state, at_taper=state.at_taper + 1 if seen.current_a <= step.taper_a else 0)
        if state.at_taper >= 2:
            return ended(state, "store", f"charged to {to_v:.2f} V per group with a taper", "done")
    set_v = governed_v(seen, step.series, to_v, state.set_v)
    if set_v is None or step.feed_a is None:
        return Decision(OFF, 1.0, state, "store: waiting: no pack voltage")
    return Decision(
        Feed(set_v, step.feed_a, step.at_most_s + TIMER_MARGIN_S), 1.0, replace(state, set_v=set_v), "store: charging"
    )


def _by_charge(step: PlannedStore, state: StoreState, seen: Seen) -> Decision:
    if state.since_full_ah is None or step.storage_fraction is None:
        flag = "not brought to storage: the charge drawn since the last full charge is not known"
        return ended(state, "store", flag, "not possible", (flag,))
    to_draw_ah = (1 - step.storage_fraction) * step.rated_capacity_ah - state.since_full_ah
    if state.phase == "feed" or to_draw_ah < -0.01 * step.rated_capacity_ah:
        if step.feed_a is None:
            flag = f"{-to_draw_ah:.3f} Ah below storage, and the bay has no supply"
            return ended(state, "store", flag, "not possible", (flag,))
        return _feed(step, replace(state, phase="feed"), seen, step.full_v, -to_draw_ah)
    if seen.discharging_ah >= to_draw_ah:
        words = f"drew {seen.discharging_ah:.3f} Ah to {100 * step.storage_fraction:g} % of rated"
        return ended(state, "store", words, "done")
    return Decision(_draw(step), 1.0, replace(state, phase="draw"), "store: drawing")
