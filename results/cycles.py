"""Figures of repeated steps: what each cycle's discharge delivered, how much is left of the first, which one passed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchwarden.results.discharge import Drawn, begun_s, drawn
from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figures
from benchwarden.results.integrate import integrate
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.series import Series
from benchwarden.results.uncertain import value_of


@dataclass(frozen=True, slots=True)
class _Cycle:
    """What one cycle's discharge delivered, from which samples, and whether to the cut-off and measured throughout."""

    total: Drawn
    where: tuple[int, int]
    whole: bool

    @property
    def ah(self) -> float:
        return value_of(self.total.charge_ah)


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
    samples = Series.of(run.samples)
    found: dict[int, _Cycle] = {}
    for span in steps:
        cycle = cycles.get(span.count)
        if cycle is None or span.kind != "discharge":
            continue
        integral = integrate(span.samples, "load")
        if integral is None:
            continue
        at_cut_off = step_ending(run, span.count).by == "voltage"
        loaded = Series.of(span.samples).only("load")
        total = drawn(out.meters, "load", integral, loaded, begun_s(samples, loaded), at_cut_off, span.count)
        # The last discharge of a cycle is what it delivers.
        found[cycle] = _Cycle(total, (integral.first, integral.last), at_cut_off and integral.unmeasured_s == 0.0)
    if not found:
        out.lack("no cycle has a discharge that was measured", "cycles_done", "cycle_retention")
        return
    for cycle, one in sorted(found.items()):
        note = "" if one.whole else "not ended by the pack's cut-off, or not measured throughout"
        ah, wh, least = one.total.charge_ah, one.total.energy_wh, not one.whole
        out.put(f"cycle_{cycle}_ah", ah, "Ah", one.where, note, least, "∫ |I| dt, trapezoid")
        out.put(f"cycle_{cycle}_wh", wh, "Wh", one.where, note, least, "∫ |V·I| dt, trapezoid")
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


def _retention(found: Mapping[int, _Cycle], out: Figures) -> None:
    whole = [(cycle, one) for cycle, one in sorted(found.items()) if one.whole]
    if not whole:
        out.lack("no cycle's discharge was ended by the pack's cut-off", "cycles_done", "cycle_retention")
        return
    (first, begins), (last, ends) = whole[0], whole[-1]
    where = (begins.where[0], ends.where[1])
    out.put("cycles_done", float(len(whole)), "1", where, formula="cycles whose discharge ended at the cut-off")
    if len(whole) < 2 or begins.ah <= 0:
        out.lack("one cycle alone was whole", "cycle_retention")
        return
    # One meter and one clock measured both: their gains cancel, and what an offset adds to both nearly does.
    kept = ends.total.charge_ah / begins.total.charge_ah
    note = f"cycle {last} ÷ cycle {first}"
    out.put("cycle_retention", kept, "1", where, note, formula="delivered charge, last ÷ first cycle")


def _passed(run: Run, repeat: Mapping[str, Any], found: Mapping[int, _Cycle], out: Figures) -> None:
    share, rated_ah = repeat.get("at_least"), run.info.rated_capacity_ah
    if not isinstance(share, int | float) or repeat.get("at_least_of") != "rated" or rated_ah is None:
        return
    best, most = max(found.items(), key=lambda one: one[1].ah)
    of_rated = most.total.charge_ah / rated_ah
    note, formula = f"cycle {best}", "largest delivered charge ÷ rated capacity"
    out.put("best_cycle_over_rated", of_rated, "1", most.where, note, formula=formula)
    passed = [(cycle, one) for cycle, one in sorted(found.items()) if one.ah >= share * rated_ah]
    if not passed:
        out.lack(
            f"no cycle delivered {100 * share:g} % of {rated_ah:g} Ah{_close(best, share * rated_ah, out)}",
            "passed_in_cycle",
        )
        return
    cycle, one = passed[0]
    words = f"the first cycle that delivered {100 * share:g} % of {rated_ah:g} Ah{_close(cycle, share * rated_ah, out)}"
    out.put("passed_in_cycle", float(cycle), "1", one.where, words)


def _close(cycle: int, wanted_ah: float, out: Figures) -> str:
    """Return in words that a cycle lies nearer to the mark than its meter can tell; nothing where it does not."""
    figure = out[f"cycle_{cycle}_ah"]
    near = figure.U is not None and abs(figure.value - wanted_ah) <= figure.U
    return f"; cycle {cycle} lies nearer to that than the meter can tell" if near else ""
