"""Figures of a capacity discharge: charge, energy, sag, heat, groups, resistance at the load-on edge."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchwarden.results import counters, groups
from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figures
from benchwarden.results.integrate import SAG_PERCENT, Integral, integrate, running, sample_period_s
from benchwarden.results.meters import Meters
from benchwarden.results.run import Run, RunInfo, StepSpan
from benchwarden.results.sample import Sample, ambient_c
from benchwarden.results.series import Numbers, Series
from benchwarden.results.uncertain import Uncertain

COUNTER_TOLERANCE = 0.001
"""How far the samples' own counters may lie from the integral, relative, before a note says so."""
LEAST_CHANGE_A = 0.05
"""A smaller change of current gives no resistance."""

CHARGE_NAMES = (
    "delivered_ah",
    "delivered_wh",
    "mean_voltage_v",
    "median_voltage_v",
    "rated_ah",
    "delivered_over_rated",
    "energy_per_mass_wh_kg",
    "energy_per_mass_wh_g",
    "energy_per_volume_wh_l",
    "discharge_time_s",
    "discharge_power_w",
    "unmeasured_s",
    *(f"sag_{percent}_v" for percent in SAG_PERCENT),
)
EDGE_NAMES = ("rest_before_v", "voltage_after_load_on_v", "dc_resistance_ohm")
HEAT_NAMES = ("start_temperature_c", "hottest_c", "temperature_rise_k", "hottest_after_stop_s", "hottest_place")
REST_NAMES = ("rest_60_s_v", "rest_30_min_v")
OTHER_NAMES = ("dc_resistance_10_s_ohm", "start_ambient_c")
NAMES = (*CHARGE_NAMES, *EDGE_NAMES, *HEAT_NAMES, *groups.NAMES, *counters.NAMES, *REST_NAMES, *OTHER_NAMES)


@dataclass(frozen=True, slots=True)
class Ends:
    """Time in s by which a discharge may be longer than its samples' span, before the first and after the last one.

    Both are zero ± something.
    """

    early_s: Uncertain
    late_s: Uncertain


@dataclass(frozen=True, slots=True)
class Drawn:
    """Charge in Ah, energy in Wh and time in s that a discharge delivered, as uncertain numbers that share inputs."""

    charge_ah: Uncertain
    energy_wh: Uncertain
    time_s: Uncertain
    ends: Ends


def ends_of(meters: Meters, flowing: Series, begun_s: float, cut_off: bool, step: int) -> Ends:
    """Return what lies between samples at the two ends of a discharge or a charge.

    `flowing` holds the samples with the output on, `begun_s` the time of the last sample before. `cut_off`: the step
    ended at the first sample at or below a cut-off, so that up to one period too much is in it. That is not corrected:
    figures stay what anybody gets from the rows. It is carried as a rectangular part with the whole period as its
    half-width, whose mean square is that of an error anywhere between none and the whole period. The time between the
    switching and the first sample is carried in the same way.
    """
    late_s: Uncertain = 0.0
    if cut_off and len(flowing) > 1:
        period = float(flowing.test_time_s[-1] - flowing.test_time_s[-2])
        late_s = meters.inputs.limits(f"moment of the cut-off, between two samples (step {step})", period)
    before = float(flowing.test_time_s[0]) - begun_s
    words = f"time from switching on to the first sample (step {step})"
    return Ends(meters.inputs.limits(words, max(0.0, before)), late_s)


def drawn(
    meters: Meters, role: str, integral: Integral, flowing: Series, begun_s: float, cut_off: bool, step: int
) -> Drawn:
    """Return what an integral may be off by: meter, clock, rule, and what lies between samples at its two ends.

    Arguments as `ends_of` has them.
    """
    gain_v, offset_v = meters.gain(role, "voltage"), meters.offset(role, "voltage")
    gain_a, offset_a = meters.gain(role, "current"), meters.offset(role, "current")
    clock = meters.clock()
    hours, inputs = integral.measured_s / 3600.0, meters.inputs
    mean_a = integral.charge_ah / hours
    known = flowing.measured()
    amperes, volts = abs(known.current_a[[0, -1]]), known.voltage_v[[0, -1]]
    ends = ends_of(meters, flowing, begun_s, cut_off, step)
    rule_ah = inputs.limits(f"trapezoid rule, charge (step {step})", integral.charge_rule_ah)
    rule_wh = inputs.limits(f"trapezoid rule, energy (step {step})", integral.energy_rule_wh)
    charge = integral.charge_ah * (1.0 + gain_a + clock) + offset_a * hours
    charge = charge + (float(amperes[0]) * ends.early_s + float(amperes[1]) * ends.late_s) / 3600.0 + rule_ah
    energy = integral.energy_wh * (1.0 + gain_v + gain_a + clock)
    energy = energy + offset_v * integral.charge_ah + offset_a * (integral.mean_v * hours)
    # The mean square of the current is taken as the square of its mean: this part is a bound anyway.
    energy = energy + meters.leads_ohm() * (mean_a * mean_a * hours)
    watts = amperes * volts
    ends_wh = (float(watts[0]) * ends.early_s + float(watts[1]) * ends.late_s) / 3600.0
    time_s = integral.measured_s * (1.0 + clock) + ends.early_s + ends.late_s
    return Drawn(charge, energy + ends_wh + rule_wh, time_s, ends)


def discharge_figures(run: Run, span: StepSpan, after: Sequence[Sample], out: Figures) -> None:
    """Add the figures of one discharge step to `out`; `after` holds the samples of the rest that follows.

    What cannot be told is named with its reason in `out.missing`. Charge and energy by the trapezoid rule;
    mean voltage is energy by charge.
    """
    ending = step_ending(run, span.count)
    out.ended_by, out.ended_words = ending.by, ending.words
    table, everything, later = Series.of(span.samples), Series.of(run.samples), Series.of(after)
    loaded = table.only("load")
    if len(loaded) < 2:
        out.lack(f"step {span.count}: fewer than two samples with the load on", *NAMES)
        return
    integral = integrate(table, "load")
    before = _last_before(everything, loaded[0])
    if integral is None:
        out.lack(f"step {span.count}: no two neighbouring samples with both voltage and current", *CHARGE_NAMES)
        out.lack("the discharge was not measured", *counters.NAMES)
    else:
        _charge(run.info, span, loaded, integral, begun_s(everything, loaded), out)
        counters.counter_figures(run, span, integral, out)
    _edge(before, everything, loaded, out)
    _heat(run.info, before or loaded[0], loaded, later, out)
    groups.group_figures(run.info, before, loaded, out)
    _rests(loaded[len(loaded) - 1], table, later, out)


def begun_s(samples: Series, flowing: Series) -> float:
    """Return the time of the last sample before an output went on, that output's first sample where there is none."""
    index = samples.at_sequence(int(flowing.sequence[0]))
    return float(samples.test_time_s[max(0, index - 1)])


def _charge(info: RunInfo, span: StepSpan, loaded: Series, integral: Integral, begun: float, out: Figures) -> None:
    ended_by_pack = out.ended_by == "voltage"
    least = not ended_by_pack
    note = "" if ended_by_pack else f"ended by {out.ended_by}: {out.ended_words}"
    where = (integral.first, integral.last)
    if integral.unmeasured_s > 0:
        note = "; ".join(filter(None, (note, f"{integral.unmeasured_s:.1f} s under load were not measured")))
        least = True
    meters = out.meters
    total = drawn(meters, "load", integral, loaded, begun, ended_by_pack, span.count)
    ah, wh = integral.charge_ah, integral.energy_wh
    out.put("delivered_ah", total.charge_ah, "Ah", where, note, least, "∫ |I| dt, trapezoid")
    out.put("delivered_wh", total.energy_wh, "Wh", where, note, least, "∫ |V·I| dt, trapezoid")
    out.put("unmeasured_s", integral.unmeasured_s, "s", where, formula="time in gaps under load")
    duration = float(loaded.test_time_s[-1] - loaded.test_time_s[0])
    out.put(
        "discharge_time_s",
        duration + total.time_s - integral.measured_s,
        "s",
        where,
        note,
        least,
        "last − first sample under load",
    )
    power = total.energy_wh * 3600.0 / total.time_s
    out.put("discharge_power_w", power, "W", where, formula="energy ÷ measured time")
    if info.rated_capacity_ah is None:
        out.lack("run.json gives no rated capacity", "rated_ah", "delivered_over_rated")
    else:
        out.put("rated_ah", info.rated_capacity_ah, "Ah", where, formula="from the pack file; a name, no measurement")
    if ah <= 0.0:
        out.lack(f"step {span.count}: no charge flowed", *CHARGE_NAMES)
        return
    out.put("mean_voltage_v", total.energy_wh / total.charge_ah, "V", where, formula="delivered_wh ÷ delivered_ah")
    _median(meters, loaded.measured(), where, out)
    if info.rated_capacity_ah is not None:
        if ended_by_pack:
            ratio = total.charge_ah / info.rated_capacity_ah
            out.put("delivered_over_rated", ratio, "1", where, note, least, "delivered_ah ÷ rated capacity")
        else:
            out.lack(f"not comparable: ended by {out.ended_by} ({out.ended_words})", "delivered_over_rated")
    if info.mass_kg is None:
        out.lack("run.json gives no mass", "energy_per_mass_wh_kg", "energy_per_mass_wh_g")
    else:
        per_kg = total.energy_wh / meters.mass_kg(info.mass_kg)
        out.put("energy_per_mass_wh_kg", per_kg, "Wh/kg", where, note, least, "delivered_wh ÷ mass")
        out.put("energy_per_mass_wh_g", per_kg / 1000, "Wh/g", where, note, least, "delivered_wh ÷ mass")
    size_l = info.pack.get("size")
    if isinstance(size_l, int | float) and size_l > 0:
        note_l = "; ".join(filter(None, (note, "the size is taken as exact")))
        out.put(
            "energy_per_volume_wh_l",
            total.energy_wh / float(size_l),
            "Wh/l",
            where,
            note_l,
            least,
            "delivered_wh ÷ volume",
        )
    else:
        out.lack("the pack file gives no size", "energy_per_volume_wh_l")
    _sag(meters, loaded, integral, total, out)
    counted_ah = float(loaded.discharging_ah[-1] - loaded.discharging_ah[0])
    counted_wh = float(loaded.discharging_wh[-1] - loaded.discharging_wh[0])
    for name, counted, found, unit in (("charge", counted_ah, ah, "Ah"), ("energy", counted_wh, wh, "Wh")):
        if abs(counted - found) > COUNTER_TOLERANCE * found:
            out.notes.append(
                f"step {span.count}: the samples' counter of {name} says {counted:.5f} {unit}, "
                f"the integral {found:.5f} {unit}: more than {COUNTER_TOLERANCE:.1%} apart"
            )


def _median(meters: Meters, measured: Series, where: tuple[int, int], out: Figures) -> None:
    """Add the voltage that was exceeded for half of the time under load."""
    steps = np.diff(measured.test_time_s)
    held = np.concatenate(([0.0], steps)) + np.concatenate((steps, [0.0]))
    order = np.argsort(measured.voltage_v, kind="stable")
    summed = np.cumsum(held[order])
    middle = min(int(np.searchsorted(summed, summed[-1] / 2.0)), len(order) - 1)
    volts = float(measured.voltage_v[order[middle]])
    amperes = -float(measured.current_a[order[middle]])
    value = meters.pack_v("load", volts, amperes)
    out.put("median_voltage_v", value, "V", where, formula="pack voltage exceeded for half of the time under load")


def sag_curve(loaded: Sequence[Sample]) -> list[tuple[float, float, int]]:
    """Return (delivered charge in Ah from the load-on, pack voltage in V, sequence) of every measured sample.

    The charge runs by the trapezoid rule over all neighbours that are both measured, so that a gap does not
    fold the curve; the figures refuse such gaps separately.
    """
    measured = Series.of(loaded).measured()
    charge, _ = running(measured)
    return list(zip(charge.tolist(), measured.voltage_v.tolist(), measured.sequence.tolist(), strict=True))


def _sag(meters: Meters, loaded: Series, integral: Integral, total: Drawn, out: Figures) -> None:
    names = [f"sag_{percent}_v" for percent in SAG_PERCENT]
    if integral.unmeasured_s > 0.02 * (integral.measured_s + integral.unmeasured_s):
        out.lack("more than 2 % of the time under load was not measured", *names)
        return
    measured = loaded.measured()
    charge, _ = running(measured)
    # Where the total is off, so is the place on the curve; a gain cancels, since the curve is stretched alike.
    apart = total.charge_ah - integral.charge_ah * (1.0 + meters.gain("load", "current") + meters.clock())
    for percent in SAG_PERCENT:
        index = int(np.clip(np.searchsorted(charge, charge[-1] * percent / 100), 1, len(charge) - 1))
        (q0, q1), (v0, v1) = charge[index - 1 : index + 1].tolist(), measured.voltage_v[index - 1 : index + 1].tolist()
        wanted = float(charge[-1]) * percent / 100
        share = (wanted - q0) / (q1 - q0) if q1 > q0 else 0.0
        slope = (v1 - v0) / (q1 - q0) if q1 > q0 else 0.0
        amperes = -float(measured.current_a[index])
        value = meters.pack_v("load", v0 + (v1 - v0) * share, amperes) + slope * (percent / 100) * apart
        out.put(
            f"sag_{percent}_v",
            value,
            "V",
            (int(measured.sequence[index - 1]), int(measured.sequence[index])),
            formula=f"pack voltage at {percent} % of the delivered charge, linear",
        )


def _last_before(samples: Series, first_loaded: Sample) -> Sample | None:
    """Return the last sample with voltage and current before the load went on, if it is next to it."""
    index = samples.at_sequence(first_loaded.sequence)
    for row in range(index - 1, max(0, index - 10) - 1, -1):
        sample = samples[row]
        if sample.output != "off" or first_loaded.test_time_s - sample.test_time_s > 10.0:
            return None
        if sample.voltage_v is not None and sample.current_a is not None:
            return sample
    return None


def resting_scatter_v(samples: Series, sequence: int, values: Numbers) -> tuple[float, float] | None:
    """Return the scatter of one reading at rest in V, and its degrees of freedom; None below five readings.

    From neighbours' differences over up to 21 readings with the outputs off up to that sample, so that a drift does not
    count: s² = Σ(differences²) ÷ 2(n − 1), with 2(n − 1) ÷ 3 degrees of freedom (mean square successive difference).
    """
    end = samples.at_sequence(sequence) + 1
    off = samples.is_on("off")[max(0, end - 21) : end]
    on = np.flatnonzero(~off)
    begin = max(0, end - 21) + (int(on[-1]) + 1 if len(on) else 0)
    found = values[begin:end]
    found = found[~np.isnan(found)]
    if len(found) < 5:
        return None
    changes = np.diff(found)
    return math.sqrt(math.fsum((changes * changes).tolist()) / (2.0 * len(changes))), 2.0 * len(changes) / 3.0


def edge_ohm(
    meters: Meters,
    samples: Series,
    before: Sample,
    after: Sample,
    words: str,
    group: int | None = None,
    at_rest: int | None = None,
) -> Uncertain | None:
    """Return −ΔV/ΔI between two samples in Ω, of the pack or of one group (counted from 1); None below 0.05 A.

    Both voltages are from one meter, and so are both currents: offsets cancel, gains do not. `at_rest` is the number of
    a sample at rest up to which the scatter of a reading is taken; without it, that of `before`.
    """
    if before.current_a is None or after.current_a is None or before.current_a - after.current_a < LEAST_CHANGE_A:
        return None
    change = (before.current_a - after.current_a) * (1.0 + meters.gain("load", "current"))
    if group is None:
        values, what = samples.voltage_v, f"scatter of a voltage reading, {words}"
        if before.voltage_v is None or after.voltage_v is None:
            return None
        drop = meters.pack_v("load", before.voltage_v, -before.current_a)
        drop = drop - meters.pack_v("load", after.voltage_v, -after.current_a)
    else:
        values, what = samples.groups_v[:, group - 1], f"scatter of a reading of group {group}, {words}"
        first, second = before.groups_v[group - 1], after.groups_v[group - 1]
        if first is None or second is None:
            return None
        drop = meters.group_v(first, group) - meters.group_v(second, group)
    scatter = resting_scatter_v(samples, before.sequence if at_rest is None else at_rest, values)
    if scatter is not None:
        drop = drop + meters.inputs.scatter(what, math.sqrt(2.0) * scatter[0], scatter[1])
    return drop / change


def _edge(before: Sample | None, samples: Series, loaded: Series, out: Figures) -> None:
    valid = loaded.measured()
    if not len(valid):
        out.lack("no voltage and current were measured under load", *EDGE_NAMES, "dc_resistance_10_s_ohm")
        return
    meters = out.meters
    after = first_flowing(valid)
    assert after.voltage_v is not None
    assert after.current_a is not None
    on_s = after.test_time_s - float(loaded.test_time_s[0])
    out.put(
        "voltage_after_load_on_v",
        meters.pack_v("load", after.voltage_v, -after.current_a),
        "V",
        (after.sequence, after.sequence),
        f"{on_s:.2f} s after the first sample with the load on",
        formula="first sample with the load's current flowing",
    )
    if before is None or before.voltage_v is None or before.current_a is None:
        reason = "no measured sample with the outputs off in the 10 s before load-on"
        out.lack(reason, "rest_before_v", "dc_resistance_ohm", "dc_resistance_10_s_ohm")
        return
    at_rest = meters.reading("load", "voltage", before.voltage_v)
    where = (before.sequence, before.sequence)
    out.put("rest_before_v", at_rest, "V", where, formula="last sample before load-on")
    formula = "(V before − V after) ÷ (I before − I after), current negative when it discharges"
    near = np.flatnonzero(abs(valid.test_time_s - loaded.test_time_s[0] - 10.0) <= 0.6)
    later = valid[int(near[0])] if len(near) else None
    for name, sample in (("dc_resistance_ohm", after), ("dc_resistance_10_s_ohm", later)):
        if sample is None or sample.voltage_v is None or sample.current_a is None:
            out.lack("no measured sample 10 s after load-on", name)
            continue
        ohm = edge_ohm(meters, samples, before, sample, "at load-on")
        if ohm is None:
            out.lack(f"the current changed by {before.current_a - sample.current_a:.3f} A only at load-on", name)
            continue
        window = sample.test_time_s - before.test_time_s
        lag = sample.test_time_s - float(loaded.test_time_s[0])
        out.put(
            name,
            ohm,
            "Ω",
            (before.sequence, sample.sequence),
            _window_words(window, lag),
            formula=formula,
        )


def _window_words(window_s: float, lag_s: float) -> str:
    """How far the two samples of a resistance lie apart, and how long the load had been on at the second."""
    if window_s < 0.005:  # a simulated bench's clock stands still while it switches
        return "window below 0.01 s between the two samples"
    return f"window {window_s:.2f} s between the two samples, at least {lag_s:.2f} s of it under load"


def first_flowing(measured: Series) -> Sample:
    """Return the first sample with the load's current: a load ramps, half of the next sample's current is enough."""
    ramping = len(measured) > 1 and abs(measured.current_a[0]) < 0.5 * abs(measured.current_a[1])
    return measured[1 if ramping else 0]


def _heat(info: RunInfo, start: Sample, loaded: Series, after: Series, out: Figures) -> None:
    first = Series.of([start])
    values, sensors = first.hottest(info.places)
    begin, place = float(values[0]), int(sensors[0])
    surroundings = ambient_c(start, info.places)
    where = (start.sequence, start.sequence)
    meters = out.meters
    if surroundings is None:
        out.lack("no ambient temperature at the start", "start_ambient_c")
    else:
        ambient = meters.temperature_c(surroundings, info.places.index("ambient"), "at the start")
        out.put("start_ambient_c", ambient, "°C", where, formula='the sensor at "ambient"')
    if math.isnan(begin):
        out.lack("no temperature of the pack at the start", *HEAT_NAMES)
        return
    at_start = meters.temperature_c(begin, place, "at the start")
    out.put("start_temperature_c", at_start, "°C", where, formula="hottest sensor")
    top, top_place, moment_s, sequence = begin, place, start.test_time_s, start.sequence
    for table in (loaded, after):
        values, sensors = table.hottest(info.places)
        if len(table) and not np.isnan(values).all():
            index = int(np.nanargmax(values))
            if values[index] > top:
                top, top_place = float(values[index]), int(sensors[index])
                moment_s, sequence = float(table.test_time_s[index]), int(table.sequence[index])
    where = (start.sequence, sequence)
    since_stop = moment_s - float(loaded.test_time_s[-1])
    name = info.places[top_place] if top_place < len(info.places) else f"sensor {top_place + 1}"
    note = f"{since_stop:.0f} s after the load went off" if since_stop > 0 else "while the load was on"
    note += f", at {name}"
    at_top = meters.temperature_c(top, top_place, "when hottest")
    out.put("hottest_c", at_top, "°C", where, note, formula="hottest sensor, into the rest that follows")
    out.put("temperature_rise_k", at_top - at_start, "K", where, note, formula="hottest − hottest at the start")
    out.put("hottest_after_stop_s", since_stop, "s", where, note, formula="hottest moment − load off")
    out.put("hottest_place", float(top_place + 1), "1", where, name, formula="number of the hottest sensor")


def _rests(last_loaded: Sample, table: Series, after: Series, out: Figures) -> None:
    for name, wait_s in (("rest_60_s_v", 60.0), ("rest_30_min_v", 1800.0)):
        target = last_loaded.test_time_s + wait_s
        own = table[table.at_sequence(last_loaded.sequence + 1) :]
        period = sample_period_s(after if len(after) > 1 else own) or 1.0
        for part in (own, after):
            busy = np.flatnonzero(~part.is_on("off"))
            if len(busy):
                part = part[: int(busy[0])]
            late = part.test_time_s - target
            found = np.flatnonzero((late >= -0.5 * period) & ~np.isnan(part.voltage_v))
            if len(found):
                sample = part[int(found[0])]
                past = sample.test_time_s - target
                if past <= 2.0 * period and sample.voltage_v is not None:
                    note = f"{wait_s + past:.1f} s after the last sample with the load on"
                    value = out.meters.reading("load", "voltage", sample.voltage_v)
                    out.put(name, value, "V", (sample.sequence, sample.sequence), note, formula="pack voltage at rest")
                break
            if len(busy):
                out.lack(f"the rest ended before {wait_s:.0f} s", name)
                break
        out.lack(f"no measured sample {wait_s:.0f} s after the load went off", name)
