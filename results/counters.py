"""Self-check of a discharge: what the samples integrate to against what the load has counted by itself.

Both come from the same meter, so that its gain and offset cancel. What may differ is the time between the switching and
the nearest sample, which only the counter sees, the trapezoid rule, and the two clocks and last digits.
"""

import numpy as np

from benchwarden.results.figure import Figures
from benchwarden.results.integrate import Integral
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.series import Series

NAMES = ("load_counter_charge_ratio", "load_counter_energy_ratio")

SHARE = 0.001
"""How far the two may differ by clocks, noise and the meter's last digit (common practice, no source)."""
LEAST_AH, LEAST_WH = 0.001, 0.01
"""And by the counter's last digit, whatever flowed (common practice, no source)."""


def counter_figures(run: Run, span: StepSpan, integral: Integral, out: Figures) -> None:
    """Add integral ÷ count of charge and energy of a discharge to `out`; a flag where sampling does not explain it.

    No U: neither how the instrument counts nor its clock is stated. The note says what is expected.
    """
    said = next(run.events_named("counted_by_load", span.count), None)
    if said is None:
        out.lack(f"step {span.count}: the load's own counters were not read after it", *NAMES)
        return
    if said.get("lacking"):
        out.lack(f"step {span.count}: {said['lacking']}", *NAMES)
        return
    if integral.unmeasured_s > 0.0:
        out.lack(f"{integral.unmeasured_s:.1f} s under load were not measured, but counted", *NAMES)
        return
    unseen = _unseen(Series.of(run.samples), span.count)
    if unseen is None:
        out.lack(f"step {span.count}: no sample with the outputs off after it", *NAMES)
        return
    where = (integral.first, integral.last)
    for name, key, found, rule, most, least, unit in (
        (NAMES[0], "charge_ah", integral.charge_ah, integral.charge_rule_ah, unseen[0], LEAST_AH, "Ah"),
        (NAMES[1], "energy_wh", integral.energy_wh, integral.energy_rule_wh, unseen[1], LEAST_WH, "Wh"),
    ):
        count = said.get(key)
        if isinstance(count, bool) or not isinstance(count, int | float) or not 0.0 < count < float("inf"):
            out.lack(f"step {span.count}: the load's own counter of {key} is not there or not above 0", name)
            continue
        even = SHARE * found + rule + least
        low, high = found / (found + most + even), found / (found - even) if found > even else float("inf")
        note = f"the load counted {count:.5g} {unit}; expected is {low:.5f} to {high:.5f}"
        out.put(name, found / count, "1", where, note, formula="∫ of the samples ÷ the load's own counter")
        if not low <= found / count <= high:
            out.flags.append(
                f"step {span.count}: the samples give {found:.5g} {unit}, the load's own counter says {count:.5g} "
                f"{unit}; sampling explains {found - even:.5g} to {found + most + even:.5g} {unit}"
            )


def _unseen(samples: Series, step: int) -> tuple[float, float] | None:
    """Return the most that can have flowed between switching and samples in a step, in Ah and Wh.

    That is at each end of each stretch under load the larger of its two nearest readings, for the time from the sample
    before, or to the one after, which were taken with the outputs off. None where there is no sample after.
    """
    load = samples.is_on("load") & (samples.step_count == step)
    known = np.flatnonzero(load & ~np.isnan(samples.voltage_v + samples.current_a))
    edges = np.diff(np.concatenate(([0], load.astype(int), [0])))
    charge_as = energy_ws = 0.0
    begins, ends = (
        np.flatnonzero(edges > 0).tolist(),
        np.flatnonzero(edges < 0).tolist(),
    )  # the first in, the first after
    for begin, end in zip(begins, ends, strict=True):
        own = known[(known >= begin) & (known < end)]
        if end >= len(samples):
            return None
        if not len(own):
            continue
        early_s = float(samples.test_time_s[own[0]] - samples.test_time_s[max(0, begin - 1)])
        late_s = float(samples.test_time_s[end] - samples.test_time_s[own[-1]])
        amperes = abs(samples.current_a[own])
        watts = amperes * samples.voltage_v[own]
        charge_as += early_s * float(amperes[:2].max()) + late_s * float(amperes[-2:].max())
        energy_ws += early_s * float(watts[:2].max()) + late_s * float(watts[-2:].max())
    return charge_as / 3600.0, energy_ws / 3600.0
