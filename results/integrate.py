"""Charge and energy from samples by the trapezoid rule, and what of the time was not measured.

The rule's error is at most (b - a) h² max|f''| / 12 (composite trapezoid, any book on numerical analysis). It
is applied between valid samples only: a value that was not measured is never made up.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from benchwarden.results.sample import Sample

GAP_PERIODS = 2.5
"""Two valid samples further apart than this many periods are not joined: one lost sample is, two are not."""


@dataclass(frozen=True, slots=True)
class Integral:
    """Charge and energy in one direction, both zero or above, and the time they were measured over.

    `unmeasured_s` is the time within the samples' span that lies in gaps. `first` and `last` are sequences.
    """

    charge_ah: float
    energy_wh: float
    measured_s: float
    unmeasured_s: float
    first: int
    last: int


def sample_period_s(samples: Sequence[Sample]) -> float | None:
    """Return the usual (median) time between neighbouring samples in seconds, None below two samples."""
    steps = [b.test_time_s - a.test_time_s for a, b in pairwise(samples)]
    return median(steps) if steps else None


def integrate(samples: Sequence[Sample], output: str, period_s: float | None = None) -> Integral | None:
    """Return the charge and energy that flowed while `output` ("load" or "supply") was on.

    Only neighbours that are both measured under that output are joined, and only across at most GAP_PERIODS
    periods; `period_s` defaults to the samples' own median. Current against the output's direction counts as
    zero (Battery Data Format: charge and energy are gated by the sign of the current). None when no two
    neighbours can be joined.
    """
    sign = -1.0 if output == "load" else 1.0
    on = [sample for sample in samples if sample.output == output]
    period = sample_period_s(on) if period_s is None else period_s
    if period is None:
        return None
    longest = GAP_PERIODS * period
    charge = energy = measured = unmeasured = 0.0
    first: int | None = None
    last = 0
    previous: tuple[float, float, float] | None = None
    covered_s: float | None = None  # up to where the time under this output is accounted for
    latest_s = 0.0
    for sample in samples:
        if sample.output != output:
            if covered_s is not None:
                unmeasured += latest_s - covered_s
            covered_s = previous = None
            continue
        latest_s = sample.test_time_s
        if covered_s is None:
            covered_s = latest_s
        if sample.voltage_v is not None and sample.current_a is not None:
            flow = max(0.0, sign * sample.current_a)
            now = (sample.test_time_s, flow, flow * sample.voltage_v)
            if previous is not None:
                step = now[0] - previous[0]
                if 0.0 < step <= longest:
                    charge += 0.5 * (previous[1] + now[1]) * step
                    energy += 0.5 * (previous[2] + now[2]) * step
                    measured += step
                    last = sample.sequence
                else:
                    unmeasured += max(0.0, step)
            else:
                unmeasured += latest_s - covered_s
            if first is None:
                first = sample.sequence
            previous = now
            covered_s = latest_s
    if covered_s is not None:
        unmeasured += latest_s - covered_s
    if first is None or measured == 0.0:
        return None
    return Integral(charge / 3600.0, energy / 3600.0, measured, unmeasured, first, last)


def time_mean(samples: Sequence[Sample], values: Sequence[float]) -> float:
    """Return the mean of `values` over the samples' time (trapezoid); one sample is its own mean.

    Raises ValueError without a sample.
    """
    if not values:
        raise ValueError("time mean: no sample; at least one would be right")
    span = samples[-1].test_time_s - samples[0].test_time_s
    if span <= 0.0:
        return sum(values) / len(values)
    area = 0.0
    for index in range(1, len(values)):
        step = samples[index].test_time_s - samples[index - 1].test_time_s
        area += 0.5 * (values[index] + values[index - 1]) * step
    return area / span
