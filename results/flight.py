"""Figures of a recorded flight that was flown on the bench: minutes, repetitions, energy against the record's own."""

from collections.abc import Sequence
from itertools import pairwise

from benchwarden.results.discharge import begun_s, drawn, ends_of
from benchwarden.results.ending import step_ending
from benchwarden.results.figure import Figures
from benchwarden.results.integrate import integrate
from benchwarden.results.ladder import planned_step
from benchwarden.results.run import Run, StepSpan
from benchwarden.results.series import Series

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
    loaded = Series.of(span.samples).only("load")
    if len(loaded) < 2:
        out.lack(f"step {span.count}: fewer than two samples with the load on", *NAMES)
        return
    ending = step_ending(run, span.count)
    least = ending.by != "voltage"
    note = f"ended by {ending.by}: {ending.words}" if least else ""
    where = (int(loaded.sequence[0]), int(loaded.sequence[-1]))
    begun = begun_s(Series.of(run.samples), loaded)
    ends = ends_of(out.meters, loaded, begun, not least, span.count)
    span_s = float(loaded.test_time_s[-1] - loaded.test_time_s[0])
    # The clock that timed the flight also played the record: it is in the minutes, not in the repetitions.
    played_s = span_s + ends.early_s + ends.late_s
    minutes = (played_s + span_s * out.meters.clock()) / 60.0
    out.put("flight_min", minutes, "min", where, note, least, "last − first sample under load")
    # The record's clock begins with its first power; what it waits before that is not flown.
    begin_s = next(time_s for time_s, power_w in table if power_w > 0)
    words = f"time flown ÷ the record's {table_s:g} s"
    out.put("flight_repetitions", (begin_s + played_s) / table_s, "1", where, note, least, words)
    wanted_wh = record_wh(table, table_s, begin_s, begin_s + span_s)
    first_w, last_w = (_power_w(table, table_s, begin_s + time_s) for time_s in (0.0, span_s))
    wanted = wanted_wh + (first_w * ends.early_s + last_w * ends.late_s) / 3600.0
    out.put("flight_record_wh", wanted, "Wh", where, note, least, "the record's own integral over that time")
    integral = integrate(span.samples, "load")
    if integral is None or wanted_wh <= 0 or integral.unmeasured_s > 0:
        out.lack(f"step {span.count}: the energy was not measured throughout", "flight_energy_over_record")
        return
    total = drawn(out.meters, "load", integral, loaded, begun, not least, span.count)
    formula = "delivered energy ÷ the record's own"
    out.put("flight_energy_over_record", total.energy_wh / wanted, "1", where, note, formula=formula)


def _power_w(table: Sequence[tuple[float, float]], table_s: float, time_s: float) -> float:
    """Return the record's power at a time of its clock."""
    return [power_w for begin_s, power_w in table if begin_s <= time_s % table_s][-1]
