"""How long lists of thousands of runs and a comparison of twenty take, as multiples of a fixed piece of work.

As in test_ten_hours.py: processor time, against work of the same kind in the same process. Prints seconds as well.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchwarden.results.charts import write_comparison
from benchwarden.results.collection import Wanted, all_runs, as_text, filtered
from benchwarden.results.compare import compare
from benchwarden.results.figures import write_result
from benchwarden.results.reading import read_run
from tests.benchmarks import measured
from tests.benchmarks.test_ten_hours import calibrate_s
from tests.synthetic_run import discharge_run, ladder_plan, ladder_steps

pytestmark = pytest.mark.benchmark

RUNS, COMPARED = 5000, 20
# Twice what was measured on two cores of a shared virtual machine under Python 3.11.
LIST_MOST, COMPARE_MOST = 1.4, 40.0


def test_five_thousand_sealed_runs_are_listed_and_filtered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    writer = discharge_run(every_s=60.0)
    first = writer.finish(tmp_path / "first")
    result = write_result(read_run(first)).read_text()
    for number in range(RUNS):
        pack = f"pack {number % 250:03d}"
        folder = tmp_path / "runs" / pack.replace(" ", "-") / f"2026-{1 + number // 500:02d}-01T{number:05d}Z_standard"
        folder.mkdir(parents=True)
        info = writer.info(pack, started_utc=f"2026-{1 + number // 500:02d}-01T00:00:00Z")
        (folder / "run.json").write_text(json.dumps(info))
        (folder / "result.json").write_text(result)
    began_s = time.perf_counter()
    all_runs(tmp_path / "runs")
    first_s = time.perf_counter() - began_s
    before_s = calibrate_s()
    began_s, began_wall_s = time.process_time(), time.perf_counter()
    found = filtered(all_runs(tmp_path / "runs"), Wanted(pack="07", since="2026-03"))
    text = as_text(found)
    spent_s, wall_s = time.process_time() - began_s, time.perf_counter() - began_wall_s
    work_s = (before_s + calibrate_s()) / 2.0
    assert len(text.splitlines()) == len(found) + 1 > 100
    # The whole command, as somebody types it, with the start of Python in it; the better of three.
    command = [sys.executable, "-m", "benchwarden.daemon.main", "runs", "--runs", str(tmp_path / "runs")]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2] / "src")}
    whole_s: list[float] = []
    for _ in range(3):
        began_whole_s = time.perf_counter()
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        whole_s.append(time.perf_counter() - began_whole_s)
        assert len(done.stdout.splitlines()) >= RUNS
    measured.keep("runs", runs=RUNS, command_s=min(whole_s), processor_s=spent_s, ratio=spent_s / work_s)
    with capsys.disabled():
        print(
            f"\n{RUNS} runs listed and filtered: {spent_s:.3f} s of processor, {wall_s:.3f} s in all, "
            f"{spent_s / work_s:.2f} times the fixed work (at most {LIST_MOST}); the index made anew: {first_s:.1f} s"
        )
    assert spent_s / work_s < LIST_MOST


def test_a_comparison_of_twenty_runs_with_all_charts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("matplotlib")
    folders: list[Path] = []
    for number in range(COMPARED):
        writer = discharge_run(every_s=0.1, ohm=0.003 + 0.0001 * (number % 5))
        writer.charge_c = 0.0
        ladder_steps(writer, 5, 12, 3.0)
        info = writer.info(f"Pack {number // 5}", plan=ladder_plan(4, 3.0))
        folders.append(writer.finish(tmp_path / f"pack-{number // 5}" / f"run-{number}", info))
    before_s = calibrate_s()
    began_s, began_wall_s = time.process_time(), time.perf_counter()
    comparison = compare([read_run(folder) for folder in folders])
    made = write_comparison(comparison, tmp_path / "out")
    spent_s, wall_s = time.process_time() - began_s, time.perf_counter() - began_wall_s
    work_s = (before_s + calibrate_s()) / 2.0
    rows = sum(len(entry.run.samples) for entry in comparison.entries)
    assert len(made) == 12
    measured.keep("comparison", runs=COMPARED, rows=rows, wall_s=wall_s, processor_s=spent_s, ratio=spent_s / work_s)
    with capsys.disabled():
        print(
            f"\n{COMPARED} runs of {rows} rows compared, with every chart: {spent_s:.1f} s of processor, "
            f"{wall_s:.1f} s in all, {spent_s / work_s:.1f} times the fixed work (at most {COMPARE_MOST})"
        )
    assert spent_s / work_s < COMPARE_MOST
