"""What a plan asks for and what a bench can tell from nothing, or take for too much. Amperes without sign."""

from collections.abc import Sequence

from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.pack import PackValues
from benchwarden.profiles.planned import (
    PlannedCharge,
    PlannedDischarge,
    PlannedLadder,
    PlannedPulse,
    PlannedPulseSeries,
    PlannedStep,
    PlannedStore,
)

_HAIR = 1e-9


def drawn_a(step: PlannedStep, pack: PackValues) -> tuple[float, float] | None:
    """The least and the most current that a step asks a load for, rests left out; None if it draws nothing.

    A constant power asks for least from a full pack, a resistance from an empty one.
    """
    match step:
        case PlannedDischarge():
            return _discharge(step, pack)
        case PlannedLadder():
            return step.rungs[0].current_a, step.rungs[-1].current_a
        case PlannedStore():
            return step.draw_a, step.draw_a
        case PlannedPulse():
            return step.low_a, step.high_a
        case PlannedPulseSeries():
            asked = (step.move_a, *(level.current_a for level in step.levels))
            return min(asked), max(asked)
        case _:
            return None


def _discharge(step: PlannedDischarge, pack: PackValues) -> tuple[float, float]:
    until_v = step.until.voltage_v if step.until else None
    top_v, low_v = pack.series * pack.top_v, pack.series * max(step.cut_off_v, until_v or 0.0)
    if step.quantity == "current":
        return step.level, step.level
    if step.quantity == "resistance":
        return low_v / step.level, top_v / step.level
    powers_w = [power_w for _, power_w in step.table[:-1] if power_w > 0] or [step.level]
    return min(powers_w) / top_v, max(powers_w) / low_v


def too_little(step: PlannedStep, pack: PackValues, bay: BayAbilities) -> str:
    """Why this bench would take a step's current for none, with both numbers and what would be right; empty if not."""
    if isinstance(step, PlannedCharge):
        return _taper_too_small(step, bay)
    asked = drawn_a(step, pack)
    if asked is None or asked[0] >= bay.least_draw_a * (1 - _HAIR):
        return ""
    known = f", whose reading may be off by {bay.load_offset_a:.3g} A" if bay.load_offset_a else ""
    better = " or a bench file that states a tighter accuracy of its load's current" if bay.load_offset_a else ""
    return (
        f"it draws as little as {asked[0]:.3g} A, and bay {bay.name} takes up to {bay.load_off_a:.3g} A of its "
        f"load{known}, for nothing; right would be {bay.least_draw_a:g} A or more: a larger pack, a higher rate{better}"
    )


def _taper_too_small(step: PlannedCharge, bay: BayAbilities) -> str:
    """A charge ends at its taper; a meter that is off by as much may never show it, or show it too early."""
    least_a = bay.supply_least_a
    if step.method != "supply" or least_a is None or step.taper_a >= least_a * (1 - _HAIR):
        return ""
    return (
        f"taper {step.taper_a:.3g} A: what the supply of bay {bay.name} shows below {least_a:.3g} A cannot be told "
        f"from nothing; right would be {least_a:.3g} A or more: a larger pack or taper, or a bench file that states a "
        "tighter accuracy of its supply's current"
    )


def near_limits(
    steps: Sequence[PlannedStep], pack: PackValues, bay: BayAbilities, max_draw_a: float, max_feed_a: float
) -> list[str]:
    """Where an honest reading of the largest draw or feed may pass the run's own limit and switch off, in words.

    Nothing is refused for it: a meter rarely errs by all that its data sheet allows, and the limit is not widened.
    """
    draws_a = [asked[1] for step in steps if (asked := drawn_a(step, pack)) is not None]
    feeds_a = [step.current_a for step in steps if isinstance(step, PlannedCharge) and step.method == "supply"]
    feeds_a += [step.feed_a for step in steps if isinstance(step, PlannedStore) and step.feed_a is not None]
    found: list[str] = []
    for name, amounts_a, offset_a, limit_a in (
        ("load", draws_a, bay.load_offset_a, max(max_draw_a, bay.load_off_a)),
        ("supply", feeds_a, bay.supply_offset_a, max_feed_a),
    ):
        most_a = max(amounts_a, default=0.0)
        if most_a and most_a + offset_a > limit_a * (1 + _HAIR):
            found.append(
                f"the {name} may read {most_a:.3g} A as {most_a + offset_a:.3g} A by the accuracy that the bench file "
                f"states, and {limit_a:.3g} A end the run: so small a pack or rate may be ended by the meter's error"
            )
    return found


def reading_error(step: PlannedStep, pack: PackValues, bay: BayAbilities) -> str:
    """What the offset of the load's reading makes of a step's draw; empty without a draw or a stated accuracy."""
    asked = drawn_a(step, pack)
    if asked is None or not bay.load_offset_a:
        return ""
    shares = [f"{100 * bay.load_offset_a / one:.2g} % of {one:.4g} A" for one in dict.fromkeys(asked)]
    return f"current to ± {bay.load_offset_a:.3g} A by the offset alone: {', '.join(shares)}"
