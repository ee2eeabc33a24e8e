"""Figures of a ladder: rising bursts of constant current, and the highest that was held.

Peak C is the mean measured current of the last burst held to its end with every group at or above the floor,
divided by the rated capacity (common practice, no source).
"""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from benchwarden.results.discharge import edge_ohm
from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figure, Figures, Rung
from benchwarden.results.integrate import sample_period_s, time_mean
from benchwarden.results.meters import Meters
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.sample import Sample, hottest_c
from benchwarden.results.series import Numbers, Series
from benchwarden.results.uncertain import Uncertain

_BURST = re.compile(r"burst (\d+)(?:\D+([0-9.]+) A)?")

PEAK_NAMES = (
    "peak_c",
    "peak_a",
    "peak_w",
    "peak_w_per_kg",
    "peak_hold_s",
    "peak_over_delivered",
    "peak_charge_used_ah",
    "peak_start_temperature_c",
)
HEAT_NAMES = ("ladder_start_temperature_c", "ladder_hottest_c")
NAMES = (*PEAK_NAMES, "peak_interpolated_c", "burst_resistance_ohm", *HEAT_NAMES)


def planned_step(run: Run, count: int, kind: str) -> Mapping[str, Any]:
    """Return the plan's table of the step with this count and kind, an empty one if the plan has none."""
    steps = run.info.plan.get("steps")
    if isinstance(steps, list):
        for step in steps:
            if isinstance(step, dict) and step.get("number") == count and step.get("kind", kind) == kind:
                return step
    return {}


def _number(table: Mapping[str, Any], *keys: str) -> float | None:
    for key in keys:
        value = table.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
    return None


def bursts_of(span: StepSpan) -> list[tuple[int, float | None, Series]]:
    """Return (number, planned amperes, samples under load) of each burst of a ladder step, in order.

    A burst is told by the samples' phase, "burst 3: 35.0 A".
    """
    table = Series.of(span.samples)
    matches = [_BURST.match(word) for word in table.words]
    numbers = np.array([0 if match is None else int(match[1]) for match in matches], dtype=np.int64)
    number = np.where(table.is_on("load"), numbers[table.phase], 0) if len(table) else np.zeros(0, dtype=np.int64)
    rows = np.flatnonzero(number)
    if not len(rows):
        return []
    # A burst goes on over samples that are none; another number begins the next.
    begins = np.concatenate(([0], np.flatnonzero(np.diff(number[rows])) + 1))
    found: list[tuple[int, float | None, Series]] = []
    for part in np.split(rows, begins[1:]):
        match = matches[int(table.phase[part[0]])]
        assert match is not None
        found.append((int(match[1]), float(match[2]) if match[2] else None, table.rows(part)))
    return found


def rungs_of(run: Run, span: StepSpan, out: Figures) -> tuple[list[Rung], float | None]:
    """Return a ladder step's rungs and its floor in volts per group.

    Hold time and floor come from the plan; without a hold time in the plan the longest burst stands for it, and a note
    says so. A rung without a group measured in the last second of its hold is not held: nobody saw it.
    """
    planned = planned_step(run, span.count, "ladder")
    hold_s, floor_v = _number(planned, "hold_s"), _number(planned, "floor_v")
    bursts = bursts_of(span)
    if hold_s is None and bursts:
        hold_s = max(float(samples.test_time_s[-1] - samples.test_time_s[0]) for _, _, samples in bursts)
        stand_in = f"the longest burst, {hold_s:.1f} s, stands for it"
        out.notes.append(f"step {span.count}: the plan names no hold time; {stand_in}")
    table = Series.of(span.samples)
    found = [_rung(run, table, burst, hold_s or 0.0, floor_v, out) for burst in bursts]
    return [rung for rung in found if rung is not None], floor_v


def lowest_groups(samples: Series, series: int | None) -> tuple[Numbers, list[int | None]]:
    """Return each sample's lowest group in V (NaN where none is measured) and its number.

    Where a bay measures no groups, the pack's voltage by its groups stands for it, without a number.
    """
    if not samples.groups_v.shape[1]:
        return (samples.voltage_v / series if series else np.full(len(samples), np.nan)), [None] * len(samples)
    filled = np.where(np.isnan(samples.groups_v), np.inf, samples.groups_v)
    lowest = filled.min(axis=1)
    return np.where(np.isinf(lowest), np.nan, lowest), [int(n) + 1 for n in filled.argmin(axis=1)]


def _rung(
    run: Run,
    table: Series,
    burst: tuple[int, float | None, Series],
    hold_s: float,
    floor_v: float | None,
    out: Figures,
) -> Rung | None:
    number, planned_a, samples = burst
    valid = samples.measured()
    if not len(valid):
        return None
    period = sample_period_s(samples) or 0.0
    end_s = float(samples.test_time_s[-1])
    duration = end_s - float(samples.test_time_s[0])
    full_time = duration >= hold_s - max(0.02 * hold_s, 1.5 * period)
    lows, who = lowest_groups(samples, run.info.series)
    seen = np.flatnonzero(~np.isnan(lows))
    read_s = samples.test_time_s - np.nan_to_num(samples.groups_age_s)
    recent = (end_s - read_s[seen] <= 1.0 + period).any()
    lowest = float(lows[seen].min()) if len(seen) else None
    if not full_time:
        why_not = f"broke off after {duration:.1f} s of {hold_s:.1f} s"
    elif not recent:
        why_not = "no group was measured in the last second of the hold"
    elif floor_v is None:
        why_not = "the plan names no floor"
    elif lowest is not None and lowest < floor_v:
        why_not = f"lowest group at {lowest:.3f} V, floor {floor_v:.3f} V"
    else:
        why_not = ""
    rung = Rung(
        number=number,
        planned_a=planned_a,
        mean_a=time_mean(valid.test_time_s, -valid.current_a),
        mean_w=time_mean(valid.test_time_s, -valid.current_a * valid.voltage_v),
        duration_s=duration,
        full_time=full_time,
        held=not why_not,
        why_not=why_not,
        lowest_v=lowest,
        end_v=float(lows[seen[-1]]) if len(seen) else None,
        lowest_group=who[int(seen[-1])] if len(seen) else None,
        hottest_start_c=hottest_c(samples[0], run.info.places),
        hottest_end_c=hottest_c(samples[-1], run.info.places),
        period_s=period,
        used_ah=float(samples.discharging_ah[0] - table.discharging_ah[0]),
        first=int(samples.sequence[0]),
        last=int(samples.sequence[-1]),
    )
    return replace(rung, figures=_rung_figures(rung, table, valid, out))


def _rung_figures(rung: Rung, table: Series, valid: Series, out: Figures) -> dict[str, Figure]:
    """Return what was measured of a burst, with its uncertainty."""
    where, meters = (rung.first, rung.last), out.meters
    amperes = meters.reading("load", "current", rung.mean_a)
    found = {
        "mean_a": out.figure(amperes, "A", where, formula="mean of the measured current over time, trapezoid"),
        "mean_w": out.figure(_watts(meters, rung), "W", where, formula="mean of V·I over time, trapezoid"),
    }
    if rung.end_v is not None:
        lowest = _lowest_uncertain(out, rung, rung.end_v)
        found["end_v"] = out.figure(lowest, "V", where, formula="lowest group at the end of the burst")
    before = table.at_sequence(rung.first) - 1
    if before >= 0 and table.is_on("off")[before] and not math.isnan(table.voltage_v[before]):
        rest_v, end_v = float(table.voltage_v[before]), float(valid.voltage_v[-1])
        # One meter in one range reads both: its offset cancels.
        sag = meters.reading("load", "voltage", rest_v)
        sag = sag - meters.pack_v("load", end_v, -float(valid.current_a[-1]))
        span = (int(table.sequence[before]), int(valid.sequence[-1]))
        found["sag_v"] = out.figure(sag, "V", span, formula="pack voltage before the burst − at its end")
    return found


def _watts(meters: Meters, rung: Rung) -> Uncertain:
    """Return a burst's mean power; errors are common to all its samples, so that the mean has each once."""
    watts = rung.mean_w * (1.0 + meters.gain("load", "voltage") + meters.gain("load", "current"))
    watts = watts + meters.offset("load", "voltage") * rung.mean_a + meters.leads_ohm() * rung.mean_a**2
    return watts + meters.offset("load", "current") * (rung.mean_w / rung.mean_a if rung.mean_a > 0 else 0.0)


def ladder_figures(run: Run, span: StepSpan, after: Sequence[Sample], out: Figures) -> None:
    """Add the figures of one ladder step to `out`; `after` holds the samples of the rest that follows.

    Call it after the capacity's figures: peak ÷ delivered needs them. `at_least` is set whenever something
    other than the floor ended the ladder.
    """
    ending = step_ending(run, span.count)
    rungs, floor_v = rungs_of(run, span, out)
    out.rungs = rungs
    out.ladder_ended_by, out.ladder_ended_words = ending.by, ending.words
    if not rungs:
        out.lack(f"step {span.count}: no burst with voltage and current", *NAMES)
        return
    below = rungs[-1].lowest_v is not None and floor_v is not None and rungs[-1].lowest_v < floor_v
    by_floor = below or (ending.by == "voltage" and not rungs[-1].held)
    if by_floor:
        out.ladder_ended_by = "voltage"
    bound = planned_step(run, span.count, "ladder").get("bound")
    if not by_floor and isinstance(bound, str) and ending.by == "bench":
        out.ladder_ended_words += f" (the plan is bounded by {bound})"
    _hottest(run, span, after, out)
    _resistance(run, span, rungs[0], out)
    best = _last_held(rungs)
    if best is None:
        out.lack(f"no burst was held: burst {rungs[0].number} {rungs[0].why_not}", *PEAK_NAMES)
    else:
        _peak(run, best, not by_floor, out)
    _interpolated(run, rungs, floor_v, out)


def _last_held(rungs: Sequence[Rung]) -> Rung | None:
    return next((rung for rung in reversed(rungs) if rung.held), None)


def _peak(run: Run, best: Rung, least: bool, out: Figures) -> None:
    where = (best.first, best.last)
    note = f"burst {best.number}, held {best.duration_s:.1f} s"
    above = next((rung for rung in out.rungs if rung.number > best.number), None)
    if least:
        note += f"; the pack's limit was not reached: {out.ladder_ended_words}"
    elif above is not None:
        note += f"; burst {above.number} at {above.mean_a:.1f} A was not: the pack's limit lies between the two"
    # At a higher current the voltage is lower, so that the power at the limit rises by no more than the current does.
    share = None if least or above is None or not best.mean_a > 0.0 else max(0.0, above.mean_a / best.mean_a - 1.0)

    def step(of: float) -> float | None:
        return None if share is None else share * of

    meters, period = out.meters, best.period_s
    amperes = meters.reading("load", "current", best.mean_a)
    watts = _watts(meters, best)
    words = "mean measured current of the last burst held with every group at or above the floor"
    out.put("peak_a", amperes, "A", where, note, least, words, step(best.mean_a))
    out.put("peak_w", watts, "W", where, note, least, "mean measured power of that burst", step(best.mean_w))
    held_s = best.duration_s + meters.inputs.limits("time between two samples of the burst", period)
    out.put("peak_hold_s", held_s, "s", where, note, formula="last − first sample of that burst")
    used = best.used_ah * (1.0 + meters.gain("load", "current") + meters.clock())
    out.put("peak_charge_used_ah", used, "Ah", where, note, formula="drawn since the ladder began, before that burst")
    if run.info.rated_capacity_ah is None:
        out.lack("run.json gives no rated capacity", "peak_c")
    else:
        rate = amperes / run.info.rated_capacity_ah
        above_c = step(best.mean_a / run.info.rated_capacity_ah)
        out.put("peak_c", rate, "C", where, note, least, "peak_a ÷ rated capacity", above_c)
    if run.info.mass_kg is None:
        out.lack("run.json gives no mass", "peak_w_per_kg")
    else:
        per_kg = watts / meters.mass_kg(run.info.mass_kg)
        above_w_kg = step(best.mean_w / run.info.mass_kg)
        out.put("peak_w_per_kg", per_kg, "W/kg", where, note, least, "peak_w ÷ mass", above_w_kg)
    delivered = out.get("delivered_ah")
    if delivered is None or delivered.value <= 0:
        out.lack("no capacity was measured in this run", "peak_over_delivered")
    elif delivered.at_least:
        out.lack("the delivered charge of this run is a lower bound only", "peak_over_delivered")
    else:
        over = amperes / out.uncertain["delivered_ah"]
        out.put("peak_over_delivered", over, "1/h", where, note, least, "peak_a ÷ delivered_ah")
    samples = Series.of(run.samples)
    values, places = samples[samples.at_sequence(best.first) :][:1].hottest(run.info.places)
    if not len(values) or np.isnan(values[0]):
        out.lack("no temperature of the pack at that burst's start", "peak_start_temperature_c")
    else:
        value = meters.temperature_c(float(values[0]), int(places[0]), "before the burst")
        out.put("peak_start_temperature_c", value, "°C", where, note, formula="hottest sensor")


def _interpolated(run: Run, rungs: Sequence[Rung], floor_v: float | None, out: Figures) -> None:
    name = "peak_interpolated_c"
    rated = run.info.rated_capacity_ah
    # A burst that broke off early says nothing about the voltage at the end of the whole hold.
    ends = [(rung, rung.end_v) for rung in rungs if rung.full_time and rung.end_v is not None]
    if rated is None or floor_v is None:
        out.lack("the rated capacity or the floor is not known", name)
        return
    if len(ends) < 2:
        out.lack("fewer than two bursts lasted their whole time", name)
        return
    (low, low_v), (high, high_v) = ends[-2:]
    step_a = high.mean_a - low.mean_a
    if step_a <= 0 or low_v <= high_v:
        out.lack(f"bursts {low.number} and {high.number} do not fall with the current", name)
        return
    wanted = low.mean_a + (low_v - floor_v) * step_a / (low_v - high_v)
    inside = high_v <= floor_v <= low_v
    if wanted > high.mean_a + 2.0 * step_a:
        beyond = f"the floor lies at {wanted:.0f} A, more than two steps beyond burst {high.number}"
        out.lack(f"{beyond}: not extrapolated that far", name)
        return
    ends_words = f"bursts {low.number} and {high.number} ended at {low_v:.3f} V and {high_v:.3f} V"
    note = f"{'measured, between' if inside else 'extrapolated:'} {ends_words}, floor {floor_v:.3f} V"
    failed = next((rung for rung in rungs if rung.number > high.number and not rung.held), None)
    if not inside and failed is not None:
        note += f"; burst {failed.number} at {failed.mean_a:.1f} A {failed.why_not}"
    found_v = [_lowest_uncertain(out, rung, volts) for rung, volts in ((low, low_v), (high, high_v))]
    found_a = [out.meters.reading("load", "current", rung.mean_a) for rung in (low, high)]
    share = (found_v[0] - floor_v) / (found_v[0] - found_v[1])
    value = (found_a[0] + share * (found_a[1] - found_a[0])) / rated
    bent_a, words = _bent_a([(rung.mean_a, volts) for rung, volts in ends[-3:]], floor_v, wanted)
    # The line always errs to the same side: u is the whole of it and not a/√3, since the value is not corrected.
    value = value + out.meters.inputs.limits(words, math.sqrt(3.0) * bent_a / rated, "pack")
    out.put(
        name,
        value,
        "C",
        (low.first, high.last),
        note,
        formula="current at which the lowest group would end at the floor, linear, ÷ rated capacity",
    )


def _bent_a(ends: Sequence[tuple[float, float]], floor_v: float, wanted_a: float) -> tuple[float, str]:
    """Return by how many amperes the line through the last two bursts may miss the floor, and what that comes from.

    `ends`: (A, V) of the last two or three bursts. Of three, how far the parabola through them meets the floor from
    where the line does; else, or if it never does, the way to the nearest burst (common practice, no source).
    """
    nearest_a = min(abs(wanted_a - amperes) for amperes, _ in ends[-2:])
    if len(ends) == 3:
        (a0, v0), (a1, v1), (a2, v2) = ends
        if a0 < a1 < a2:
            steeper = ((v2 - v1) / (a2 - a1) - (v1 - v0) / (a1 - a0)) / (a2 - a0)
            # Newton's form: v2 + (slope of the line)(I − a2) + steeper (I − a2)(I − a1), solved for x = I − a2.
            slope, drop = (v2 - v1) / (a2 - a1) + steeper * (a2 - a1), v2 - floor_v
            inside = slope * slope - 4.0 * steeper * drop
            if inside >= 0.0 and slope < 0.0:
                root = -2.0 * drop / (slope - math.sqrt(inside))
                return abs(a2 + root - wanted_a), "bend of the voltage over the current, from the last three bursts"
    return nearest_a, "bend of the voltage over the current, not known from the bursts: the way to the nearest one"


def _lowest_uncertain(out: Figures, rung: Rung, volts: float) -> Uncertain:
    """Return the lowest group at a burst's end; where no group is measured, the pack's voltage by its groups."""
    if rung.lowest_group is not None:
        return out.meters.group_v(volts, rung.lowest_group)
    return volts * (1.0 + out.meters.gain("load", "voltage")) + out.meters.offset("load", "voltage")


def _resistance(run: Run, span: StepSpan, rung: Rung, out: Figures) -> None:
    name = "burst_resistance_ohm"
    table = Series.of(span.samples)
    first, last = table.at_sequence(rung.first), table.at_sequence(rung.last) + 1
    before, loaded = table[:first].only("off").measured(), table[first:last]
    under = loaded.measured()
    if not len(before) or not len(under):
        out.lack("no measured sample before or at the end of the first burst", name)
        return
    rest, end = before[-1], under[-1]
    ohm = edge_ohm(out.meters, Series.of(run.samples), rest, end, "before the first burst")
    if ohm is None:
        out.lack(f"the current changed by {(rest.current_a or 0.0) - (end.current_a or 0.0):.3f} A only", name)
        return
    lag = end.test_time_s - float(loaded.test_time_s[0])
    out.put(
        name,
        ohm,
        "Ω",
        (rest.sequence, end.sequence),
        f"burst {rung.number}, {lag:.1f} s under load, sag of the charge drawn included",
        formula="(V before − V at the end) ÷ (I before − I at the end)",
    )


def _hottest(run: Run, span: StepSpan, after: Sequence[Sample], out: Figures) -> None:
    own, later = Series.of(span.samples), Series.of(after)
    begun = int(own.sequence[0])
    top: tuple[float, int, int] | None = None
    for table in (own, later):
        values, places = table.hottest(run.info.places)
        if len(table) and not np.isnan(values).all():
            index = int(np.nanargmax(values))
            if top is None or values[index] > top[0]:
                top = (float(values[index]), int(places[index]), int(table.sequence[index]))
    if top is None:
        out.lack("no temperature of the pack was measured", *HEAT_NAMES)
        return
    values, places = own[:1].hottest(run.info.places)
    if np.isnan(values[0]):
        out.lack("no temperature of the pack when the ladder began", "ladder_start_temperature_c")
    else:
        start = out.meters.temperature_c(float(values[0]), int(places[0]), "before the ladder")
        out.put("ladder_start_temperature_c", start, "°C", (begun, begun), formula="hottest sensor")
    hottest = out.meters.temperature_c(top[0], top[1], "when the ladder was hottest")
    out.put("ladder_hottest_c", hottest, "°C", (begun, top[2]), formula="hottest sensor, into the rest after")
