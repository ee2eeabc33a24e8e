"""Writes a profile's steps out in absolute numbers: every cycle of every repeat stands in the plan."""

from collections.abc import Sequence
from dataclasses import replace

from benchwarden.profiles.plan_steps import plan_step
from benchwarden.profiles.plan_working import Working
from benchwarden.profiles.planned import PlannedRepeat, PlannedStep
from benchwarden.profiles.profile import ChargeStep, Profile, RepeatStep, Step, StoreStep
from benchwarden.profiles.quantity import Amount

# The current at which such a charge is full, as a share of its own (common practice, no source).
_TAPER = 0.1


def written_out(profile: Profile, work: Working) -> tuple[list[PlannedStep | None], tuple[PlannedRepeat, ...]]:
    """Every step, numbered from 1, and the repeats by their place in the profile; None where `work` holds a reason."""
    steps: list[PlannedStep | None] = []
    repeats: list[PlannedRepeat] = []
    for place, step in enumerate(profile.steps, start=1):
        work.place = str(place)
        if not isinstance(step, RepeatStep):
            if isinstance(step, StoreStep) and (charge := _full_first(step, profile.steps[: place - 1], work)):
                steps.append(plan_step(charge, len(steps) + 1, work))
            steps.append(plan_step(step, len(steps) + 1, work))
            continue
        repeats.append(_repeat(step, place, work))
        for cycle in range(1, step.times + 1):
            for nth, inner in enumerate(step.steps, start=1):
                work.place = f"{place}.{nth}"
                planned = plan_step(inner, len(steps) + 1, work)
                steps.append(None if planned is None else replace(planned, cycle=(place, cycle)))
            if work.reasons:
                break  # every further cycle would say the same
    return steps, tuple(repeats)


def _full_first(step: StoreStep, before: Sequence[Step], work: Working) -> ChargeStep | None:
    """The charge that a pack needs which is stored by counted charge, unless one came before it."""
    inside = (inner for one in before for inner in (one.steps if isinstance(one, RepeatStep) else (one,)))
    counted = any(isinstance(one, ChargeStep) and one.until is None for one in inside)
    if step.full_first is None or work.pack.storage_v is not None or not work.pack.chargeable or counted:
        return None
    taper = Amount(_TAPER * step.full_first.value, step.full_first.unit)
    return ChargeStep.model_construct(do="charge", current=step.full_first, taper=taper)


def _repeat(step: RepeatStep, place: int, work: Working) -> PlannedRepeat:
    below = step.until.delivered_below if step.until else None
    at_least = step.until.delivered_at_least if step.until else None
    return PlannedRepeat(
        place=place,
        times=step.times,
        at_most_s=step.at_most_s,
        rated_capacity_ah=work.pack.rated_capacity_ah,
        below=below.share if below else None,
        below_of=below.of if below else "first",
        at_least=at_least.share if at_least else None,
        at_least_of=at_least.of if at_least else "rated",
    )
