"""How long after a reading that breaks a limit has been answered the order to switch off reaches the load.

Over real sockets, with both ends in this process: the simulated instruments' share is in the figure. Time is virtual,
so that nothing waits; what is measured are real seconds.
"""

import time
from collections.abc import Callable
from pathlib import Path

from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.start import SimulatedBench
from tests.benchmarks import measured
from tests.extent import extents
from tests.test_bay_faults import DISCHARGE, assert_tripped, broken, device

ROUNDS, ALL_ROUNDS = 3, 40
# What README says; a test fails at ten times as much.
REACTION_S, GENEROUS = 0.005, 10.0


def heard(one: Device, tell: Callable[[str], None]) -> None:
    """Tell of each message once it has been carried out."""
    handle = one.handle

    def handled(message: str) -> str | None:
        answer = handle(message)
        tell(message)
        return answer

    one.handle = handled  # type: ignore[method-assign]


def reaction_s(folder: Path) -> float:
    """Let a group fall below its hard limit in the middle of a draw; return the real seconds until off arrived."""
    answered: list[float] = []
    off: list[float] = []

    def break_it(bench: SimulatedBench) -> None:
        cells, load = device(bench, "cells"), device(bench, "load")
        cells.meter = Meter(offset=-1.8)  # type: ignore[attr-defined]
        heard(cells, lambda message: answered.append(time.perf_counter()))
        heard(load, lambda message: off.append(time.perf_counter()) if "OFF" in message else None)

    done, _ = broken(folder, break_it, DISCHARGE, sockets=True, at_s=20.0)
    assert_tripped(done, r"cells group_1_v is \d\.\d+, allowed 2\.2 to 4\.25")
    return off[0] - answered[0]


@extents
def test_off_is_on_the_wire_soon_after_a_limit_is_broken(tmp_path: Path, whole: bool) -> None:
    took_s = [reaction_s(tmp_path / str(number)) for number in range(ALL_ROUNDS if whole else ROUNDS)]
    assert measured.share(took_s, 0.5) <= GENEROUS * REACTION_S
    if whole:
        measured.keep(
            "reaction", rounds=len(took_s), p50_s=measured.share(took_s, 0.5), p99_s=measured.share(took_s, 0.99)
        )
