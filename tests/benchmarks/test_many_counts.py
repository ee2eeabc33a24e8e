"""The load's own counts of two thousand steps: what judging them takes, beside the figures of the same rows."""

import time
from pathlib import Path

import numpy as np
import pytest

from benchwarden.results.counters import step_figures
from benchwarden.results.figure import Figures
from benchwarden.results.run import Run, RunInfo
from benchwarden.results.series import Series
from tests.benchmarks.test_ten_hours import slower

pytestmark = pytest.mark.benchmark

STEPS, ROWS_EACH = 2000, 180
SECONDS = 1.5


def test_every_step_is_judged_without_looking_at_all_rows_again() -> None:
    rows = STEPS * ROWS_EACH
    within = np.tile(np.arange(ROWS_EACH), STEPS)
    on = (within > 0) & (within < ROWS_EACH - 1)
    times, zero = np.arange(rows, dtype=np.float64) / 10.0, np.zeros(rows)
    columns = dict.fromkeys(
        ("charging_ah", "discharging_ah", "charging_wh", "discharging_wh", "groups_age_s", "temperatures_age_s"), zero
    )
    samples = Series(
        sequence=np.arange(1, rows + 1),
        step_count=np.repeat(np.arange(1, STEPS + 1), ROWS_EACH),
        test_time_s=times,
        unix_time_s=times,
        step_time_s=times,
        voltage_v=zero + 20.0,
        current_a=np.where(on, -5.0, 0.0),
        groups_v=np.zeros((rows, 6)),
        temperatures_c=np.zeros((rows, 3)),
        step_type=np.zeros(rows, dtype=np.int64),
        phase=np.zeros(rows, dtype=np.int64),
        output=np.where(on, 1, 0),
        words=("discharge", "load", "off"),
        **columns,
    )
    counted = 5.0 * (ROWS_EACH - 3) * 0.1 / 3600.0
    said = {"event": "counted_by_load", "charge_ah": counted, "energy_wh": 20.0 * counted}
    run = Run(Path("none"), RunInfo(), samples, [said | {"step": step} for step in range(1, STEPS + 1)], [])
    took_s: list[float] = []
    for _ in range(2):
        out = Figures(run.info)
        began_s = time.process_time()
        step_figures(run, samples.steps(), out)
        took_s.append(time.process_time() - began_s)
    print(f"\n{STEPS} steps of {ROWS_EACH} rows: {min(took_s):.2f} s of processor time")
    assert len(out.counts) == 2 * STEPS
    assert not out.flags
    assert min(took_s) <= SECONDS * slower()
