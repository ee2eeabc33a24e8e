"""One fault at one operation of a run, for every operation in turn: what must hold whatever happens when.

Three short runs are numbered through, then repeated with one fault each (tests/nth_fault.py). By default a part of the
operations, drawn from one seed; every single one with `make endure`.
"""

import pytest

from tests.extent import extents, over_all_cores, some
from tests.nth_fault import ROUNDS, Bad, How, judge_disk, judge_exchange, sound_round

# Of each round and kind of fault, by default.
EXCHANGES, OPERATIONS = 20, 12


def test_the_runs_without_a_fault_are_what_the_faults_are_put_into() -> None:
    for name, switched in {
        "top": ["supply on", "supply off", "load 1 on", "load 1 off"],
        "bottom": ["load 1 on", "load 2 on", "load 1 off", "load 2 off", "supply on", "supply off"],
        "bursts": ["load 1 on", "load 1 off"] * 2,
    }.items():
        sound, exchanges, operations = sound_round(name)
        assert sound.done.off_confirmed
        assert sound.done.ending.how == ("stopped" if name == "bottom" else "finished")
        assert [what for _, what in sound.done.journal] == switched
        assert exchanges > 250
        assert operations > 90
    assert list(ROUNDS) == ["top", "bottom", "bursts"]


@extents
@pytest.mark.parametrize("how", How, ids=lambda one: one.name.lower())
def test_whatever_exchange_fails_the_bay_ends_off_and_says_why(how: How, whole: bool) -> None:
    endings: set[str] = set()
    for name in ROUNDS:
        cases = [(name, how, nth) for nth in range(sound_round(name)[1])]
        if whole:
            endings |= set(over_all_cores(judge_exchange, cases))
        else:
            endings |= {judge_exchange(case) for case in some(cases, EXCHANGES, f"{name} {how.name}")}
    assert "tripped" in endings
    assert len(endings) == 3 or not whole  # a lost reading is borne, a lost order is not


@extents
@pytest.mark.parametrize("bad", Bad, ids=lambda one: one.name.lower())
def test_whatever_operation_of_the_record_fails_no_row_is_lost(bad: Bad, whole: bool) -> None:
    endings: set[str] = set()
    for name in ROUNDS:
        cases = [(name, bad, nth) for nth in range(sound_round(name)[2])]
        if whole:
            endings |= set(over_all_cores(judge_disk, cases))
        else:
            endings |= {judge_disk(case) for case in some(cases, OPERATIONS, f"{name} {bad.name}")}
    assert "tripped" in endings
