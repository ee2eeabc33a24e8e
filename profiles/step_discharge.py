"""Decides the discharge: a constant draw until the lowest group under load is at its cut-off."""

from dataclasses import dataclass, replace

from benchwarden.profiles.decision import (
    OFF,
    Decision,
    Draw,
    Seen,
    ended,
    lowest_group,
    rest_spread,
    time_in_words,
)
from benchwarden.profiles.planned import PlannedDischarge, PlannedLadder

_ROUNDING_S = 1e-3
# Common practice, no source: groups that rest further apart than this were not all full.
_SPREAD_FLAGGED_V, _SPREAD_REFUSED_V = 0.030, 0.100
_HAIR_V = 1e-9


@dataclass(frozen=True, slots=True)
class DischargeState:
    """What a discharge remembers: its constant wish, and whether ambient was already judged."""

    draw: Draw
    ambient_judged: bool = False
    spread_judged: bool = False


def begin_discharge(step: PlannedDischarge) -> DischargeState:
    """The state before the first beat."""
    return DischargeState(Draw(step.quantity, step.level, step.ceiling_a, step.trip_voltage_v, step.at_most_s))


def ambient_flags(step: PlannedDischarge | PlannedLadder, seen: Seen) -> tuple[str, ...]:
    """A flag if ambient is known and outside what the profile asks for."""
    low_c, high_c, ambient_c = step.ambient_low_c, step.ambient_high_c, seen.ambient_c
    if low_c is None or high_c is None or ambient_c is None or low_c <= ambient_c <= high_c:
        return ()
    return (f"ambient {ambient_c:.1f} °C is outside {low_c:g} to {high_c:g} °C",)


def spread_flags(seen: Seen) -> tuple[tuple[str, ...], bool]:
    """Flags for groups that rest apart before a draw, and whether that refuses it."""
    spread = rest_spread(seen)
    if spread is None or spread[0] <= _SPREAD_FLAGGED_V + _HAIR_V:
        return (), False
    if spread[0] <= _SPREAD_REFUSED_V + _HAIR_V:
        return (spread[1],), False
    return (f"{spread[1]}: more than {1000 * _SPREAD_REFUSED_V:.0f} mV is refused",), True


def groups_unseen(seen: Seen) -> bool:
    """Whether a group that the bay can read has not been read: nothing is drawn before its rest voltage is known."""
    return any(value is None for value in seen.groups_v)


def decide_discharge(step: PlannedDischarge, state: DischargeState, seen: Seen) -> Decision:
    """Draw until the cut-off, the temperature cut-off or the time; a missing value ends nothing."""
    flags: tuple[str, ...] = ()
    if not state.ambient_judged and seen.ambient_c is not None:
        flags = ambient_flags(step, seen)
        state = replace(state, ambient_judged=True)
    if not state.spread_judged:
        if seen.output == "off" and groups_unseen(seen):
            return Decision(OFF, 1.0, state, "waiting for the groups", None, flags)
        more, refused = spread_flags(seen)
        flags, state = (*flags, *more), replace(state, spread_judged=True)
        if refused:
            return ended(state, "discharge", more[0], "not possible", flags, final=True)
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
