"""What ends each step of a plan, in words: what it is for, and what happens if that does not come."""

from benchwarden.profiles.decision import time_in_words
from benchwarden.profiles.plan import step_lines, until_lines
from benchwarden.profiles.planned import (
    PlannedAsk,
    PlannedCharge,
    PlannedDischarge,
    PlannedInspect,
    PlannedLadder,
    PlannedPulse,
    PlannedPulseSeries,
    PlannedRest,
    PlannedSoak,
    PlannedStep,
    PlannedStore,
)
from benchwarden.profiles.step_charge import OVERCHARGE


def what_ends(step: PlannedStep) -> list[str]:
    """Return what ends a step, the wanted end first; the limits of the run end it, too, and the run with it."""
    match step:
        case PlannedAsk():
            return [f"an answer: {', '.join(step.answers)}"]
        case PlannedRest():
            return _rest(step)
        case PlannedCharge():
            return _charge(step)
        case PlannedDischarge():
            return [
                *until_lines(step),
                f"lowest group at {step.cut_off_v:.2f} V, {step.cut_off_name}",
                _temperature(step.temperature_cut_off_c, "the charge then reads at least"),
                f"{time_in_words(step.at_most_s)}: the charge then reads at least",
            ]
        case PlannedLadder():
            return [
                f"lowest group at {step.floor_v:.2f} V, {step.floor_name}",
                f"last burst, {step.rungs[-1].current_a:g} A, bounded by {step.bound}: the peak then reads at least",
                _temperature(step.temperature_cut_off_c, "the peak then reads at least"),
                f"{time_in_words(round(step.at_most_s))}",
            ]
        case PlannedStore():
            return _store(step)
        case PlannedInspect():
            return [
                f"{time_in_words(step.for_s)}, every tap in order and the groups within {1000 * step.spread_v:g} mV",
                "anything else: the run ends, and says which tap",
            ]
        case PlannedSoak():
            what = "ambient" if step.to_c is None else f"{step.to_c:g} °C"
            return [
                f"{time_in_words(step.hold_s)} within {step.within_k:g} K of {what}",
                f"{time_in_words(step.at_most_s)} without that: the run ends",
            ]
        case PlannedPulse():
            return ["both steps of current are done", *_floor(step)]
        case PlannedPulseSeries():
            return [f"pulsed at {step.portions} states of charge", *_floor(step)]


def _floor(step: PlannedPulse | PlannedPulseSeries) -> list[str]:
    return [
        f"lowest group at {step.floor_v:.2f} V, {step.floor_name}",
        f"hottest sensor at {step.temperature_cut_off_c:g} °C",
        time_in_words(round(step.at_most_s)),
    ]


def what_it_does(step: PlannedStep) -> str:
    """Return what a step does beyond its title, its ends and its set-points; empty if they say it all."""
    match step:
        case PlannedCharge() if step.method == "operator":
            return "waits while the operator charges the pack"
        case PlannedCharge():
            return (
                "governed by the highest group; waits until the pack is at "
                f"{step.start_low_c:g} to {step.start_high_c:g} °C"
            )
        case PlannedLadder():
            bursts = ", ".join(f"{rung.current_a:g}" for rung in step.rungs)
            return f"bursts of {bursts} A, {step.hold_s:g} s each, {time_in_words(step.rest_s)} rest between"
        case PlannedDischarge() if step.table:
            return f"follows the record of {time_in_words(round(step.table_s))}, over and over"
        case PlannedAsk() | PlannedRest() | PlannedDischarge() | PlannedStore() | PlannedInspect() | PlannedSoak():
            return ""
        case _:
            return "; ".join(step_lines(step))


def _temperature(cut_off_c: float, then: str) -> str:
    return f"hottest sensor at {cut_off_c:g} °C: {then}"


def _rest(step: PlannedRest) -> list[str]:
    conditions = []
    if step.until_within_k is not None:
        conditions.append(f"the pack is within {step.until_within_k:g} K of ambient")
    if step.until_below_c is not None:
        conditions.append(f"the pack is below {step.until_below_c:g} °C")
    found = [" and ".join((time_in_words(round(step.at_least_s)), *conditions))]
    if step.at_most_s is not None:
        found.append(f"{time_in_words(step.at_most_s)} without that: the run ends")
    return found


def _charge(step: PlannedCharge) -> list[str]:
    if step.method == "operator":
        return [f'the operator answers "done" and every group is within 30 mV of {step.full_v:.2f} V']
    return [
        *until_lines(step),
        f"highest group full at {step.full_v:.2f} V and the current down to {step.taper_a:g} A",
        f"{time_in_words(step.at_most_s)}, or {OVERCHARGE * step.rated_capacity_ah:g} Ah put in: the run ends",
        f"a group that rests below {step.recover_least_v:.2f} V"
        + (f", or unattended below {step.recover_below_v:.2f} V" if step.recover_below_v > step.recover_least_v else "")
        + ": the run ends",
    ]


def _store(step: PlannedStore) -> list[str]:
    to = (
        f"lowest group rests within 20 mV of {step.storage_v:.2f} V"
        if step.storage_v is not None
        else f"{100 * (step.storage_fraction or 0.0):g} % of the rated charge is left, by counted charge"
    )
    return [
        to,
        f"lowest group under load at {step.cut_off_v:.2f} V",
        _temperature(step.temperature_cut_off_c, "not brought to storage"),
        f"{time_in_words(step.at_most_s)}",
    ]
