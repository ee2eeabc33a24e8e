"""What is judged once, before the first draw of a discharge or a ladder: the surroundings, and the groups at rest."""

from dataclasses import dataclass

from benchwarden.profiles.decision import Seen, rest_spread
from benchwarden.profiles.planned import PlannedDischarge, PlannedLadder, PlannedPulseSeries

# Common practice, no source: groups that rest further apart than this were not all full.
_SPREAD_FLAGGED_V, _SPREAD_REFUSED_V = 0.030, 0.100
_HAIR_V = 1e-9
# The run's own limits trip long before; a step must end by itself all the same.
_LONGEST_WAIT_S = 60.0


@dataclass(frozen=True, slots=True)
class Judged:
    """What has been judged already."""

    ambient: bool = False
    spread: bool = False


NOTHING_JUDGED = Judged()


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is known now: flags to be recorded; `waits`: nothing is drawn yet; `refused`: why nothing ever is."""

    judged: Judged
    flags: tuple[str, ...] = ()
    waits: bool = False
    refused: str | None = None


def judge(step: PlannedDischarge | PlannedLadder | PlannedPulseSeries, judged: Judged, seen: Seen) -> Verdict:
    """Judge ambient as soon as it is known, and the groups' spread at rest; each once.

    A group that the bay can read but has not read yet waits: nothing is drawn before its rest voltage is known.
    """
    flags: tuple[str, ...] = ()
    if not judged.ambient and seen.ambient_c is not None:
        flags, judged = _ambient_flags(step, seen.ambient_c), Judged(True, judged.spread)
    if judged.spread:
        return Verdict(judged, flags)
    if seen.output == "off" and any(value is None for value in seen.groups_v):
        if seen.step_time_s < _LONGEST_WAIT_S:
            return Verdict(judged, flags, waits=True)
        words = f"a group had no reading for {_LONGEST_WAIT_S:g} s"
        return Verdict(judged, (*flags, words), refused=words)
    judged = Judged(judged.ambient, True)
    spread = rest_spread(seen)
    if spread is None or spread[0] <= _SPREAD_FLAGGED_V + _HAIR_V:
        return Verdict(judged, flags)
    if spread[0] <= _SPREAD_REFUSED_V + _HAIR_V:
        return Verdict(judged, (*flags, spread[1]))
    words = f"{spread[1]}: more than {1000 * _SPREAD_REFUSED_V:.0f} mV is refused"
    return Verdict(judged, (*flags, words), refused=words)


def _ambient_flags(step: PlannedDischarge | PlannedLadder | PlannedPulseSeries, ambient_c: float) -> tuple[str, ...]:
    low_c, high_c = step.ambient_low_c, step.ambient_high_c
    if low_c is None or high_c is None or low_c <= ambient_c <= high_c:
        return ()
    return (f"ambient {ambient_c:.1f} °C is outside {low_c:g} to {high_c:g} °C",)
