"""Figures of repeated steps: what each cycle's discharge delivered, how much is left of the first, which one passed."""

from collections.abc import Mapping, Sequence
from typing import Any

from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.integrate import integrate
from benchwarden.results.run import Run, StepSpan


def cycle_figures(run: Run, steps: Sequence[StepSpan], out: Figures) -> None:
    """Add the figures of the first repeat to `out`; nothing if the plan repeats nothing."""
    repeats = run.info.plan.get("repeats")
    planned = run.info.plan.get("steps")
    if not isinstance(repeats, list) or not repeats or not isinstance(planned, list):
        return
    if len(repeats) > 1:
        out.notes.append(f"the plan holds {len(repeats)} repeats; the first counts")
    repeat = repeats[0]
    cycles = _cycles(planned, repeat.get("place"))
    found: dict[int, tuple[float, float, tuple[int, int], bool]] = {}
    for span in steps:
        cycle = cycles.get(span.count)
        if cycle is None or span.kind != "discharge":
            continue
        integral = integrate(span.samples, "load")
        if integral is None:
            continue
        whole = step_ending(run, span.count).by == "voltage" and integral.unmeasured_s == 0.0
        # The last discharge of a cycle is what it delivers.
        found[cycle] = (integral.charge_ah, integral.energy_wh, (integral.first, integral.last), whole)
    if not found:
        out.lack("no cycle has a discharge that was measured", "cycles_done", "cycle_retention")
        return
    for cycle, (charge_ah, energy_wh, where, whole) in sorted(found.items()):
        note = "" if whole else "not ended by the pack's cut-off, or not measured throughout"
        out[f"cycle_{cycle}_ah"] = Figure(charge_ah, "Ah", where, note, not whole, "∫ |I| dt, trapezoid")
        out[f"cycle_{cycle}_wh"] = Figure(energy_wh, "Wh", where, note, not whole, "∫ |V·I| dt, trapezoid")
    _retention(found, out)
    _passed(run, repeat, found, out)
    for event in run.events_named("step_left_out"):
        out.notes.append(f"step {event.get('step')} and what follows in its repeat were left out: {event.get('why')}")
        break


def _cycles(planned: Sequence[Any], place: object) -> dict[int, int]:
    """Return the cycle of each step of one repeat by the step's number."""
    found: dict[int, int] = {}
    for step in planned:
        cycle = step.get("cycle") if isinstance(step, dict) else None
        if isinstance(cycle, list) and len(cycle) == 2 and cycle[0] == place:
            found[step["number"]] = cycle[1]
    return found


def _retention(found: Mapping[int, tuple[float, float, tuple[int, int], bool]], out: Figures) -> None:
    whole = [(cycle, charge_ah, where) for cycle, (charge_ah, _, where, good) in sorted(found.items()) if good]
    if not whole:
        out.lack("no cycle's discharge was ended by the pack's cut-off", "cycles_done", "cycle_retention")
        return
    (first, first_ah, begins), (last, last_ah, ends) = whole[0], whole[-1]
    where = (begins[0], ends[1])
    out["cycles_done"] = Figure(float(len(whole)), "1", where, formula="cycles whose discharge ended at the cut-off")
    if len(whole) < 2 or first_ah <= 0:
        out.lack("one cycle alone was whole", "cycle_retention")
        return
    note = f"cycle {last} ÷ cycle {first}"
    out["cycle_retention"] = Figure(
        last_ah / first_ah, "1", where, note, formula="delivered charge, last ÷ first cycle"
    )


def _passed(
    run: Run,
    repeat: Mapping[str, Any],
    found: Mapping[int, tuple[float, float, tuple[int, int], bool]],
    out: Figures,
) -> None:
    share, rated_ah = repeat.get("at_least"), run.info.rated_capacity_ah
    if not isinstance(share, int | float) or repeat.get("at_least_of") != "rated" or rated_ah is None:
        return
    best, (best_ah, _, where, _) = max(found.items(), key=lambda one: one[1][0])
    out["best_cycle_over_rated"] = Figure(
        best_ah / rated_ah, "1", where, f"cycle {best}", formula="largest delivered charge ÷ rated capacity"
    )
    passed = [
        (cycle, where) for cycle, (charge_ah, _, where, _) in sorted(found.items()) if charge_ah >= share * rated_ah
    ]
    if passed:
        words = f"the first cycle that delivered {100 * share:g} % of {rated_ah:g} Ah"
        out["passed_in_cycle"] = Figure(float(passed[0][0]), "1", passed[0][1], words)
    else:
        out.lack(f"no cycle delivered {100 * share:g} % of {rated_ah:g} Ah", "passed_in_cycle")
