"""One fault at one exchange of a run, for every exchange in turn: what must hold whatever happens when.

Every message of a short run is numbered at the memory seam, where the instruments hang. The run is then repeated
with one fault at exchange n. The simulated bench's own journal is the witness.
"""

import math
from collections.abc import Callable, Mapping
from enum import Enum
from pathlib import Path

import pytest

from benchwarden.simulators.scenario import demo_bench
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import HERON, outputs_at_the_end
from tests.virtual_bench import Done, on_virtual_time, run_test

LEFT = demo_bench()[0]
# Both outputs, a rest, and a change from one to the other.
ROUND = """
title = "A little of everything"
[[step]]
do = "charge"
current = "0.5C"
taper = "0.4C"
[[step]]
do = "rest"
at_least = "10 s"
every = "5 s"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "4.0 V" }
"""


class How(Enum):
    """What becomes of one exchange."""

    SILENCE = "silence"  # carried out, but not answered
    GARBAGE = "garbage"
    EMPTY = "empty"
    DROPPED = "dropped"  # not carried out, and the connection is gone


class Exchanges:
    """Counts the messages of all instruments and spoils the n-th; `spoiled` says which it was."""

    def __init__(self, nth: int | None, how: How = How.SILENCE) -> None:
        self.count = 0
        self.spoiled: tuple[str, str] | None = None
        self._nth, self._how = nth, how

    def wrapped(self, name: str, handle: Callable[[str], str | None]) -> Callable[[str], str | None]:
        def exchange(message: str) -> str | None:
            self.count += 1
            if self.count - 1 != self._nth:
                return handle(message)
            self.spoiled = (name, message)
            if self._how is How.DROPPED:
                raise ConnectionResetError("the connection was cut")
            answer = handle(message)
            if answer is None:
                return None  # what nobody answers cannot be answered badly
            return {How.SILENCE: None, How.GARBAGE: "\x00?;-,;25..1,#", How.EMPTY: ""}[self._how]

        return exchange


def one_round(folder: Path, exchanges: Exchanges) -> Done:
    """Run the profile with every instrument behind the counter."""

    class Wired(SimulatedBench):
        """A simulated bench whose lines in memory go through the counter."""

        def memory(self) -> Mapping[str, Callable[[str], str | None]]:
            return {name: exchanges.wrapped(name, handle) for name, handle in super().memory().items()}

    return on_virtual_time(run_test(folder, LEFT, HERON, ROUND, soc=0.99, make_bench=Wired))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Done, int]:
    """The run without a fault, and how many exchanges it has."""
    exchanges = Exchanges(None)
    done = one_round(tmp_path_factory.mktemp("sound"), exchanges)
    return done, exchanges.count


def chosen(total: int) -> list[int]:
    """Return the first sixty exchanges, then about fifty more evenly spread, and the last twelve."""
    step = max(1, math.ceil((total - 72) / 40))
    return sorted({*range(60), *range(60, total, step), *range(total - 12, total)})


def test_the_run_without_a_fault_is_what_the_faults_are_put_into(sound: tuple[Done, int]) -> None:
    done, total = sound
    assert (done.ending.how, done.off_confirmed) == ("finished", True)
    assert [what for _, what in done.journal] == ["supply on", "supply off", "load 1 on", "load 1 off"]
    assert total > 150


@pytest.mark.parametrize("how", How)
def test_whatever_exchange_fails_the_bay_ends_off_and_says_why(
    tmp_path: Path, sound: tuple[Done, int], how: How
) -> None:
    endings: set[str] = set()
    for nth in chosen(sound[1]):
        exchanges = Exchanges(nth, how)
        done = one_round(tmp_path / str(nth), exchanges)
        where = f"exchange {nth} ({exchanges.spoiled}), {how.value}: {done.ending}"
        assert exchanges.spoiled is not None, where
        assert outputs_at_the_end(done) == set(), where
        assert done.off_confirmed, where
        assert "load and supply on together" not in [what for _, what in done.journal], where
        assert done.run.problems == [], where
        assert done.ending.how in ("finished", "tripped"), where
        assert len(done.ending.why) > 10, where
        if done.ending.how == "tripped":
            assert "fault of this program" not in done.ending.why, where
            assert done.run.ending.why == done.ending.why, where
        if done.guardian.armed:
            assert done.guardian.disarmed == ["left"], where
        endings.add(done.ending.how)
    assert endings == {"finished", "tripped"}  # a lost reading is borne, a lost order is not
