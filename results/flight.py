"""Figures of a recorded flight that was flown on the bench: minutes, repetitions, energy against the record's own."""

from collections.abc import Sequence
from itertools import pairwise

from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figure, Figures
from benchwarden.results.integrate import integrate
from benchwarden.results.ladder import planned_step
from benchwarden.results.run import Run, StepSpan

NAMES = ("flight_min", "flight_repetitions", "flight_record_wh", "flight_energy_over_record")


def record_wh(table: Sequence[Sequence[float]], table_s: float, from_s: float, to_s: float) -> float:
    """Return a record's own energy between two times of its clock, which runs on while it is repeated; Wh.

    `table`: rows of (seconds, W), each held until the next; the last ends the record at `table_s`.
    """

    def up_to(time_s: float) -> float:
        whole, rest_s = divmod(time_s, table_s)
        energy_ws = 0.0
        for (begin_s, power_w), (end_s, _) in pairwise(table):
            energy_ws += whole * power_w * (end_s - begin_s) + power_w * max(0.0, min(end_s, rest_s) - begin_s)
        return energy_ws

    return (up_to(to_s) - up_to(from_s)) / 3600.0


def flight_figures(run: Run, steps: Sequence[StepSpan], out: Figures) -> None:
    """Add the figures of the first discharge that follows a record to `out`; nothing if there is none."""
    for span in steps:
        planned = planned_step(run, span.count, "discharge")
        table, table_s = planned.get("table"), planned.get("table_s")
        if isinstance(table, list) and table and isinstance(table_s, int | float) and table_s > 0:
            _flown(run, span, [(float(row[0]), float(row[1])) for row in table], float(table_s), out)
            return


def _flown(run: Run, span: StepSpan, table: Sequence[tuple[float, float]], table_s: float, out: Figures) -> None:
    loaded = [sample for sample in span.samples if sample.output == "load"]
    if len(loaded) < 2:
        out.lack(f"step {span.count}: fewer than two samples with the load on", *NAMES)
        return
    ending = step_ending(run, span.count)
    least = ending.by != "voltage"
    note = f"ended by {ending.by}: {ending.words}" if least else ""
    where = (loaded[0].sequence, loaded[-1].sequence)
    flown_s = loaded[-1].test_time_s - loaded[0].test_time_s
    # The record's clock begins with its first power; what it waits before that is not flown.
    begin_s = next(time_s for time_s, power_w in table if power_w > 0)
    out["flight_min"] = Figure(flown_s / 60.0, "min", where, note, least, "last − first sample under load")
    out["flight_repetitions"] = Figure(
        (begin_s + flown_s) / table_s, "1", where, note, least, f"time flown ÷ the record's {table_s:g} s"
    )
    wanted_wh = record_wh(table, table_s, begin_s, begin_s + flown_s)
    out["flight_record_wh"] = Figure(wanted_wh, "Wh", where, note, least, "the record's own integral over that time")
    integral = integrate(span.samples, "load")
    if integral is None or wanted_wh <= 0 or integral.unmeasured_s > 0:
        out.lack(f"step {span.count}: the energy was not measured throughout", "flight_energy_over_record")
        return
    out["flight_energy_over_record"] = Figure(
        integral.energy_wh / wanted_wh, "1", where, note, formula="delivered energy ÷ the record's own"
    )
