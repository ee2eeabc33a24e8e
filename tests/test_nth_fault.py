"""One fault at one operation of a run, for every operation in turn: what must hold whatever happens when.

Three short runs are numbered through, then repeated with one fault each (tests/nth_fault.py). By default a part of the
operations, drawn from one seed; every single one with `make endure`.
"""

from collections import Counter
from collections.abc import Sequence

import pytest

from tests.extent import extents, over_all_cores, some
from tests.nth_fault import (
    ROUNDS,
    Bad,
    How,
    Verdict,
    charge_is_right,
    judge_disk,
    judge_exchange,
    sound_round,
)

# Of each round and kind of fault, by default.
EXCHANGES, OPERATIONS = 20, 12
# Of the runs that a fault does not end, at most this share may be flagged: it is the readings and orders at edges.
FLAGGED_SHARE = 0.1


def test_the_runs_without_a_fault_are_what_the_faults_are_put_into() -> None:
    for name, switched in {
        "top": ["supply on", "supply off", "load 1 on", "load 1 off"],
        "bottom": ["load 1 on", "load 2 on", "load 1 off", "load 2 off", "supply on", "supply off"],
        "bursts": ["load 1 on", "load 1 off"] * 2,
    }.items():
        sound, exchanges, operations = sound_round(name)
        assert sound.done.off_confirmed
        assert not charge_is_right(sound.done, name)  # right within 0.5 %, and nothing is flagged
        assert sound.done.ending.how == ("stopped" if name == "bottom" else "finished")
        assert [what for _, what in sound.done.journal] == switched
        assert exchanges > 250
        assert operations > 90
    assert list(ROUNDS) == ["top", "bottom", "bursts"]


def few_are_flagged(what: str, found: Sequence[Verdict]) -> set[str]:
    """Print how the runs ended and how many are flagged, which few may be; return the ways in which they ended."""
    ways = Counter(one.how for one in found)
    flagged = sum(one.flagged for one in found)
    words = ", ".join(f"{count} {how}" for how, count in sorted(ways.items()))
    print(f"{what}: {words}; flagged: {flagged}")
    assert flagged <= FLAGGED_SHARE * max(len(found) - ways["tripped"], 1)
    return set(ways)


@extents
@pytest.mark.parametrize("how", How, ids=lambda one: one.name.lower())
def test_whatever_exchange_fails_the_bay_ends_off_and_says_why(how: How, whole: bool) -> None:
    found: list[Verdict] = []
    for name in ROUNDS:
        cases = [(name, how, nth) for nth in range(sound_round(name)[1])]
        if whole:
            found += over_all_cores(judge_exchange, cases)
        else:
            found += [judge_exchange(case) for case in some(cases, EXCHANGES, f"{name} {how.name}")]
    endings = few_are_flagged(f"exchange {how.value}", found)
    assert "tripped" in endings
    assert len(endings) == 3 or not whole  # a lost reading is borne, a lost order is not


@extents
@pytest.mark.parametrize("bad", Bad, ids=lambda one: one.name.lower())
def test_whatever_operation_of_the_record_fails_no_row_is_lost(bad: Bad, whole: bool) -> None:
    found: list[Verdict] = []
    for name in ROUNDS:
        cases = [(name, bad, nth) for nth in range(sound_round(name)[2])]
        if whole:
            found += over_all_cores(judge_disk, cases)
        else:
            found += [judge_disk(case) for case in some(cases, OPERATIONS, f"{name} {bad.name}")]
    assert "tripped" in few_are_flagged(f"record {bad.value}", found)
    assert not any(one.flagged for one in found)  # no reading is lost because a disk fails
