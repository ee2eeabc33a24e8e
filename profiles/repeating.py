"""Decides which cycles of a repeat are left out, from what those before it delivered and how long they took.

A plan has every cycle written out, so that what is shown is what is done; a run only ever leaves cycles out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchwarden.profiles.decision import Decision, time_in_words
from benchwarden.profiles.planned import PlannedRepeat, PlannedStep


@dataclass(frozen=True, slots=True)
class Delivered:
    """What a discharge of a cycle delivered, in Ah, and whether the pack's cut-off ended it."""

    place: int
    cycle: int
    charge_ah: float
    to_cut_off: bool


@dataclass(frozen=True, slots=True)
class Past:
    """What a run remembers of its repeats: every discharge, and the time of each repeat's steps by its place (s)."""

    delivered: tuple[Delivered, ...] = ()
    took_s: tuple[tuple[int, float], ...] = ()
    # The cycle that was begun last: one that has begun is done to its end.
    begun: tuple[int, int] | None = None


NO_PAST = Past()


def repeat_words(repeat: PlannedRepeat, first: int, last: int, end: int) -> str:
    """How often steps `first` to `last` are done, for people, and what ends that before step `end`."""
    words = (
        f"steps {first} to {last} are done {repeat.times} times (to step {end}), "
        f"no cycle begins after {time_in_words(repeat.at_most_s)}"
    )
    for share, of, what in (
        (repeat.below, repeat.below_of, "below"),
        (repeat.at_least, repeat.at_least_of, "at least"),
    ):
        if share is not None:
            reference = f"{repeat.rated_capacity_ah:g} Ah rated" if of == "rated" else "the first cycle's"
            words += f", or once the last discharge delivered {what} {100 * share:g} % of {reference}"
    return words


def remembered(past: Past, step: PlannedStep, decision: Decision, took_s: float, drawn_ah: float) -> Past:
    """The past with one more step that has ended: how it did, how long it took (s), what it drew (Ah)."""
    if step.cycle is None:
        return past
    place, cycle = step.cycle
    times = dict(past.took_s)
    times[place] = times.get(place, 0.0) + took_s
    delivered = past.delivered
    if step.kind == "discharge":
        earlier = tuple(one for one in delivered if (one.place, one.cycle) != step.cycle)
        delivered = (*earlier, Delivered(place, cycle, drawn_ah, decision.ended_by == "cut-off"))
    return replace(past, delivered=delivered, took_s=tuple(times.items()), begun=step.cycle)


def left_out(step: PlannedStep, repeats: Sequence[PlannedRepeat], past: Past) -> str:
    """Why a step is left out, in words; empty if it is to be done."""
    if step.cycle is None or step.cycle == past.begun:
        return ""
    place = step.cycle[0]
    repeat = next((one for one in repeats if one.place == place), None)
    if repeat is None or past.begun is None or past.begun[0] != place:
        return ""  # its first cycle
    took_s = dict(past.took_s).get(place, 0.0)
    if took_s >= repeat.at_most_s:
        return f"repeated for {time_in_words(round(took_s))} of at most {time_in_words(repeat.at_most_s)}"
    return _judged(repeat, [one for one in past.delivered if one.place == place])


def _judged(repeat: PlannedRepeat, delivered: Sequence[Delivered]) -> str:
    whole = [one for one in delivered if one.to_cut_off]
    first = whole[0] if whole else None
    last = delivered[-1] if delivered else None
    if last is None:
        return ""
    if repeat.at_least is not None:
        of_ah, of = _reference(repeat.at_least_of, repeat, first)
        # A discharge that something else ended delivered this or more.
        if of_ah is not None and last.charge_ah >= repeat.at_least * of_ah:
            return f"cycle {last.cycle} delivered {last.charge_ah:.3f} Ah, at least {100 * repeat.at_least:g} % of {of}"
    if repeat.below is not None and last.to_cut_off:
        of_ah, of = _reference(repeat.below_of, repeat, first)
        if of_ah is not None and last.charge_ah < repeat.below * of_ah:
            return f"cycle {last.cycle} delivered {last.charge_ah:.3f} Ah, below {100 * repeat.below:g} % of {of}"
    return ""


def _reference(of: str, repeat: PlannedRepeat, first: Delivered | None) -> tuple[float | None, str]:
    if of == "rated":
        return repeat.rated_capacity_ah, f"{repeat.rated_capacity_ah:g} Ah rated"
    if first is None:
        return None, ""
    return first.charge_ah, f"{first.charge_ah:.3f} Ah of cycle {first.cycle}"
