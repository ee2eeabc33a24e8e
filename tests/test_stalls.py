"""Tests that fail while the machine stands still, each in a pytest of its own."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.stalls import STALL_S, StallMeter

ROOT = Path(__file__).parents[1]
HOOKS = """
import pytest
from tests.stalls import METER, pytest_runtest_protocol, say_tried_again
def pytest_terminal_summary(terminalreporter):
    say_tried_again(terminalreporter)
"""
TEST = """
from tests.stalls import METER, monotonic
tries = []
@pytest.fixture
def fresh():
    return []
def test_it(fresh):
    tries.append(len(fresh))
    fresh.append(1)
    assert tries == [0] * len(tries)
    if {stall}:
        METER.note(monotonic() - 2.5, 0.0)
    assert len(tries) > {fails}
"""


@pytest.mark.parametrize(
    ("stall", "fails", "passed"),
    [(True, 1, True), (True, 2, False), (False, 1, False)],
    ids=["tried again", "fails twice", "nothing stood still"],
)
def test_only_what_failed_while_the_machine_stood_still_is_tried_again(
    tmp_path: Path, stall: bool, fails: int, passed: bool
) -> None:
    (tmp_path / "conftest.py").write_text(HOOKS)
    (tmp_path / "test_it.py").write_text("import pytest" + TEST.format(stall=stall, fails=fails))
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(tmp_path), str(tmp_path)],
        env=os.environ | {"PYTHONPATH": f"{ROOT / 'src'}:{ROOT}"},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == (0 if passed else 1), done.stdout
    said = re.findall(r"TRIED AGAIN: test_it\.py::test_it: the machine stood still for 2\.5 s: (.*)", done.stdout)
    assert len(said) == (1 if stall else 0), done.stdout
    assert ("1 passed" in done.stdout) == passed


def test_a_stall_counts_for_what_ran_meanwhile_only() -> None:
    now_s = [100.0]
    meter = StallMeter(lambda: now_s[0])
    meter.note(100.0 - STALL_S - 0.04, 0.05)  # a usual tick, and something less than a stall
    assert meter.longest_s(0.0) == 0.0
    meter.note(98.0, 0.05)
    assert meter.longest_s(99.0) == pytest.approx(1.95)
    assert meter.longest_s(100.5) == 0.0
