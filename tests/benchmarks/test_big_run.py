"""Ten hours at 10 Hz with 20 columns: time and memory of their figures, in a process of its own."""

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from benchwarden.results.columns import header
from tests.benchmarks import measured
from tests.benchmarks.test_ten_hours import slower
from tests.synthetic_run import Writer

pytestmark = pytest.mark.benchmark

ROWS = 360_000
SECONDS = 2.0
MEGABYTES = 300

WORK = """
import resource, sys, time
from pathlib import Path
from benchwarden.results.figures import write_result
from benchwarden.results.reading import read_run
write_result(read_run(Path(sys.argv[1])))
used = resource.getrusage(resource.RUSAGE_SELF)
# Not ru_maxrss: that of a child begins with what its parent held, here a long run of tests (getrusage(2), execve(2)).
peak = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
print(used.ru_utime + used.ru_stime, float(peak.split()[1]) * 1.024 / 1000)
"""


def write_rows(path: Path) -> None:
    """Write rows as a run of one group and two sensors has them: 17 columns that all have, and three."""
    chance = random.Random(1)
    charge = 0.0
    with path.open("w") as file:
        file.write(header(1, ["middle", "ambient"]))
        for number in range(ROWS):
            time_s = number * 0.1 + chance.random() * 1e-3
            volts, amperes = 4.2 - number / ROWS + chance.gauss(0.0, 1e-4), 0.5 + chance.random() * 1e-3
            charge += 0.05 * amperes / 3600
            row = [time_s, volts, -amperes, 1795640651.0 + time_s, 1, number + 1, "discharge", time_s, -volts * amperes]
            row += [0.0, charge, 0.0, charge * 3.7, "draw", "load", chance.random(), chance.random()]
            row += [23 + chance.random(), 23.0, volts]
            file.write(",".join(map(repr, row)).replace("'", "") + "\n")


def test_figures_of_ten_hours_at_10_hz(tmp_path: Path) -> None:
    writer = Writer()
    writer.begin("discharge")
    writer.end("lowest group 1 at 3.2 V, cut-off 3.2 V")
    load = {"accuracy": {"voltage": "0.05 % + 30 mV", "current": "0.1 % + 60 mA"}}
    writer.finish(tmp_path, writer.info(instruments={"load": load}, series=1))
    write_rows(tmp_path / "samples-001.csv")
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2] / "src")}
    command = [sys.executable, "-c", WORK, str(tmp_path)]
    # The better of two: whoever else works on the machine takes time, never gives any.
    runs = [subprocess.run(command, env=environment, capture_output=True, text=True, check=True) for _ in range(2)]
    seconds, megabytes = min(tuple(map(float, done.stdout.split())) for done in runs)
    measured.keep("figures", rows=ROWS, processor_s=seconds, megabytes=megabytes)
    print(f"\nfigures of {ROWS} rows: {seconds:.2f} s of processor time, {megabytes:.0f} MB")
    assert seconds <= SECONDS * slower()
    assert megabytes <= MEGABYTES
