"""Figures of a capacity discharge: charge, energy, sag, heat, groups, resistance at the load-on edge."""

from collections.abc import Sequence

from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figure, Figures, ambient_c, hottest_c, lowest_group, spread_v
from benchwarden.results.integrate import Integral, integrate, sample_period_s
from benchwarden.results.run import Run, RunInfo, StepSpan
from benchwarden.results.sample import Sample

SAG_PERCENT = (10, 20, 30, 40, 50, 60, 70, 80, 90)
COUNTER_TOLERANCE = 0.001
"""How far the samples' own counters may lie from the integral, relative, before a note says so."""
SPREAD_FLAG_V = 0.030
"""Spread of the groups at rest before a discharge that flags the run (common practice, no source)."""

CHARGE_NAMES = (
    "delivered_ah",
    "delivered_wh",
    "mean_voltage_v",
    "delivered_over_rated",
    "energy_per_mass_wh_kg",
    "energy_per_mass_wh_g",
    "discharge_time_s",
    "discharge_power_w",
    "unmeasured_s",
    *(f"sag_{percent}_v" for percent in SAG_PERCENT),
)
EDGE_NAMES = ("rest_before_v", "voltage_after_load_on_v", "dc_resistance_ohm")
HEAT_NAMES = ("start_temperature_c", "hottest_c", "temperature_rise_k", "hottest_after_stop_s")
GROUP_NAMES = ("group_spread_rest_v", "group_spread_end_v", "ending_group", "ending_group_v")
REST_NAMES = ("rest_60_s_v", "rest_30_min_v")
OTHER_NAMES = ("dc_resistance_10_s_ohm", "start_ambient_c")
NAMES = (*CHARGE_NAMES, *EDGE_NAMES, *HEAT_NAMES, *GROUP_NAMES, *REST_NAMES, *OTHER_NAMES)


def discharge_figures(run: Run, span: StepSpan, after: Sequence[Sample], out: Figures) -> None:
    """Add the figures of one discharge step to `out`; `after` holds the samples of the rest that follows.

    What cannot be told is named with its reason in `out.missing`. Charge and energy by the trapezoid rule;
    mean voltage is energy by charge.
    """
    ending = step_ending(run, span.count)
    out.ended_by, out.ended_words = ending.by, ending.words
    loaded = [sample for sample in span.samples if sample.output == "load"]
    if len(loaded) < 2:
        out.lack(f"step {span.count}: fewer than two samples with the load on", *NAMES)
        return
    integral = integrate(span.samples, "load")
    if integral is None:
        out.lack(f"step {span.count}: no two neighbouring samples with both voltage and current", *CHARGE_NAMES)
    else:
        _charge(run.info, span, loaded, integral, out)
    before = _last_before(run, loaded[0])
    _edge(before, loaded, out)
    _heat(run.info, before or loaded[0], loaded, after, out)
    _groups(before, loaded, out)
    _rests(loaded[-1], [*span.samples, *after], out)


def _charge(info: RunInfo, span: StepSpan, loaded: Sequence[Sample], integral: Integral, out: Figures) -> None:
    ended_by_pack = out.ended_by == "voltage"
    least = not ended_by_pack
    note = "" if ended_by_pack else f"ended by {out.ended_by}: {out.ended_words}"
    where = (integral.first, integral.last)
    if integral.unmeasured_s > 0:
        note = "; ".join(filter(None, (note, f"{integral.unmeasured_s:.1f} s under load were not measured")))
        least = True
    ah, wh = integral.charge_ah, integral.energy_wh
    out["delivered_ah"] = Figure(ah, "Ah", where, note, least, "∫ |I| dt, trapezoid")
    out["delivered_wh"] = Figure(wh, "Wh", where, note, least, "∫ |V·I| dt, trapezoid")
    out["unmeasured_s"] = Figure(integral.unmeasured_s, "s", where, formula="time in gaps under load")
    duration = loaded[-1].test_time_s - loaded[0].test_time_s
    out["discharge_time_s"] = Figure(duration, "s", where, note, least, "last − first sample under load")
    power = wh * 3600.0 / integral.measured_s
    out["discharge_power_w"] = Figure(power, "W", where, formula="energy ÷ measured time")
    if ah <= 0.0:
        out.lack(f"step {span.count}: no charge flowed", *CHARGE_NAMES)
        return
    out["mean_voltage_v"] = Figure(wh / ah, "V", where, formula="delivered_wh ÷ delivered_ah")
    if info.rated_capacity_ah is None:
        out.lack("run.json gives no rated capacity", "delivered_over_rated")
    elif ended_by_pack:
        ratio = ah / info.rated_capacity_ah
        out["delivered_over_rated"] = Figure(ratio, "1", where, note, least, "delivered_ah ÷ rated capacity")
    else:
        out.lack(f"not comparable: ended by {out.ended_by} ({out.ended_words})", "delivered_over_rated")
    if info.mass_kg is None:
        out.lack("run.json gives no mass", "energy_per_mass_wh_kg", "energy_per_mass_wh_g")
    else:
        per_kg = wh / info.mass_kg
        out["energy_per_mass_wh_kg"] = Figure(per_kg, "Wh/kg", where, note, least, "delivered_wh ÷ mass")
        out["energy_per_mass_wh_g"] = Figure(per_kg / 1000, "Wh/g", where, note, least, "delivered_wh ÷ mass")
    _sag(loaded, integral, out)
    counted_ah = loaded[-1].discharging_ah - loaded[0].discharging_ah
    counted_wh = loaded[-1].discharging_wh - loaded[0].discharging_wh
    for name, counted, found, unit in (("charge", counted_ah, ah, "Ah"), ("energy", counted_wh, wh, "Wh")):
        if abs(counted - found) > COUNTER_TOLERANCE * found:
            out.notes.append(
                f"step {span.count}: the samples' counter of {name} says {counted:.5f} {unit}, "
                f"the integral {found:.5f} {unit}: more than {COUNTER_TOLERANCE:.1%} apart"
            )


def sag_curve(loaded: Sequence[Sample]) -> list[tuple[float, float, int]]:
    """Return (delivered charge in Ah from the load-on, pack voltage in V, sequence) of every measured sample.

    The charge runs by the trapezoid rule over all neighbours that are both measured, so that a gap does not
    fold the curve; the figures refuse such gaps separately.
    """
    curve: list[tuple[float, float, int]] = []
    charge = 0.0
    previous: Sample | None = None
    for sample in loaded:
        if sample.voltage_v is None or sample.current_a is None:
            continue
        if previous is not None and previous.current_a is not None:
            mean = 0.5 * (max(0.0, -previous.current_a) + max(0.0, -sample.current_a))
            charge += mean * (sample.test_time_s - previous.test_time_s) / 3600.0
        curve.append((charge, sample.voltage_v, sample.sequence))
        previous = sample
    return curve


def _sag(loaded: Sequence[Sample], integral: Integral, out: Figures) -> None:
    names = [f"sag_{percent}_v" for percent in SAG_PERCENT]
    if integral.unmeasured_s > 0.02 * (integral.measured_s + integral.unmeasured_s):
        out.lack("more than 2 % of the time under load was not measured", *names)
        return
    curve = sag_curve(loaded)
    total = curve[-1][0]
    index = 1
    for percent in SAG_PERCENT:
        wanted = total * percent / 100
        while index < len(curve) - 1 and curve[index][0] < wanted:
            index += 1
        (q0, v0, first), (q1, v1, last) = curve[index - 1], curve[index]
        share = (wanted - q0) / (q1 - q0) if q1 > q0 else 0.0
        value = v0 + (v1 - v0) * share
        out[f"sag_{percent}_v"] = Figure(
            value, "V", (first, last), formula=f"pack voltage at {percent} % of the delivered charge, linear"
        )


def _last_before(run: Run, first_loaded: Sample) -> Sample | None:
    """Return the last sample with voltage and current before the load went on, if it is next to it."""
    index = _index(run.samples, first_loaded.sequence)
    for sample in reversed(run.samples[max(0, index - 10) : index]):
        if sample.output != "off" or first_loaded.test_time_s - sample.test_time_s > 10.0:
            return None
        if sample.voltage_v is not None and sample.current_a is not None:
            return sample
    return None


def _index(samples: Sequence[Sample], sequence: int) -> int:
    low, high = 0, len(samples)
    while low < high:
        middle = (low + high) // 2
        if samples[middle].sequence < sequence:
            low = middle + 1
        else:
            high = middle
    return low


def _edge(before: Sample | None, loaded: Sequence[Sample], out: Figures) -> None:
    measured = [s for s in loaded if s.voltage_v is not None and s.current_a is not None]
    if not measured:
        out.lack("no voltage and current were measured under load", *EDGE_NAMES, "dc_resistance_10_s_ohm")
        return
    # A load ramps: the first sample counts as "on" when it has half of the next one's current.
    after = measured[0]
    if len(measured) > 1 and abs(after.current_a or 0.0) < 0.5 * abs(measured[1].current_a or 0.0):
        after = measured[1]
    assert after.voltage_v is not None
    on_s = after.test_time_s - loaded[0].test_time_s
    out["voltage_after_load_on_v"] = Figure(
        after.voltage_v,
        "V",
        (after.sequence, after.sequence),
        f"{on_s:.2f} s after the first sample with the load on",
        formula="first sample with the load's current flowing",
    )
    if before is None or before.voltage_v is None or before.current_a is None:
        reason = "no measured sample with the outputs off in the 10 s before load-on"
        out.lack(reason, "rest_before_v", "dc_resistance_ohm", "dc_resistance_10_s_ohm")
        return
    out["rest_before_v"] = Figure(
        before.voltage_v, "V", (before.sequence, before.sequence), formula="last sample before load-on"
    )
    formula = "(V before − V after) ÷ (I before − I after), current negative when it discharges"
    later = next((s for s in measured if abs(s.test_time_s - loaded[0].test_time_s - 10.0) <= 0.6), None)
    for name, sample in (("dc_resistance_ohm", after), ("dc_resistance_10_s_ohm", later)):
        if sample is None or sample.voltage_v is None or sample.current_a is None:
            out.lack("no measured sample 10 s after load-on", name)
            continue
        change = before.current_a - sample.current_a
        if change < 0.05:
            out.lack(f"the current changed by {change:.3f} A only at load-on", name)
            continue
        window = sample.test_time_s - before.test_time_s
        lag = sample.test_time_s - loaded[0].test_time_s
        out[name] = Figure(
            (before.voltage_v - sample.voltage_v) / change,
            "Ω",
            (before.sequence, sample.sequence),
            f"window {window:.2f} s between the two samples, at least {lag:.2f} s of it under load",
            formula=formula,
        )


def _heat(info: RunInfo, start: Sample, loaded: Sequence[Sample], after: Sequence[Sample], out: Figures) -> None:
    begin = hottest_c(start, info.places)
    surroundings = ambient_c(start, info.places)
    if surroundings is None:
        out.lack("no ambient temperature at the start", "start_ambient_c")
    else:
        out["start_ambient_c"] = Figure(surroundings, "°C", (start.sequence, start.sequence))
    if begin is None:
        out.lack("no temperature of the pack at the start", *HEAT_NAMES)
        return
    out["start_temperature_c"] = Figure(begin, "°C", (start.sequence, start.sequence), formula="hottest sensor")
    top, moment = begin, start
    for sample in (*loaded, *after):
        value = hottest_c(sample, info.places)
        if value is not None and value > top:
            top, moment = value, sample
    where = (start.sequence, moment.sequence)
    since_stop = moment.test_time_s - loaded[-1].test_time_s
    note = f"{since_stop:.0f} s after the load went off" if since_stop > 0 else "while the load was on"
    out["hottest_c"] = Figure(top, "°C", where, note, formula="hottest sensor, into the rest that follows")
    out["temperature_rise_k"] = Figure(top - begin, "K", where, note, formula="hottest − hottest at the start")
    out["hottest_after_stop_s"] = Figure(since_stop, "s", where, formula="hottest moment − load off")


def _groups(before: Sample | None, loaded: Sequence[Sample], out: Figures) -> None:
    if not loaded[0].groups_v:
        out.lack("this bay measures no groups", *GROUP_NAMES)
        return
    rest = spread_v(before) if before is not None else None
    if rest is None or before is None:
        out.lack("not every group was measured at rest before the discharge", "group_spread_rest_v")
    else:
        where = (before.sequence, before.sequence)
        out["group_spread_rest_v"] = Figure(rest, "V", where, formula="highest − lowest group at rest")
        low = lowest_group(before)
        if rest > SPREAD_FLAG_V and low is not None:
            out.flags.append(
                f"groups {rest * 1000:.0f} mV apart at rest before the discharge: group {low[0]} was not full"
            )
    end = next((sample for sample in reversed(loaded) if spread_v(sample) is not None), None)
    if end is None:
        out.lack("not every group was measured under load", *GROUP_NAMES)
        return
    where = (end.sequence, end.sequence)
    out["group_spread_end_v"] = Figure(spread_v(end) or 0.0, "V", where, formula="highest − lowest, load on")
    low = lowest_group(end)
    if low is not None:
        note = "ended the discharge" if out.ended_by == "voltage" else "lowest when the discharge ended"
        out["ending_group"] = Figure(float(low[0]), "1", where, note, formula="number of the lowest group")
        out["ending_group_v"] = Figure(low[1], "V", where, note, formula="lowest group, load on")


def _rests(last_loaded: Sample, samples: Sequence[Sample], out: Figures) -> None:
    later = [sample for sample in samples if sample.sequence > last_loaded.sequence]
    period = sample_period_s(later) or 1.0
    for name, wait_s in (("rest_60_s_v", 60.0), ("rest_30_min_v", 1800.0)):
        target = last_loaded.test_time_s + wait_s
        for sample in later:
            if sample.output != "off":
                out.lack(f"the rest ended before {wait_s:.0f} s", name)
                break
            if sample.test_time_s >= target - 0.5 * period and sample.voltage_v is not None:
                late = sample.test_time_s - target
                if late <= 2.0 * period:
                    note = f"{wait_s + late:.1f} s after the last sample with the load on"
                    out[name] = Figure(sample.voltage_v, "V", (sample.sequence, sample.sequence), note)
                break
        out.lack(f"no measured sample {wait_s:.0f} s after the load went off", name)
