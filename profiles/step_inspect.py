"""Decides the inspection of a balance lead: several looks with everything off, then a verdict that names taps."""

from dataclasses import dataclass, replace

from benchwarden.profiles.decision import OFF, Decision, Seen, ended
from benchwarden.profiles.planned import PlannedInspect
from benchwarden.profiles.taps import Taps, pack_wrong, taps_wrong

_ROUNDING_S = 1e-3
# A tap that moves by more than this at rest has a bad contact (common practice, no source).
_UNSTEADY_V = 0.010
_HAIR_V = 1e-9


@dataclass(frozen=True, slots=True)
class InspectState:
    """The lowest and the highest that each group has read so far, volts; None before its first reading."""

    lowest_v: tuple[float | None, ...] = ()
    highest_v: tuple[float | None, ...] = ()


def decide_inspect(step: PlannedInspect, state: InspectState, seen: Seen) -> Decision:
    """Look for the time asked, then pass, or end the run with everything that is wrong."""
    state = _looked(state, seen)
    left_s = step.for_s - seen.step_time_s
    if left_s > _ROUNDING_S:
        return Decision(OFF, min(step.every_s, left_s), state, "inspect")
    problems = _problems(step, state, seen)
    if problems:
        return ended(state, "inspect", "; ".join(problems), "not possible", tuple(problems), final=True)
    return ended(state, "inspect", _in_words(step, seen), "done")


def _looked(state: InspectState, seen: Seen) -> InspectState:
    if len(state.lowest_v) != len(seen.groups_v):
        return InspectState(seen.groups_v, seen.groups_v)
    lowest = [
        new if old is None else old if new is None else min(old, new)
        for old, new in zip(state.lowest_v, seen.groups_v, strict=True)
    ]
    highest = [
        new if old is None else old if new is None else max(old, new)
        for old, new in zip(state.highest_v, seen.groups_v, strict=True)
    ]
    return replace(state, lowest_v=tuple(lowest), highest_v=tuple(highest))


def _problems(step: PlannedInspect, state: InspectState, seen: Seen) -> list[str]:
    taps = Taps("on the bench", step.series, step.low_v, step.high_v, step.taps, step.channels)
    problems = pack_wrong(seen.voltage_v, taps, step.series * step.low_v, step.series * step.high_v)
    problems += taps_wrong(seen.groups_v, seen.voltage_v, taps)
    for number, (low, high) in enumerate(zip(state.lowest_v, state.highest_v, strict=True), start=1):
        if low is not None and high is not None and high - low > _UNSTEADY_V + _HAIR_V:
            problems.append(f"group {number}: moved by {1000 * (high - low):.0f} mV at rest: a tap of it is loose")
    known = [value for value in seen.groups_v if value is not None]
    if not problems and len(known) > 1:
        spread_v = max(known) - min(known)
        if spread_v > step.spread_v + _HAIR_V:
            place = known.index(min(known)) + 1
            problems.append(
                f"groups rest {1000 * spread_v:.0f} mV apart, at most {1000 * step.spread_v:.0f} mV are asked for; "
                f"group {place} is lowest, group {known.index(max(known)) + 1} highest"
            )
    return problems


def _in_words(step: PlannedInspect, seen: Seen) -> str:
    pack = f"pack {seen.voltage_v:.3f} V" if seen.voltage_v is not None else "no pack voltage"
    known = [value for value in seen.groups_v if value is not None]
    if not known:
        return f"{pack}; no meter for groups"
    return (
        f"{len(known)} of {step.series} groups in order, {min(known):.3f} to {max(known):.3f} V, sum "
        f"{sum(known):.3f} V, {pack}"
    )
