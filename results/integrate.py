"""Charge and energy from samples by the trapezoid rule, and what of the time was not measured.

The rule's error is at most (b - a) h² max|f''| / 12 (composite trapezoid, any book on numerical analysis). It
is applied between valid samples only: a value that was not measured is never made up. Sums are exact (`math.fsum`),
so that they are the same on every machine.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import fsum
from statistics import median
from typing import Any

import numpy as np

from benchwarden.results.sample import Sample
from benchwarden.results.series import Numbers, Series

SAG_PERCENT = (10, 20, 30, 40, 50, 60, 70, 80, 90)
"""Where a curve over the delivered charge is read."""
GAP_PERIODS = 2.5
"""Two valid samples further apart than this many periods are not joined: one lost sample is, two are not."""


@dataclass(frozen=True, slots=True)
class Integral:
    """Charge and energy in one direction, both zero or above, and the time they were measured over.

    `unmeasured_s` is the time within the samples' span that lies in gaps. `first` and `last` are sequences.
    `mean_v` is the mean of the voltage over the measured time. `charge_rule_ah` and `energy_rule_wh` estimate the
    rule's own error by Richardson: a third of what changes when only every second sample is used.
    """

    charge_ah: float
    energy_wh: float
    measured_s: float
    unmeasured_s: float
    first: int
    last: int
    mean_v: float
    charge_rule_ah: float
    energy_rule_wh: float


def sample_period_s(samples: Sequence[Sample]) -> float | None:
    """Return the usual (median) time between neighbouring samples in seconds, None below two samples."""
    if isinstance(samples, Series):
        return float(np.median(np.diff(samples.test_time_s))) if len(samples) > 1 else None
    steps = [b.test_time_s - a.test_time_s for a, b in pairwise(samples)]
    return median(steps) if steps else None


def integrate(samples: Sequence[Sample], output: str, period_s: float | None = None) -> Integral | None:
    """Return the charge and energy that flowed while `output` ("load" or "supply") was on.

    Only neighbours that are both measured under that output are joined, and only across at most GAP_PERIODS
    periods; `period_s` defaults to the samples' own median. Current against the output's direction counts as
    zero (Battery Data Format: charge and energy are gated by the sign of the current). None when no two
    neighbours can be joined.
    """
    table = Series.of(samples)
    on = np.flatnonzero(table.is_on(output))
    if len(on) < 2:
        return None
    period = float(np.median(np.diff(table.test_time_s[on]))) if period_s is None else period_s
    stretch = np.cumsum(np.concatenate(([0], np.diff(on) != 1)))  # without another output between
    times = table.test_time_s[on]
    ends = np.flatnonzero(np.diff(stretch))
    begun, ended = np.concatenate(([0], ends + 1)), np.concatenate((ends, [len(on) - 1]))
    span_s = fsum(np.maximum(times[ended] - times[begun], 0.0).tolist())
    valid = np.flatnonzero(~np.isnan(table.voltage_v[on] + table.current_a[on]))
    rows, times, stretch = on[valid], times[valid], stretch[valid]
    if len(rows) < 2:
        return None
    step = np.diff(times)
    joined = (step > 0.0) & (step <= GAP_PERIODS * period) & (np.diff(stretch) == 0)
    if not joined.any():
        return None
    volts = table.voltage_v[rows]
    flow = np.maximum((-1.0 if output == "load" else 1.0) * table.current_a[rows], 0.0)
    charge, energy, volt_s = (_trapezoid(values, step, joined) for values in (flow, flow * volts, volts))
    measured = fsum(step[joined].tolist())
    return Integral(
        charge_ah=charge / 3600.0,
        energy_wh=energy / 3600.0,
        measured_s=measured,
        unmeasured_s=max(0.0, span_s - measured) if not joined.all() or measured < span_s * (1 - 1e-9) else 0.0,
        first=int(table.sequence[rows[0]]),
        last=int(table.sequence[rows[int(np.flatnonzero(joined)[-1]) + 1]]),
        mean_v=volt_s / measured,
        charge_rule_ah=_rule_error(flow, times, joined) / 3600.0,
        energy_rule_wh=_rule_error(flow * volts, times, joined) / 3600.0,
    )


def _trapezoid(values: Any, step: Any, joined: Any) -> float:
    return fsum((0.5 * (values[1:] + values[:-1]) * step)[joined].tolist())


def _rule_error(values: Any, times: Any, joined: Any) -> float:
    """Return a third of the change from every to every second sample, over pairs of steps that are both joined."""
    pairs = len(joined) // 2
    first, middle, last = (slice(n, n + 2 * pairs - 1, 2) for n in (0, 1, 2))
    both = joined[0 : 2 * pairs : 2] & joined[1 : 2 * pairs : 2]
    if not both.any():
        return 0.0
    fine = (values[first] + values[middle]) * (times[middle] - times[first])
    fine = fine + (values[middle] + values[last]) * (times[last] - times[middle])
    coarse = (values[first] + values[last]) * (times[last] - times[first])
    return abs(fsum((0.5 * (coarse - fine))[both].tolist())) / 3.0


def running(measured: Series) -> tuple[Numbers, Numbers]:
    """Return charge in Ah and energy in Wh delivered up to each measured sample, from zero at the first."""
    flow = np.maximum(-measured.current_a, 0.0)
    hours = np.diff(measured.test_time_s) / 3600.0
    power = flow * measured.voltage_v
    charge = np.cumsum(0.5 * (flow[1:] + flow[:-1]) * hours)
    energy = np.cumsum(0.5 * (power[1:] + power[:-1]) * hours)
    start = [0.0] if len(measured) else []
    return np.concatenate((start, charge)), np.concatenate((start, energy))


def time_mean(times_s: Numbers, values: Numbers) -> float:
    """Return the mean of `values` over their times (trapezoid); one value is its own mean.

    Raises ValueError without a value.
    """
    if not len(values):
        raise ValueError("time mean: no sample; at least one would be right")
    span = float(times_s[-1] - times_s[0])
    if span <= 0.0:
        return fsum(values.tolist()) / len(values)
    return fsum((0.5 * (values[1:] + values[:-1]) * np.diff(times_s)).tolist()) / span
