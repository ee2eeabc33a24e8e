"""Self-check of every step that draws: what the samples integrate to against what the load has counted by itself.

Both come from the same meter, so that its gain and offset cancel. What may differ is the time between the switching and
the nearest sample, which only the counter sees, what the current does between samples, and the clocks and last digits.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from benchwarden.results.draws import Drawn, Seen, Switchings, drawn, number
from benchwarden.results.figure import Figures, StepCount
from benchwarden.results.integrate import Integral
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.series import Series

NAMES = ("load_counter_charge_ratio", "load_counter_energy_ratio")
WORST_NAMES = ("load_counter_worst_charge_ratio", "load_counter_worst_energy_ratio")

SHARE = 0.001
"""How far the two may differ by clocks, noise and the meter's last digit (common practice, no source)."""
LEAST_AH, LEAST_WH = 0.001, 0.01
"""And by the counter's last digit in each draw, whatever flowed (common practice, no source)."""
_QUANTITIES = (("charge", "charge_ah", LEAST_AH, "Ah"), ("energy", "energy_wh", LEAST_WH, "Wh"))
_SHOWN = 10
_FLAGGED = 20


def counter_figures(run: Run, span: StepSpan, integral: Integral, out: Figures) -> None:
    """Add integral ÷ count of charge and energy of the first discharge to `out`; a flag where sampling is no reason.

    No U: neither how the instrument counts nor its clock is stated. The note says what is expected.
    """
    said = next(run.events_named("counted_by_load", span.count), None)
    if said is None:
        out.lack(f"step {span.count}: the load's own counters were not read after it", *NAMES)
        return
    found = _judged(Series.of(run.samples), span, said, Switchings.of(run.events), integral)
    out.counts.extend(found)
    for name, count in zip(NAMES, found, strict=True):
        if not _put(name, count, "", out):
            out.lack(f"step {count.step}: {count.lacking or _no_count(count.quantity)}", name)
    out.flags.extend(flags_of(found))


def step_figures(run: Run, steps: Sequence[StepSpan], out: Figures) -> None:
    """Judge every further step that the load has counted; adds the worst ratios of any step to `out`, and flags.

    The worst is the one that lies furthest out of what its own sampling explains, not the one furthest from 1: after a
    pulse of a second much is explained. Nothing is added to a run in which only the first discharge was counted.
    """
    said: dict[object, Mapping[str, Any]] = {}
    for event in run.events_named("counted_by_load"):
        said.setdefault(event.get("step"), event)
    done = {count.step for count in out.counts}
    further = [span for span in steps if span.count in said and span.count not in done]
    if not further:
        return
    samples, switchings = Series.of(run.samples), Switchings.of(run.events)
    for span in further:
        out.counts.extend(_judged(samples, span, said[span.count], switchings, None))
    out.flags.extend(flags_of([count for count in out.counts if count.step not in done]))
    out.counts.sort(key=lambda count: count.step)
    for name, (quantity, *_) in zip(WORST_NAMES, _QUANTITIES, strict=True):
        judged = [count for count in out.counts if count.quantity == quantity and count.integral and count.count]
        if judged:
            worst = max(judged, key=strain)
            among = f", of {len(judged)} steps" if len(judged) > 1 else ""
            _put(name, worst, f"step {worst.step} ({worst.kind}){among}: ", out)
    _lacking(out)


def strain(count: StepCount) -> float:
    """Return how far a count lies from the middle of what is explained, in halves of its width: above 1 is outside."""
    if count.count is None or count.least is None or count.most is None:
        return 0.0
    return abs(count.count - (count.least + count.most) / 2.0) / ((count.most - count.least) / 2.0)


def ratio(count: StepCount) -> float | None:
    """Return integral ÷ count; None where there is no count above 0."""
    return count.integral / count.count if count.integral is not None and count.count else None


def _put(name: str, count: StepCount, which: str, out: Figures) -> bool:
    """Keep one step's ratio under its name; False where there is none."""
    value = ratio(count)
    if value is None or count.integral is None or count.least is None or count.most is None:
        return False
    low = count.integral / count.most
    high = count.integral / count.least if count.least > 0.0 else math.inf
    note = f"{which}the load counted {count.count:.5g} {count.unit}; expected is {low:.5f} to {high:.5f}"
    where = (count.first or 0, count.last or 0)
    out.put(name, value, "1", where, note, formula="∫ of the samples ÷ the load's own counter")
    return True


def flags_of(counts: Sequence[StepCount]) -> list[str]:
    """Return a flag for each count that sampling does not explain; of many the first, and one that names the others."""
    astray = [count for count in counts if count.explained is False]
    shown = astray if len(astray) <= _FLAGGED else astray[: _FLAGGED - 1]
    found = [
        f"step {count.step}: the samples give {count.integral:.5g} {count.unit}, the load's own counter says "
        f"{count.count:.5g} {count.unit}; sampling explains {count.least:.5g} to {count.most:.5g} {count.unit}"
        for count in shown
    ]
    if len(shown) < len(astray):
        steps = dict.fromkeys(count.step for count in astray[len(shown) :])
        words = "the load's own counters differ from the samples by more than sampling explains there, too"
        found.append(f"{_listed(list(steps))}: {words}; load_counts in result.json has each")
    return found


def _lacking(out: Figures) -> None:
    """Say each reason for which steps have no count once, with the steps; the first discharge has said its own."""
    reasons: dict[str, dict[int, None]] = {}
    for count in out.counts:
        if count.lacking:
            reasons.setdefault(count.lacking, {})[count.step] = None
    if len(reasons) == 1 and all(count.lacking for count in out.counts):  # such as a map without counters
        out.lack(next(iter(reasons)), *WORST_NAMES)
        return
    out.lack("no step has a count to hold the samples against, see the notes", *WORST_NAMES)
    for reason, steps in reasons.items():
        out.notes.append(f"the load's own counters are lacking of {_listed(list(steps))}: {reason}")


def _listed(steps: Sequence[int]) -> str:
    if len(steps) == 1:
        return f"step {steps[0]}"
    if len(steps) > _SHOWN:
        return f"{len(steps)} steps, {steps[0]} to {steps[-1]}"
    return f"steps {', '.join(map(str, steps[:-1]))} and {steps[-1]}"


def _judged(
    samples: Series, span: StepSpan, said: Mapping[str, Any], switchings: Switchings, integral: Integral | None
) -> list[StepCount]:
    """Return a step's charge and energy beside what the load has counted; `integral`: the step's, if it is known."""
    counts = [StepCount(span.count, span.kind, quantity, unit) for quantity, _, _, unit in _QUANTITIES]
    if said.get("lacking"):
        return [replace(count, lacking=str(said["lacking"])) for count in counts]
    draws = drawn(samples, span, switchings, integral)
    if isinstance(draws, str):
        return [replace(count, lacking=draws) for count in counts]
    return [
        _against(count, draws, seen, said.get(key), digit * draws.draws)
        for count, seen, (_, key, digit, _) in zip(counts, (draws.charge, draws.energy), _QUANTITIES, strict=True)
    ]


def _against(empty: StepCount, draws: Drawn, seen: Seen, said: object, digits: float) -> StepCount:
    """Return one quantity judged: whether the count lies where nothing but the sampling tells it from the integral."""
    count = number(said)
    if count is None or count < 0.0:
        return replace(empty, lacking=_no_count(empty.quantity))
    integral = seen.integral / 3600.0
    even = SHARE * integral + seen.either_way / 3600.0 + digits
    least, most = integral + seen.least_unseen / 3600.0 - even, integral + seen.most_unseen / 3600.0 + even
    return replace(
        empty,
        integral=integral,
        count=count,
        least=max(0.0, least),
        most=most,
        explained=least <= count <= most,
        draws=draws.draws,
        first=draws.first,
        last=draws.last,
    )


def _no_count(quantity: str) -> str:
    return f"the load's own counter of {quantity} is not there or not above 0"
