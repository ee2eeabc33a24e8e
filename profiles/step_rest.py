"""Decides the steps in which nothing flows: the rest and the question to the operator."""

from dataclasses import dataclass

from benchwarden.profiles.decision import OFF, Decision, Question, Seen, ended, time_in_words
from benchwarden.profiles.planned import PlannedAsk, PlannedRest

# A beat that comes a hair early by rounding is the beat that was asked for.
_ROUNDING_S = 1e-3


@dataclass(frozen=True, slots=True)
class Idle:
    """Neither step remembers anything."""


IDLE = Idle()


def decide_ask(step: PlannedAsk, seen: Seen) -> Decision:
    """Ask until one of the answers is given."""
    if seen.answer in step.answers:
        return ended(IDLE, "answered", f"the operator answered {seen.answer!r}", "done")
    return Decision(Question(step.text, step.answers), 1.0, IDLE, "waiting for an answer")


def decide_rest(step: PlannedRest, seen: Seen) -> Decision:
    """Rest for the time asked and until the hottest sensor is as asked; on expiry the run ends safe."""
    at_least_left_s = step.at_least_s - seen.step_time_s
    if at_least_left_s > _ROUNDING_S:
        return Decision(OFF, min(step.every_s, at_least_left_s), IDLE, "rest")
    still = _still_missing(step, seen)
    after = time_in_words(round(seen.step_time_s, 1))
    if not still:
        words = f"rested {after}"
        if seen.hottest_c is not None and (step.until_within_k is not None or step.until_below_c is not None):
            words += f", hottest sensor at {seen.hottest_c:.1f} °C"
        return ended(IDLE, "rest", words, "done")
    # A plan never has a condition without at_most; without one the rest would have ended above.
    left_s = (step.at_most_s if step.at_most_s is not None else step.at_least_s) - seen.step_time_s
    if left_s <= _ROUNDING_S:
        words = f"rest expired after {after}: {still}"
        return ended(IDLE, "rest", words, "time", (words,), final=True)
    return Decision(OFF, min(step.every_s, left_s), IDLE, f"rest: {_waits_for(step)}")


def _waits_for(step: PlannedRest) -> str:
    wanted = []
    if step.until_within_k is not None:
        wanted.append(f"until within {step.until_within_k:g} K of ambient")
    if step.until_below_c is not None:
        wanted.append(f"until below {step.until_below_c:g} °C")
    return " and ".join(wanted)


def _still_missing(step: PlannedRest, seen: Seen) -> str:
    """What is not yet as asked, in words; empty if all is."""
    hottest_c, ambient_c = seen.hottest_c, seen.ambient_c
    if step.until_within_k is not None:
        if hottest_c is None or ambient_c is None:
            return "no temperature of the pack and of ambient"
        apart_k = hottest_c - ambient_c
        if not abs(apart_k) <= step.until_within_k:
            return f"pack still {abs(apart_k):.1f} K {'above' if apart_k > 0 else 'below'} ambient"
    if step.until_below_c is not None:
        if hottest_c is None:
            return "no temperature of the pack"
        if not hottest_c < step.until_below_c:
            return f"pack still at {hottest_c:.1f} °C, not below {step.until_below_c:g} °C"
    return ""
