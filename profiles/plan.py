"""A plan: a profile worked out for one pack in one bay. What is shown before the start is what is executed."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.decision import time_in_words
from benchwarden.profiles.fingerprint import fingerprint, fingerprint_parts
from benchwarden.profiles.least_drawn import near_limits, reading_error
from benchwarden.profiles.pack import Pack, PackValues, resolved
from benchwarden.profiles.plan_repeat import written_out
from benchwarden.profiles.plan_working import Working, rounded
from benchwarden.profiles.planned import (
    PlannedAsk,
    PlannedCharge,
    PlannedDischarge,
    PlannedInspect,
    PlannedLadder,
    PlannedPulse,
    PlannedPulseSeries,
    PlannedRepeat,
    PlannedRest,
    PlannedSoak,
    PlannedStep,
    PlannedStore,
    most_drawn_a,
)
from benchwarden.profiles.profile import (
    ChargeStep,
    DischargeStep,
    LadderStep,
    Profile,
    PulseStep,
    StoreStep,
    every_step,
)
from benchwarden.profiles.repeating import repeat_words

__all__ = ["BayAbilities", "Plan", "PlanLimits", "PlanRefused", "describe", "plan_as_data", "work_out"]

_OVER_CEILING = 1.05
# Colder than this is a broken probe or no place for a pack (common practice, no source).
_COLDEST_C = -20.0
# A pack is looked at for so long after the last current through it.
WATCH_S = 1800.0
_WATCH_EVERY_S = 10.0
_CHARGES = ("supply", "operator")


class PlanRefused(Exception):
    """A profile cannot be done with this pack in this bay; `reasons` holds every reason in words."""

    def __init__(self, reasons: Sequence[str]) -> None:
        super().__init__("\n".join(reasons))
        self.reasons = list(reasons)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanLimits:
    """The hard limits of a run: what lies outside ends it and switches off.

    Volts per group and of the pack, amperes without sign, degrees Celsius; how many seconds without a valid
    value are borne. `recover_low_v`: what a group may rest at, with somebody there, until an attended charge has
    brought it back; None where that is no lower than `group_low_v`.
    """

    group_low_v: float
    group_high_v: float
    pack_low_v: float
    pack_high_v: float
    max_draw_a: float
    max_feed_a: float
    temperature_high_c: float
    temperature_low_c: float
    recover_low_v: float | None = None
    blind_voltage_s: float = 3.0
    blind_burst_s: float = 0.5
    blind_groups_s: float = 3.0
    blind_temperature_s: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that a run will do, in absolute numbers; `attended`: while somebody sits beside it."""

    title: str
    purpose: str
    pack: PackValues
    bay: BayAbilities
    steps: tuple[PlannedStep, ...]
    limits: PlanLimits
    defaults: tuple[str, ...]
    notes: tuple[str, ...]
    fingerprint: str
    fingerprint_parts: dict[str, Any]
    attended: bool = False
    repeats: tuple[PlannedRepeat, ...] = ()

    @property
    def estimate_s(self) -> float:
        """How long the run will take, in seconds, roughly."""
        return sum(step.estimate_s for step in self.steps)


def work_out(profile: Profile, pack: Pack, bay: BayAbilities) -> Plan:
    """The plan for a pack in a bay; PlanRefused with every reason if it cannot be done as written.

    Nothing is clipped: a step beyond the pack or the instruments is refused. Only the ladder ends at the
    smallest bound, which its step names.
    """
    values = resolved(pack)
    work = Working(values, bay, profile.ambient, tables={name: profile.table(name) for name in profile.tables})
    _bay_fits(profile, work)
    steps, repeats = written_out(profile, work)
    if work.reasons:
        raise PlanRefused(work.reasons)
    planned = watched_at_the_end(tuple(step for step in steps if step is not None))
    parts = fingerprint_parts(profile, values, bay)
    limits = _limits(planned, values, bay)
    return Plan(
        title=profile.title,
        purpose=profile.purpose,
        pack=values,
        bay=bay,
        steps=planned,
        limits=limits,
        defaults=values.defaults,
        notes=(
            *([f"caution: {profile.cautions}"] if profile.cautions else []),
            *_notes(planned, values, bay),
            *near_limits(planned, values, bay, limits.max_draw_a, limits.max_feed_a),
        ),
        fingerprint=fingerprint(parts),
        fingerprint_parts=parts,
        repeats=repeats,
    )


def watched_at_the_end(steps: tuple[PlannedStep, ...]) -> tuple[PlannedStep, ...]:
    """The steps, and a rest after them unless the plan's own look at the pack for 30 min after its last current.

    Cells go on warming after a test, and what goes wrong then is seen by nobody else. Not in the fingerprint: nothing
    is measured any more.
    """
    rested_s = 0.0
    for step in reversed(steps):
        if isinstance(step, PlannedRest):
            rested_s += step.at_least_s
        elif not isinstance(step, PlannedAsk | PlannedInspect | PlannedSoak):
            break
    else:
        return steps  # nothing ever flows
    if rested_s >= WATCH_S:
        return steps
    left_s = WATCH_S - rested_s
    watch = PlannedRest(
        number=steps[-1].number + 1,
        title="watch after the last current",
        estimate_s=left_s,
        at_least_s=left_s,
        until_within_k=None,
        until_below_c=None,
        at_most_s=None,
        every_s=_WATCH_EVERY_S,
    )
    return (*steps, watch)


def _bay_fits(profile: Profile, work: Working) -> None:
    pack, bay = work.pack, work.bay
    if bay.charge not in _CHARGES:
        work.reasons.append(f'bay {bay.name}: charge = {bay.charge!r}; right would be "supply" or "operator"')
    if bay.group_channels not in (0, pack.series):
        work.reasons.append(
            f"bay {bay.name}: {bay.group_channels} group channels for a pack of {pack.series} groups; "
            f"right would be {pack.series}"
        )
    flows = any(
        isinstance(step, DischargeStep | LadderStep | StoreStep | PulseStep)
        or (isinstance(step, ChargeStep) and bay.charge == "supply")
        for _, step in every_step(profile)
    )
    if flows and not bay.pack_places:
        work.reasons.append(f"bay {bay.name}: no temperature sensor on the pack; at least one is needed")


def _limits(steps: Sequence[PlannedStep], pack: PackValues, bay: BayAbilities) -> PlanLimits:
    draw_a, feed_a = max(map(most_drawn_a, steps), default=0.0), 0.0
    for step in steps:
        match step:
            case PlannedStore():
                feed_a = max(feed_a, step.feed_a or 0.0)
            case PlannedCharge() if step.method == "supply":
                feed_a = max(feed_a, step.current_a)
    return PlanLimits(
        group_low_v=pack.hard_low_v,
        group_high_v=pack.hard_high_v,
        pack_low_v=rounded(pack.series * pack.hard_low_v),
        pack_high_v=rounded(pack.series * pack.hard_high_v),
        # The ceilings lie within the ratings; 5 % above them is measuring error and overshoot.
        max_draw_a=rounded(_OVER_CEILING * draw_a),
        max_feed_a=rounded(_OVER_CEILING * feed_a),
        temperature_high_c=pack.temperature_limit_c,
        temperature_low_c=_COLDEST_C,
    )


def _notes(steps: Sequence[PlannedStep], pack: PackValues, bay: BayAbilities) -> tuple[str, ...]:
    notes: list[str] = [*pack.lowered]
    if any(most_drawn_a(step) > 0 for step in steps):
        trip_v = pack.series * pack.hard_low_v
        notes.append(f"the load's own trip at {trip_v:g} V guards the pack, not a weak group")
    if pack.mass_kg is None:
        notes.append(
            "no mass in the pack file: whether a probe fell off is not judged, and whether the pack warms by itself as "
            f"if it weighed {1e3 * pack.lightest_kg:.0f} g, half of what is typical of {pack.chemistry}"
        )
    if bay.group_channels == 0 and pack.series > 1:
        notes.append(f"no group voltages: cut-offs are judged on pack voltage / {pack.series}, a weak group unseen")
    if bay.sense != "pack connector":
        notes.append("sensed at the instrument's terminals: energy and resistance carry the drop of the leads")
    if bay.taps == "cumulative" and bay.group_channels > 1:
        notes.append("cumulative taps: the uncertainty of a group's voltage is doubled")
    if any(isinstance(step, PlannedCharge) and step.method == "supply" for step in steps):
        notes.append("the first charge of a pack is attended; confirm its chemistry and full voltage")
    notes += _never_charged(steps)
    return tuple(notes)


def _never_charged(steps: Sequence[PlannedStep]) -> list[str]:
    """Repeats that empty the pack and never fill it: from the second cycle on there is nothing to draw."""
    found: list[str] = []
    for place in dict.fromkeys(step.cycle[0] for step in steps if step.cycle is not None):
        inside = [step for step in steps if step.cycle == (place, 1)]
        empties = any(
            isinstance(step, PlannedLadder | PlannedPulseSeries)
            or (isinstance(step, PlannedDischarge) and step.until is None)
            for step in inside
        )
        again = any(step.cycle == (place, 2) for step in steps)
        if empties and again and not any(isinstance(step, PlannedCharge) for step in inside):
            found.append(
                f"step {place} repeat: nothing in it charges the pack, so each cycle after the first begins as empty "
                "as the one before ended; right would be a charge in it, or an until in its discharge"
            )
    return found


def plan_as_data(plan: Plan) -> dict[str, Any]:
    """The plan as plain values, ready for JSON; each step with its `kind`."""
    data = asdict(plan)
    for step, as_data in zip(plan.steps, data["steps"], strict=True):
        as_data["kind"] = step.kind
    data["estimate_s"] = plan.estimate_s
    return data


def describe(plan: Plan) -> list[str]:
    """The plan for people, line by line, in absolute figures."""
    pack, limits = plan.pack, plan.limits
    lines = [
        f"{plan.title}: {pack.name}, {pack.series}S{pack.parallel}P {pack.chemistry}, "
        f"{pack.rated_capacity_ah:g} Ah, in bay {plan.bay.name}",
        f"fingerprint {plan.fingerprint}, about {_how_long(plan)}",
    ]
    for step in plan.steps:
        if step.cycle is not None and step.cycle[1] > 1:
            continue  # every cycle is as the first
        lines.append(f"{step.number}. {step.title} (about {time_in_words(round(step.estimate_s))})")
        error = reading_error(step, pack, plan.bay)
        lines += [f"   {line}" for line in (*_details(step), *([f"reads {error}"] if error else []))]
        if step.cycle is not None:
            lines += [f"   {line}" for line in _repeated(step, plan)]
    lines.append(
        f"limits: group {limits.group_low_v:.2f} to {limits.group_high_v:.2f} V, "
        f"pack {limits.pack_low_v:.2f} to {limits.pack_high_v:.2f} V, draw {limits.max_draw_a:.2f} A, "
        f"feed {limits.max_feed_a:.2f} A, {limits.temperature_low_c:g} to {limits.temperature_high_c:g} °C"
    )
    lines += plan.defaults
    lines += [f"note: {words}" for words in plan.notes]
    return lines


def _how_long(plan: Plan) -> str:
    again_s = sum(step.estimate_s for step in plan.steps if step.cycle is not None and step.cycle[1] > 1)
    whole = time_in_words(round(plan.estimate_s))
    return f"{time_in_words(round(plan.estimate_s - again_s))} with one cycle, {whole} with all" if again_s else whole


def _repeated(step: PlannedStep, plan: Plan) -> list[str]:
    """After the last step of a first cycle: how often it is done, and what ends it earlier."""
    assert step.cycle is not None
    place = step.cycle[0]
    inside = [one for one in plan.steps if one.cycle is not None and one.cycle[0] == place]
    if step is not [one for one in inside if one.cycle == step.cycle][-1]:
        return []
    repeat = next(one for one in plan.repeats if one.place == place)
    first = min(one.number for one in inside)
    return [repeat_words(repeat, first, step.number, max(one.number for one in inside))]


def _until(step: PlannedCharge | PlannedDischarge) -> list[str]:
    until = step.until
    if until is None:
        return []
    group = "highest" if isinstance(step, PlannedCharge) else "lowest"
    said = [
        (until.charge_ah, "{:g} Ah"),
        (until.energy_wh, "{:g} Wh"),
        (until.time_s, "{:g} s"),
        (until.voltage_v, group + " group at {:g} V"),
        (until.temperature_c, "hottest sensor at {:g} °C"),
        (until.group_spread_v, "groups {:g} V apart"),
    ]
    return ["ends earlier at " + " or ".join(words.format(value) for value, words in said if value is not None)]


def _details(step: PlannedStep) -> list[str]:
    match step:
        case PlannedRest():
            words = [f"at least {time_in_words(step.at_least_s)}"]
            if step.until_within_k is not None:
                words.append(f"until within {step.until_within_k:g} K of ambient")
            if step.until_below_c is not None:
                words.append(f"until below {step.until_below_c:g} °C")
            if step.at_most_s is not None:
                words.append(f"at most {time_in_words(step.at_most_s)}, then the run ends")
            return [", ".join(words)]
        case PlannedCharge():
            if step.method == "operator":
                return [f"by the operator; accepted within 30 mV of {step.full_v:.2f} V in every group"]
            return [
                f"by the supply, governed by the highest group, at most {step.series * step.full_v:.2f} V; "
                f"starts at {step.start_low_c:g} to {step.start_high_c:g} °C, "
                f"at most {time_in_words(step.at_most_s)}",
                *_until(step),
            ]
        case PlannedDischarge():
            return [
                f"ceiling {step.ceiling_a:.2f} A, load trips at {step.trip_voltage_v:.2f} V, "
                f"hottest sensor at most {step.temperature_cut_off_c:g} °C, "
                f"at most {time_in_words(step.at_most_s)}; its own timer {time_in_words(round(step.timer_s))}",
                *([f"{len(step.table) - 1} powers over {step.table_s:g} s, over and over"] if step.table else []),
                *_until(step),
            ]
        case PlannedLadder():
            return [
                f"{time_in_words(step.rest_s)} rest between, down to the {step.floor_name} {step.floor_v:.2f} V, "
                f"hottest sensor at most {step.temperature_cut_off_c:g} °C; bounded by {step.bound}",
                "bursts: " + ", ".join(f"{rung.current_a:g} A" for rung in step.rungs),
            ]
        case PlannedStore():
            feed = "no supply" if step.feed_a is None else f"feeding at most {step.feed_a:g} A"
            return [f"drawing {step.draw_a:g} A, {feed}, at most {time_in_words(step.at_most_s)}"]
        case PlannedAsk():
            return [f"answers: {', '.join(step.answers)}"]
        case PlannedInspect():
            return [f"each group {step.low_v:.2f} to {step.high_v:.2f} V, looked at for {time_in_words(step.for_s)}"]
        case PlannedSoak():
            return [f"for {time_in_words(step.hold_s)}; at most {time_in_words(step.at_most_s)}, then the run ends"]
        case PlannedPulse():
            return [f"read at the end of each; down to the {step.floor_name} {step.floor_v:.2f} V of the lowest group"]
        case PlannedPulseSeries():
            return [
                f"{step.portion_ah:g} Ah apart at {step.move_a:g} A, {time_in_words(step.settle_s)} rest before the "
                f"pulses, {time_in_words(step.rest_s)} between; read at "
                + ", ".join(f"{one:g} s" for one in step.times_s),
                f"down to the {step.floor_name} {step.floor_v:.2f} V of the lowest group, hottest sensor at most "
                f"{step.temperature_cut_off_c:g} °C; at most {time_in_words(round(step.at_most_s))}",
            ]


def step_lines(step: PlannedStep) -> list[str]:
    """What a step does beyond its title, for people; empty if the title says it all."""
    return _details(step)


def until_lines(step: PlannedStep) -> list[str]:
    """What ends a step early because the profile asks for it, for people; empty if nothing does."""
    lines = _until(step) if isinstance(step, PlannedCharge | PlannedDischarge) else []
    return [line.removeprefix("ends earlier at ") for line in lines]


def repeat_lines(step: PlannedStep, plan: Plan) -> list[str]:
    """After the last step of a repeat's first cycle, how often it is done; empty after any other."""
    return _repeated(step, plan) if step.cycle is not None and step.cycle[1] == 1 else []
