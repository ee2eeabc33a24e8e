"""Decides the soak: everything off until the pack has been as warm as asked for a while."""

from dataclasses import dataclass, replace

from benchwarden.profiles.decision import OFF, Decision, Seen, ended, time_in_words
from benchwarden.profiles.planned import PlannedSoak

_ROUNDING_S = 1e-3


@dataclass(frozen=True, slots=True)
class SoakState:
    """Since when the pack has been within the range, in seconds of the step; None while it is not."""

    since_s: float | None = None


def decide_soak(step: PlannedSoak, state: SoakState, seen: Seen) -> Decision:
    """Wait until the hottest sensor has been within the range for the time asked; on expiry the run ends safe."""
    to_c = seen.ambient_c if step.to_c is None else step.to_c
    apart_k = None if to_c is None or seen.hottest_c is None else seen.hottest_c - to_c
    if apart_k is None or not abs(apart_k) <= step.within_k:
        state = replace(state, since_s=None)
    elif state.since_s is None:
        state = replace(state, since_s=seen.step_time_s)
    what = "ambient" if step.to_c is None else f"{step.to_c:g} °C"
    hold_left_s = None if state.since_s is None else state.since_s + step.hold_s - seen.step_time_s
    if hold_left_s is not None and hold_left_s <= _ROUNDING_S and seen.hottest_c is not None:
        words = f"hottest sensor at {seen.hottest_c:.1f} °C, within {step.within_k:g} K of {what}"
        return ended(state, "soak", f"{words} for {time_in_words(step.hold_s)}", "done")
    left_s = step.at_most_s - seen.step_time_s
    if left_s <= _ROUNDING_S:
        found = "no temperature" if apart_k is None else f"{abs(apart_k):.1f} K {'above' if apart_k > 0 else 'below'}"
        words = (
            f"soak expired after {time_in_words(step.at_most_s)}: {found} {'of the pack' if apart_k is None else what}"
        )
        return ended(state, "soak", words, "time", (words,), final=True)
    next_s = min(step.every_s, left_s) if hold_left_s is None else min(step.every_s, left_s, hold_left_s)
    return Decision(OFF, next_s, state, "soak")
