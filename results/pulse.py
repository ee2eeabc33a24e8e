"""Figures of pulses: DC resistance from two steps of current; resistance and power at each state of a series."""

from collections.abc import Mapping, Sequence
from typing import Any

from benchwarden.results.discharge import edge_ohm
from benchwarden.results.figure import Figures
from benchwarden.results.ladder import planned_step
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.sample import Sample
from benchwarden.results.series import Series
from benchwarden.results.uncertain import Uncertain, value_of

# IEC 61960-3:2017, 7.7.3, reads at the end of 10 s and of 1 s; ± 0.1 s from memory.
TOLERANCE_S = 0.1
# How old a group's reading may be to stand for the moment of its sample.
_GROUP_AGE_S = 0.2
_HAIR_S = 1e-6


def two_step_ohm(first_v: Uncertain, first_a: Uncertain, second_v: Uncertain, second_a: Uncertain) -> Uncertain:
    """Return (U1 − U2) / (I2 − I1) in ohms; volts, amperes drawn (IEC 61960-3:2017, 7.7.3)."""
    return (first_v - second_v) / (second_a - first_a)


def pulse_power_w(open_v: Uncertain, least_v: float, ohm: Uncertain) -> Uncertain:
    """Return the power at which a pack with this open-circuit voltage and resistance is just at `least_v`, in W.

    Vmin (OCV − Vmin) / R: DOE/ID-11069 (2003), discharge pulse power capability (from memory); first-order theory.
    """
    return least_v * (open_v - least_v) / ohm


def pulse_figures(run: Run, spans: Sequence[StepSpan], out: Figures) -> None:
    """Add the figures of every pulse step to `out`; of two alike steps the first counts."""
    seen: set[str] = set()
    for span in spans:
        planned = planned_step(run, span.count, "pulse")
        method = str(planned.get("method", "two-step"))
        if method in seen:
            out.notes.append(f"the run holds several pulse steps; step {span.count} is not the first")
            continue
        seen.add(method)
        if method == "series":
            _series(run, span, planned, out)
        else:
            _two_step(run, span, planned, out)


def _two_step(run: Run, span: StepSpan, planned: Mapping[str, Any], out: Figures) -> None:
    name = "iec_resistance_ohm"
    loaded = [sample for sample in span.samples if sample.output == "load"]
    low = [sample for sample in loaded if sample.phase == "pulse: low"]
    high = [sample for sample in loaded if sample.phase == "pulse: high"]
    if not low or not high:
        out.lack(f"step {span.count}: the second step of current was not reached", name)
        return
    first, second = low[-1], high[-1]
    held = (first.test_time_s - loaded[0].test_time_s, second.test_time_s - first.test_time_s)
    for found_s, key, words in zip(held, ("low_s", "high_s"), ("first", "second"), strict=True):
        wanted_s = planned.get(key)
        if not isinstance(wanted_s, int | float) or abs(found_s - wanted_s) > TOLERANCE_S + _HAIR_S:
            out.lack(
                f"step {span.count}: the {words} voltage was read after {found_s:.2f} s, right would be {wanted_s} ± "
                f"{TOLERANCE_S:g} s",
                name,
            )
            return
    samples = Series.of(run.samples)
    at_rest = samples.at_sequence(loaded[0].sequence) - 1
    rest = samples[at_rest].sequence if at_rest >= 0 else None
    ohm = edge_ohm(out.meters, samples, first, second, "before the two steps", at_rest=rest)
    if ohm is None:
        out.lack(f"step {span.count}: voltage or current is missing, or the current did not rise", name)
        return
    where = (first.sequence, second.sequence)
    note = f"read after {held[0]:.2f} s and {held[1]:.2f} s more, IEC 61960-3:2017, 7.7.3"
    out.put(name, ohm, "Ω", where, note, formula="(U1 − U2) ÷ (I2 − I1)")
    ages = (first.groups_age_s, second.groups_age_s)
    oldest_s = max((age for age in ages if age is not None), default=0.0)
    for number in range(1, min(len(first.groups_v), len(second.groups_v)) + 1):
        group = f"iec_resistance_group_{number}_ohm"
        found = edge_ohm(out.meters, samples, first, second, "before the two steps", number, rest)
        if found is None or None in ages or oldest_s > _GROUP_AGE_S:
            out.lack(f"step {span.count}: group {number} was not read within {_GROUP_AGE_S:g} s of both ends", group)
        else:
            more = f"{note}; of the group, read up to {oldest_s:.2f} s before"
            out.put(group, found, "Ω", where, more, formula="(U1 − U2) ÷ (I2 − I1)")


def _series(run: Run, span: StepSpan, planned: Mapping[str, Any], out: Figures) -> None:
    levels, times_s = planned.get("levels"), planned.get("times_s")
    percent, portions = planned.get("portion_percent"), planned.get("portions")
    floor_v, series = planned.get("floor_v"), planned.get("series")
    if not (
        isinstance(levels, list)
        and isinstance(times_s, list)
        and isinstance(percent, int | float)
        and isinstance(portions, int)
    ):
        out.lack(f"step {span.count}: the plan does not say what was pulsed", "pulse_power_w")
        return
    within, samples = Series.of(span.samples), Series.of(run.samples)
    least_v = floor_v * series if isinstance(floor_v, int | float) and isinstance(series, int) else None
    samples = Series.of(run.samples)
    for portion in range(1, portions + 1):
        state = f"pulse_drawn_{portion * percent:g}"
        best: tuple[Sample, Sample, Uncertain] | None = None
        for number, level in enumerate(levels, start=1):
            pulse = list(within.in_phase(f"state {portion}: pulse {number}", "load"))
            before = _before(within, pulse)
            for time_s in times_s:
                name = f"{state}_{level['rate_c']:g}c_{time_s:g}s_ohm"
                found = None if before is None else _at(pulse, time_s)
                words = f"before {state}_{level['rate_c']:g}c"
                ohm = None if before is None or found is None else edge_ohm(out.meters, samples, before, found, words)
                if before is None or found is None or ohm is None:
                    out.lack(f"step {span.count}: that pulse was not measured {time_s:g} s after it began", name)
                    continue
                took_s = found.test_time_s - pulse[0].test_time_s
                out.put(
                    name,
                    ohm,
                    "Ω",
                    (before.sequence, found.sequence),
                    f"{-(found.current_a or 0.0):.2f} A, {took_s:.2f} s under load, {portion * percent:g} % drawn",
                    formula="(V before − V) ÷ (I before − I)",
                )
                if time_s == max(times_s):
                    best = (before, found, ohm)
        _power(run, span, f"{state}_power_w", best, least_v, out)


def _power(
    run: Run,
    span: StepSpan,
    name: str,
    best: tuple[Sample, Sample, Uncertain] | None,
    least_v: float | None,
    out: Figures,
) -> None:
    if best is None or least_v is None or best[0].voltage_v is None:
        out.lack(f"step {span.count}: no pulse of that state was held to its end", name)
        return
    before, found, ohm = best
    open_v, ohm_is = best[0].voltage_v, value_of(ohm)
    if open_v <= least_v or ohm_is <= 0:
        out.lack(f"step {span.count}: {open_v:.3f} V before the pulse, not above {least_v:.3f} V", name)
        return
    pack = run.info.plan.get("pack")
    allowed_a = pack.get("max_burst_a") if isinstance(pack, dict) else None
    needed_a = (open_v - least_v) / ohm_is
    beyond = ""
    if isinstance(allowed_a, int | float) and needed_a > allowed_a:
        beyond = f"; that is {needed_a:.0f} A, beyond the {allowed_a:g} A that the pack may give"
    out.put(
        name,
        pulse_power_w(out.meters.reading("load", "voltage", open_v), least_v, ohm),
        "W",
        (before.sequence, found.sequence),
        f"to {least_v:.2f} V of the pack, from {open_v:.3f} V, with {1000 * ohm_is:.3f} mΩ at the pulse's end; worked "
        f"out, not drawn{beyond}",
        formula="Vmin (OCV − Vmin) ÷ R",
    )


def _before(samples: Series, pulse: Sequence[Sample]) -> Sample | None:
    """Return the last measured sample with everything off before a pulse."""
    if not pulse:
        return None
    begin = samples.at_sequence(pulse[0].sequence)
    last = samples[begin - 1] if begin else None
    if last is None or last.output != "off" or last.voltage_v is None or last.current_a is None:
        return None
    return last


def _at(pulse: Sequence[Sample], time_s: float) -> Sample | None:
    near = min(pulse, key=lambda sample: abs(sample.test_time_s - pulse[0].test_time_s - time_s), default=None)
    if near is None or abs(near.test_time_s - pulse[0].test_time_s - time_s) > TOLERANCE_S / 2 + _HAIR_S:
        return None
    return near
