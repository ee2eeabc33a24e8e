"""What the samples see of a step's draws, and what may have flowed where they did not look.

That is the time between the switching and the nearest sample, and what the current does between two samples.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchwarden.results.integrate import Integral, integrate
from benchwarden.results.run import StepSpan
from benchwarden.results.series import Numbers, Series

SURE = 3.0
"""So many standard deviations of what lies between samples are allowed for (common practice, no source)."""
GRAIN_S = 1e-3
"""Times of events and of samples are rounded; so near is the same moment."""


@dataclass(slots=True)
class Seen:
    """One quantity over a step in A·s or W·s: the integral, its error either way, what flowed unseen at the edges."""

    integral: float = 0.0
    either_way: float = 0.0
    least_unseen: float = 0.0
    most_unseen: float = 0.0


@dataclass(slots=True)
class Drawn:
    """A step's draws: charge and energy, how many there were, the first and the last sequence."""

    draws: int
    first: int
    last: int
    charge: Seen = field(default_factory=Seen)
    energy: Seen = field(default_factory=Seen)


@dataclass(frozen=True, slots=True)
class Switchings:
    """When the load was ordered on, with the most it was allowed to draw (A), and off: run times in s.

    Each off is (ordered, answered). Runs from before those times were written have none.
    """

    on: Numbers
    most_a: Numbers
    off: Numbers

    @classmethod
    def of(cls, events: Iterable[Mapping[str, Any]]) -> "Switchings":
        """Return the switchings that a run's events tell of."""
        on: list[tuple[float, float]] = []
        off: list[tuple[float, float]] = []
        for event in events:
            name = event.get("event")
            if name not in ("output_on", "output_off"):
                continue
            said_s, ordered_s, answered_s = (
                number(event.get(key)) for key in ("test_time_s", "ordered_ago_s", "answered_ago_s")
            )
            if said_s is None or ordered_s is None or answered_s is None:
                continue
            if name == "output_off":
                off.append((said_s - ordered_s, said_s - answered_s))
            elif event.get("output") == "load":
                most_a = number(event.get("ceiling_a"))
                on.append((said_s - ordered_s, math.nan if most_a is None else most_a))
        ons = np.array(sorted(on), dtype=np.float64).reshape(-1, 2)
        return cls(ons[:, 0], ons[:, 1], np.array(sorted(off), dtype=np.float64).reshape(-1, 2))

    def on_between(self, early_s: float, late_s: float) -> tuple[float, float] | None:
        """Return when the load was last ordered on between two times and the most it might draw; None if never."""
        index = int(np.searchsorted(self.on, late_s + GRAIN_S, "right")) - 1
        if index < 0 or self.on[index] < early_s - GRAIN_S:
            return None
        return float(self.on[index]), float(self.most_a[index])

    def off_between(self, early_s: float, late_s: float) -> tuple[float, float] | None:
        """Return when off was first ordered between two times and when it was answered; None if never."""
        index = int(np.searchsorted(self.off[:, 0], early_s - GRAIN_S))
        if index >= len(self.off) or self.off[index, 0] > late_s + GRAIN_S:
            return None
        return float(self.off[index, 0]), float(self.off[index, 1])


def drawn(samples: Series, span: StepSpan, switchings: Switchings, integral: Integral | None) -> Drawn | str:
    """Return what a step drew, draw by draw, or in words why that does not compare with a count.

    `integral`: the step's, where it is known already; each draw has sample periods of its own.
    """
    begin = samples.at_sequence(span.samples[0].sequence)
    table = samples[max(0, begin - 1) : begin + len(span.samples) + 1]
    load = table.is_on("load") & np.equal(table.step_count, span.count)
    edges = np.diff(np.concatenate(([0], load.astype(np.int8), [0])))
    # The first row of each draw, and the first one after it.
    begins, ends = np.flatnonzero(edges > 0).tolist(), np.flatnonzero(edges < 0).tolist()
    if not begins:
        return "no sample with the load on"
    if ends[-1] >= len(table):
        return "no sample with the outputs off after it"
    known = load & ~np.isnan(table.voltage_v + table.current_a)
    found = Drawn(len(begins), 0, 0)
    unmeasured_s = 0.0
    rows = np.flatnonzero(known)
    for first, after in zip(begins, ends, strict=True):
        own = rows[int(np.searchsorted(rows, first)) : int(np.searchsorted(rows, after))]
        before = max(0, first - 1)
        if not len(own):
            unmeasured_s += float(table.test_time_s[after] - table.test_time_s[before])
            continue
        one = integral if integral is not None and len(begins) == 1 else integrate(table[first:after], "load")
        if one is not None:
            unmeasured_s += one.unmeasured_s
        _add(found, table, one, own, before, after, switchings)
    if unmeasured_s > 0.0:
        return f"{unmeasured_s:.1f} s under load were not measured, but counted"
    found.first, found.last = int(table.sequence[rows[0]]), int(table.sequence[rows[-1]])
    return found


def _add(
    found: Drawn,
    table: Series,
    integral: Integral | None,
    own: Any,
    before: int,
    after: int,
    switchings: Switchings,
) -> None:
    """Add one draw: its measured rows `own`, and the rows before and after it with the outputs off."""
    times = table.test_time_s
    flow = np.maximum(-table.current_a[own], 0.0)
    volts = table.voltage_v[own]
    began, ended = float(times[own[0]]), float(times[own[-1]])
    on = switchings.on_between(float(times[before]), began)
    off = switchings.off_between(ended, float(times[after]))
    early_s = began - (float(times[before]) if on is None else on[0])
    surely_s, late_s = (0.0, float(times[after]) - ended) if off is None else (off[0] - ended, off[1] - ended)
    # One reading alone may have caught the load on its way up: it draws what it was allowed to at most.
    most_a = on[1] if on is not None and len(flow) == 1 and not math.isnan(on[1]) else 0.0
    # At rest the pack's voltage is higher than the nearest one under load.
    early_v, late_v = np.fmax(volts[[0, -1]], table.voltage_v[[before, after]]).tolist()
    first_a, last_a = (max(float(near.max()), most_a) for near in (flow[:2], flow[-2:]))
    surely_a, surely_v = float(flow[-2:].min()), float(volts[-2:].min())
    surely_s, early_s, late_s = (max(0.0, seconds) for seconds in (surely_s, early_s, late_s))
    found.charge.least_unseen += surely_s * surely_a
    found.charge.most_unseen += early_s * first_a + late_s * last_a
    found.energy.least_unseen += surely_s * surely_a * surely_v
    found.energy.most_unseen += early_s * first_a * early_v + late_s * last_a * late_v
    step_s = np.diff(times[own])
    found.charge.either_way += between(flow, step_s)
    found.energy.either_way += between(flow * volts, step_s)
    if integral is not None:
        found.charge.integral += 3600.0 * integral.charge_ah
        found.energy.integral += 3600.0 * integral.energy_wh
        found.charge.either_way += 3600.0 * integral.charge_rule_ah
        found.energy.either_way += 3600.0 * integral.energy_rule_wh


def between(values: Numbers, step_s: Numbers) -> float:
    """Return how far the trapezoid rule may be off where a set-point changes between two samples, in values · s.

    The change lies anywhere between them. If it always follows the same sample, as a set-point does, the errors add up
    with their signs: ½ |Σ Δ·dt|. If it falls evenly, each has the variance (Δ·dt)²/12, and SURE deviations are allowed.
    """
    changes = np.diff(values) * step_s
    return abs(math.fsum(changes.tolist())) / 2.0 + SURE * math.sqrt(math.fsum((changes * changes).tolist()) / 12.0)


def number(value: object) -> float | None:
    """Return a finite number as one; None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)
