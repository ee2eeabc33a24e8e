"""What an instrument was told stays as it was told, or the bay trips: refused, clipped, lost and changed settings.

The whole chain runs on virtual time. What was on, and until when, is read from the journal of the simulated bench.
"""

import asyncio
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from benchwarden.results.sample import Sample
from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.start import SimulatedBench
from benchwarden.simulators.supply import SupplyDevice
from tests.test_bay_faults import (
    CHARGE,
    DISCHARGE,
    HERON,
    LEFT,
    WAY_TO_OFF_S,
    Fault,
    assert_off_within,
    assert_tripped,
    broken,
    device,
    outputs_at_the_end,
    placed,
)
from tests.virtual_bench import on_virtual_time, run_test

READ_BACK_S = 10.0 + 1.0
LONG = DISCHARGE + 'at_most = "150 s"\n'


def load_of(bench: SimulatedBench) -> LoadDevice:
    found = device(bench, "load")
    assert isinstance(found, LoadDevice)
    return found


def supply_of(bench: SimulatedBench) -> SupplyDevice:
    found = device(bench, "supply")
    assert isinstance(found, SupplyDevice)
    return found


# Own protections, and what happens when mains return.


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda load: setattr(load.state, "under_voltage_on", False), r"UNDer:STATe\? reads back not 1 or ON"),
        (lambda load: setattr(load.state, "under_voltage_v", 3.0), r"UNDer\? reads back 3\.0"),
        (lambda load: setattr(load.state, "over_current_a", 132.0), r"CURRent:PROTection\? reads back 132"),
        (lambda load: setattr(load.state, "over_power_on", False), r"POWer:PROTection:STATe\? reads back not"),
        (lambda load: setattr(load, "power_on_state", "LAST"), r"INPut:PON:STATe\? reads back not OFF"),
    ],
    ids=["off", "lower", "higher", "power off", "power-on state"],
)
def test_a_protection_that_somebody_changed_is_read_back(
    tmp_path: Path, change: Callable[[LoadDevice], None], words: str
) -> None:
    """Faults 20 and 21: neither voltage nor current shows it."""
    done, fired_s = broken(tmp_path, lambda bench: change(load_of(bench)))
    assert_tripped(done, rf"changed at the instrument: left load at \S+: .*{words}")
    assert_off_within(done, fired_s, READ_BACK_S)
    assert done.off_confirmed


def test_a_supply_s_protection_is_read_back_too(tmp_path: Path) -> None:
    done, fired_s = broken(tmp_path, lambda bench: setattr(supply_of(bench).state, "over_voltage_v", 66.0), CHARGE)
    assert_tripped(done, r"changed at the instrument: left supply at \S+: .*PROTection\? reads back 66")
    assert_off_within(done, fired_s, READ_BACK_S)


@pytest.mark.parametrize(
    ("profile", "power_cycle"),
    [
        (DISCHARGE, lambda bench: load_of(bench).power_cycle()),
        (CHARGE, lambda bench: supply_of(bench).power_cycle()),
    ],
    ids=["load", "supply"],
)
def test_an_output_that_would_come_back_as_it_was_stays_off_when_mains_return(
    tmp_path: Path, profile: str, power_cycle: Callable[[SimulatedBench], None]
) -> None:
    """Fault 41: both left the factory with "last state" as their power-on state."""

    def last_state(bench: SimulatedBench) -> None:
        load_of(bench).power_on_state = supply_of(bench).power_on_state = "LAST"

    fault = Fault(power_cycle)
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, profile, soc=0.5, before=last_state, each=fault))
    assert fault.fired_s is not None
    assert_tripped(done, r"is off, it should be on|draws nothing")
    assert_off_within(done, fault.fired_s, READ_BACK_S)


def test_a_load_that_keeps_its_last_state_never_goes_on(tmp_path: Path) -> None:
    """Fault 41: the command is taken without a word and without effect."""

    def stubborn(bench: SimulatedBench) -> None:
        load_of(bench).power_on_state = "LAST"
        placed(bench, "load").endpoint.faults.lost = "PON:STATe OFF"

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, before=stubborn))
    assert done.ending.how == "tripped"
    assert "INPut:PON:STATe? reads back not OFF" in done.ending.why
    assert done.whole_journal == []


def test_both_processes_gone_and_mains_back_leaves_the_load_off(tmp_path: Path) -> None:
    """Fault 41: nobody is left to switch off when host and load lose their mains together."""
    done, _ = broken(tmp_path, lambda bench: placed(bench, "load").endpoint.faults.__setattr__("deaf", True))
    assert outputs_at_the_end(done) == {"load 1"}  # it hears nobody, and nobody else is there
    load = load_of(done.bench)
    placed(done.bench, "load").endpoint.faults.deaf = False
    done.bench.now = load.now = lambda: done.bench.bays["left"].now_s
    load.power_cycle()
    assert not load.state.on


# Refused and clipped commands, and what stands in the error queue.


@pytest.mark.parametrize(("profile", "which"), [(DISCHARGE, "load"), (CHARGE, "supply")])
def test_a_clipped_set_point_switches_nothing_on(tmp_path: Path, profile: str, which: str) -> None:
    """Fault 22: no error tells of it."""

    def clip(bench: SimulatedBench, sample: Sample) -> None:
        bay = bench.bays["left"]
        assert bay.supply is not None
        bay.loads[0].max_power_w, bay.supply.max_voltage_v = 100.0, 20.0
        device(bench, "load").clips = device(bench, "supply").clips = True

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, profile, soc=0.5, each=clip))
    assert done.ending.how == "tripped"
    assert f"left {which} at MEMORY::left/{which}: " in done.ending.why
    assert "reads back" in done.ending.why
    assert [what for _, what in done.journal if what.endswith(" on")] == []
    assert done.off_confirmed


def test_a_clipped_protection_switches_nothing_on(tmp_path: Path) -> None:
    """Fault 22: a load whose under-voltage trip cannot be set as high as it must be."""

    def clip(bench: SimulatedBench) -> None:
        device(bench, "load").clips = True
        bench.bays["left"].loads[0].max_voltage_v = 12.0

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, before=clip))
    assert done.ending.how == "tripped"
    assert done.whole_journal == []


@pytest.mark.parametrize("lost", ["SOURce:POWer 2", "FUNCtion POWer", "LIMit ", "UNDer:STATe ON", "INPut ON"])
def test_a_command_that_is_taken_without_effect_draws_nothing(tmp_path: Path, lost: str) -> None:
    """Fault 22: read-back is what counts. The test pulse has gone before."""

    def lose(bench: SimulatedBench, sample: Sample) -> None:
        placed(bench, "load").endpoint.faults.lost = lost
        bay = bench.bays["left"].loads[0]
        bay.under_voltage_on, bay.mode, bay.limit_a, bay.power_w = False, "resistance", 120.0, 0.0

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=lose))
    assert done.ending.how == "tripped"
    assert "left load at MEMORY::left/load" in done.ending.why
    assert [what for _, what in done.journal if what.endswith(" on")] == []
    assert done.off_confirmed


def test_errors_of_the_instruments_are_told_each_minute_and_end_nothing(tmp_path: Path) -> None:
    """Fault 22: somebody else's commands, or the instrument's own troubles; settings are read back all the same."""
    heard: list[float] = []

    def foreign(bench: SimulatedBench, sample: Sample) -> None:
        if sample.output == "load" and not heard:
            heard.append(sample.test_time_s)
            device(bench, "load").handle("NO:SUCH:THING")
            device(bench, "load").handle("SOURce:POWer 999999")

    def before(bench: SimulatedBench) -> None:
        device(bench, "supply").handle("WHAT 1")

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, LONG, soc=0.5, before=before, each=foreign))
    assert "tripped" not in done.ending.how, done.ending
    told = [(event["instrument"], event["number"]) for event in done.run.events_named("instrument_error")]
    assert told == [("supply", -113), ("load", -113), ("load", -222)]
    at_s = [event["test_time_s"] for event in done.run.events_named("instrument_error")]
    assert at_s[0] < 1.0
    assert at_s[1] - heard[0] <= 60.0 + READ_BACK_S
    asked = [time_s for time_s, text in placed(done.bench, "load").endpoint.log if text == "SYSTem:ERRor?"]
    assert len(asked) >= 4  # at the start, and in each minute that the draw lasted


def test_an_error_queue_that_never_ends_holds_nobody(tmp_path: Path) -> None:
    """Fault 22: twenty entries are read, no more."""

    def chatter(bench: SimulatedBench, sample: Sample) -> None:
        if sample.output == "load":
            for _ in range(30):
                device(bench, "load").handle("NO:SUCH:THING")

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, LONG, soc=0.5, each=chatter))
    assert done.off_confirmed
    assert 20 <= len(list(done.run.events_named("instrument_error"))) <= 20 * 4
    drawing = [sample.test_time_s for sample in done.run.samples if sample.output == "load"]
    assert math.isclose(drawing[-1] - drawing[0], len(drawing) - 1, abs_tol=1.0)


# The front panel.


def test_the_front_panel_is_locked_while_a_run_goes_on_and_free_afterwards(tmp_path: Path) -> None:
    """Fault 21."""
    seen: set[str] = set()

    def look(bench: SimulatedBench, sample: Sample) -> None:
        seen.add(load_of(bench).remote)

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12, each=look))
    assert done.ending.how == "finished"
    assert seen == {"remote"}
    assert load_of(done.bench).remote == "local"


def test_a_load_that_was_on_by_hand_and_back_off_between_two_looks_is_seen_by_its_current(tmp_path: Path) -> None:
    """Fault 21: a second of draw in a rest, long before the settings' next turn."""

    def touch(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        bay.advance(bench.now())
        bay.loads[0].mode, bay.loads[0].current_a = "current", 2.0
        bay.switch_load(0, True, bench.now())

    rest = 'title = "Rest"\n[[step]]\ndo = "rest"\nat_least = "5 min"\n'
    done, fired_s = broken(tmp_path, touch, rest)
    assert_tripped(done, r"load current_a is -2\.\d+, allowed -0\.\d+ to 0\.\d+")
    assert_off_within(done, fired_s, 1.0 + WAY_TO_OFF_S)


# What the instrument itself does when nobody reaches it any more.


def test_when_every_line_is_dead_at_once_the_load_s_own_protection_ends_the_draw(tmp_path: Path) -> None:
    """Fault 28: load and meters on one bus that goes away; off cannot be sent, and the guardian stays armed."""

    def all_away(bench: SimulatedBench) -> None:
        for place in bench.instruments.values():
            place.endpoint.faults.deaf = True

    done, fired_s = broken(tmp_path, all_away)
    assert_tripped(done, r"has not been seen for")
    assert not done.off_confirmed
    assert not done.guardian.disarmed
    assert outputs_at_the_end(done) == {"load 1"}
    bay = done.bench.bays["left"]
    bay.advance(fired_s + 4 * 3600.0)
    assert [what for _, what in bay.journal][-2:] == ["load 1 tripped: under-voltage", "load 1 off"]
    assert bay.witness.lowest_group_v > 2.0  # the load sees the pack only: the weakest group goes a little below 2.2 V


def test_lines_that_come_back_together_switch_off_and_nothing_on(tmp_path: Path) -> None:
    """Fault 28: a bus that was reset; 4 s are longer than anybody may be blind."""

    def away(bench: SimulatedBench) -> None:
        for place in bench.instruments.values():
            place.endpoint.faults.deaf = True
            asyncio.get_running_loop().call_later(4.0, setattr, place.endpoint.faults, "deaf", False)

    done, fired_s = broken(tmp_path, away)
    assert_tripped(done, r"has not been seen for")
    assert_off_within(done, fired_s, 4.0 + WAY_TO_OFF_S)
    assert done.off_confirmed


def test_a_blink_of_all_lines_costs_a_reading_each_and_the_run_goes_on(tmp_path: Path) -> None:
    """Fault 28: half a second; every setting is read back after the new connections."""

    def blink(bench: SimulatedBench) -> None:
        for place in bench.instruments.values():
            place.endpoint.faults.drop_connection = True

    done, _ = broken(tmp_path, blink, soc=0.12)
    assert done.ending.how == "finished", done.ending
    assert {event["role"] for event in done.run.events_named("missed")} == {
        "load",
        "supply",
        "cells",
        "temperature",
        "voltmeter",
    }
