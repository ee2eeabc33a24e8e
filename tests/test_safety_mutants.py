"""Every comparison, constant, state and table entry of daemon/safety.py, wrong once: the tests of safety notice it."""

import pytest

from tests.extent import over_all_cores
from tests.mutants import SOURCE, judge_mutant, mutants, noticed

pytestmark = pytest.mark.endure

# What no test can notice, by the end of its name, and why.
EQUIVALENT = {
    "82:30 True: flipped": "slots save memory and decide nothing",
    "103:30 True: flipped": "slots save memory and decide nothing",
    "186:46 value > limit.high: Gt 0 is GtE": "a value at its limit is fine, and nobody asks whether it is heat",
}


def test_a_mutant_is_noticed_and_the_file_itself_passes() -> None:
    assert not noticed(SOURCE.read_text(encoding="utf-8"))


def test_no_mutant_of_safety_survives() -> None:
    made = mutants()
    assert len(made) > 120
    survivors = {name for name, seen in over_all_cores(judge_mutant, made.items()) if not seen}
    assert survivors == set(EQUIVALENT)
