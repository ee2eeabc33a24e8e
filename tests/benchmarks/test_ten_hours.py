"""How much of the processor ten hours of testing take, as a multiple of a fixed piece of work on the same machine.

Seconds differ from machine to machine and from day to day; their ratio to work of the same kind, done in the same
process just before and just after, differs little. Run with `pytest -m benchmark -s tests/benchmarks`.
"""

import json
import time
from pathlib import Path

import pytest

from benchwarden.simulators.scenario import demo_bench
from tests.virtual_bench import on_virtual_time, run_test

pytestmark = pytest.mark.benchmark

HOURS = 10
# Twice what was measured on two cores of a shared virtual machine under Python 3.11.
MOST = 100.0

# The fixed work below, in processor seconds, on the machine of README's table.
USUAL_S = 0.2

# 0.09C for ten hours: the load is on all the time, which is the dearest state for physics, limits and ledger alike.
PROFILE = f"""
title = "Ten hours"
[[step]]
do = "discharge"
current = "0.09C"
at_most = "{HOURS} h"
stop_at = {{ group_voltage = "2.8 V" }}
"""


def calibrate_s() -> float:
    """Processor seconds for a fixed number of round trips of a fixed object through JSON text."""
    row = {f"group_{number}_v": 3.7 + number / 1000.0 for number in range(20)} | {
        "phase": "discharge",
        "on": [True] * 5,
    }
    began_s = time.process_time()
    for _ in range(20_000):
        assert json.loads(json.dumps(row)) == row
    return time.process_time() - began_s


def slower() -> float:
    """Return by what a bound in seconds is multiplied: at least 1, more on a slower machine than README's."""
    return max(1.0, calibrate_s() / USUAL_S)


def test_ten_hours_of_five_instruments(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bay = demo_bench()[0]
    assert len(bay.instruments) == 5
    text = (Path(__file__).parents[2] / "daemon" / "commands" / "demo_heron.toml").read_text(encoding="utf-8")
    before_s = calibrate_s()
    began_s, began_wall_s = time.process_time(), time.perf_counter()
    done = on_virtual_time(run_test(tmp_path, bay, text, PROFILE, soc=1.0))
    spent_s, wall_s = time.process_time() - began_s, time.perf_counter() - began_wall_s
    work_s = (before_s + calibrate_s()) / 2.0
    assert done.ending.how == "finished"
    under = [sample for sample in done.run.samples if sample.output == "load"]
    assert under[-1].test_time_s - under[0].test_time_s == pytest.approx(HOURS * 3600.0, abs=2.0)
    assert len(under) == pytest.approx(HOURS * 3600, abs=2)
    ratio = spent_s / work_s
    with capsys.disabled():
        print(
            f"\n{HOURS} h with {len(bay.instruments)} instruments: {spent_s:.2f} s of processor, {wall_s:.2f} s on the "
            f"wall; fixed work {work_s:.3f} s; ratio {ratio:.1f}, at most {MOST:g}"
        )
    assert ratio <= MOST
