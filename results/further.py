"""Figures of the steps beside discharge and ladder, and what a pack's file lowers."""

import re
from collections.abc import Sequence

from benchwarden.results.cycles import cycle_figures
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.flight import flight_figures
from benchwarden.results.pulse import pulse_figures
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.sample import spread_v

_POWER = re.compile(r"pulse_drawn_([0-9.]+)_power_w")
_CYCLE = re.compile(r"cycle_(\d+)_ah")
_FEW = 10


def further_figures(run: Run, steps: Sequence[StepSpan], out: Figures) -> None:
    """Add the figures of inspections, pulses, repeats and flights to `out`, where the run has them."""
    pack = run.info.plan.get("pack")
    lowered = pack.get("lowered") if isinstance(pack, dict) else None
    out.flags.extend(str(words) for words in lowered or () if str(words) not in out.flags)
    for span in steps:
        if span.kind == "inspect":
            _inspected(span, out)
            break
    pulses = [span for span in steps if span.kind == "pulse"]
    if pulses:
        pulse_figures(run, pulses, out)
    cycle_figures(run, steps, out)
    flight_figures(run, steps, out)


def further_rows(found: Figures) -> list[tuple[str, str]]:
    """Return, in words, the figures whose names depend on the run: pulse powers and what each of a few cycles gave.

    All of them, and every resistance of a series, stand in result.json.
    """
    rows = [
        (f"pulse power, {match[1]} % drawn, W", f"{found[name].value:.0f}")
        for name in found
        if (match := _POWER.fullmatch(name))
    ]
    cycles = [(match[1], name) for name in found if (match := _CYCLE.fullmatch(name))]
    shown = cycles if len(cycles) <= _FEW else [*cycles[: _FEW // 2], *cycles[-_FEW // 2 :]]
    return rows + [
        (f"cycle {cycle}, Ah", f"{'≥ ' if found[name].at_least else ''}{found[name].value:.3f}")
        for cycle, name in shown
    ]


def _inspected(span: StepSpan, out: Figures) -> None:
    """What the last look at every group showed."""
    names = ("inspected_spread_v", "inspected_sum_apart_v")
    last = next((sample for sample in reversed(span.samples) if spread_v(sample) is not None), None)
    if last is None:
        out.lack(f"step {span.count}: no sample with every group of several", *names)
        return
    where = (last.sequence, last.sequence)
    out[names[0]] = Figure(spread_v(last) or 0.0, "V", where, formula="highest − lowest group, nothing on")
    if last.voltage_v is None:
        out.lack(f"step {span.count}: no pack voltage", names[1])
    else:
        apart_v = sum(value or 0.0 for value in last.groups_v) - last.voltage_v
        out[names[1]] = Figure(apart_v, "V", where, formula="sum of the groups − pack voltage")
