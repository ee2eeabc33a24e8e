"""Every fault of an instrument, the line, the disk or the guardian in the middle of a run: what becomes of the bay.

The whole chain runs on virtual time: engine, safety, drivers, maps, SCPI text, simulator. What was on, and until
when, is read from the journal of the simulated bench, never from the program under test.
"""

import asyncio
import os
import re
import socket
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import pytest

from benchwarden.daemon.guard.guardian_link import GuardianGone
from benchwarden.results.sample import Sample
from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scenario import demo_bench
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.start import Placed, SimulatedBench
from tests.virtual_bench import Done, StandInGuardian, on_virtual_time, run_test

LEFT, MIDDLE, RIGHT = demo_bench()
HERON = """
name = "Heron"
chemistry = "li-ion"
series = 6
rated_capacity = "5.0 Ah"
mass = "452 g"
max_charge = "5 A"
max_discharge = "50 A"
max_burst = "90 A for 5 s"
"""
DISCHARGE = """
title = "Short draw"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "discharge cut-off" }
"""
CHARGE = """
title = "Short charge"
[[step]]
do = "charge"
current = "0.5C"
taper = "0.05C"
"""
LADDER = """
title = "Bursts"
[[step]]
do = "ladder"
from = "5C"
step = "1C"
hold = "5 s"
rest = "20 s"
"""
AT_S = 20.0
"""When the fault comes, in seconds of test time."""

BLIND_S, BLIND_TEMPERATURE_S = 3.0, 10.0
# What may pass after the blind time: one missed reply with its new connection, and the way to off.
WAY_TO_OFF_S = 2.0


def placed(bench: SimulatedBench, name: str) -> Placed:
    return next(one for one in bench.instruments.values() if one.name == name)


def device(bench: SimulatedBench, name: str) -> Device:
    return placed(bench, name).endpoint.device


@dataclass
class Fault:
    """Breaks the bench once, `at_s` after the first sample or later; remembers when, on the loop's clock."""

    do: Callable[[SimulatedBench], None]
    at_s: float = AT_S
    fired_s: float | None = None
    began_s: float | None = None

    def __call__(self, bench: SimulatedBench, sample: Sample) -> None:
        if self.began_s is None:
            self.began_s = sample.test_time_s  # the test pulse lies before it
        if self.fired_s is None and sample.test_time_s - self.began_s >= self.at_s:
            self.fired_s = bench.now()
            self.do(bench)


def broken(
    folder: Path,
    do: Callable[[SimulatedBench], None],
    profile: str = DISCHARGE,
    *,
    soc: float | None = 0.5,
    sockets: bool = False,
    at_s: float = AT_S,
    guardian: StandInGuardian | None = None,
) -> tuple[Done, float]:
    """Run a profile with a fault; returns what became of it, and when the fault came."""
    fault = Fault(do, at_s)
    done = on_virtual_time(
        run_test(folder, LEFT, HERON, profile, soc=soc, sockets=sockets, each=fault, guardian=guardian)
    )
    assert fault.fired_s is not None, "the run ended before the fault"
    return done, fault.fired_s


def outputs_at_the_end(done: Done) -> set[str]:
    """Return which outputs the simulated bench had on at the end."""
    on: set[str] = set()
    for _, what in done.journal:
        if found := re.fullmatch(r"(load \d+|supply) (on|off)", what):
            (on.add if found[2] == "on" else on.discard)(found[1])
    return on


def assert_off_within(done: Done, fired_s: float, within_s: float) -> None:
    """The bench itself says: everything off, at most so long after the fault, and never on again."""
    assert outputs_at_the_end(done) == set()
    assert "load and supply on together" not in [what for _, what in done.journal]
    last_s = max(time_s for time_s, what in done.journal if what.endswith(" off"))
    assert last_s - fired_s <= within_s
    assert not [what for time_s, what in done.journal if time_s > fired_s and what.endswith(" on")]


def assert_tripped(done: Done, reason: str) -> None:
    """The run says why it ended, in the ending and in its events, and keeps what it had measured."""
    assert done.ending.how == "tripped"
    assert re.search(reason, done.ending.why), done.ending.why
    [tripped] = done.run.events_named("tripped")
    assert tripped["reason"] == done.ending.why
    assert done.run.ending.how == "tripped"
    assert done.run.ending.off_confirmed is done.off_confirmed
    assert done.run.problems == []
    assert [sample.sequence for sample in done.run.samples] == list(range(1, len(done.run.samples) + 1))
    assert done.run.samples[-1].test_time_s >= AT_S


# One instrument stops answering, or answers nonsense: the bay trips once its blind time has run out.


def mute(bench: SimulatedBench, name: str) -> None:
    placed(bench, name).endpoint.faults.mute = True


def deaf(bench: SimulatedBench, name: str) -> None:
    placed(bench, name).endpoint.faults.deaf = True


def noise(bench: SimulatedBench, name: str) -> None:
    placed(bench, name).endpoint.faults.garbage = "-,?;25.\x7f"


def empty(bench: SimulatedBench, name: str) -> None:
    placed(bench, name).endpoint.faults.garbage = ""


def overload(bench: SimulatedBench, name: str) -> None:
    """Answer the overload value in every field (SCPI-1999 7.2.1.4)."""
    answers = {"load": "9.9E37;9.9E37", "supply": "9.9E37;9.9E37", "cells": ",".join(["9.9E37"] * 6)}
    answers |= {"temperature": "9.9E37,9.9E37,9.9E37", "voltmeter": "9.9E37"}
    placed(bench, name).endpoint.faults.garbage = answers[name]


def not_a_number(bench: SimulatedBench, name: str) -> None:
    """Answer a literal NAN in every field; SCPI-1999 7.2.1.4 has a number for it, some firmware has a word."""
    fields = {"load": 2, "supply": 2, "cells": 6, "temperature": 3, "voltmeter": 1}[name]
    placed(bench, name).endpoint.faults.garbage = (";" if name in ("load", "supply") else ",").join(["NAN"] * fields)


ROLES = ("load", "supply", "cells", "temperature", "voltmeter")
BLIND = dict.fromkeys(ROLES, BLIND_S) | {"temperature": BLIND_TEMPERATURE_S, "voltmeter": 2 * BLIND_S}
EVERY = dict.fromkeys(ROLES, 1.0) | {"temperature": 2.0, "voltmeter": 2.0}


@pytest.mark.parametrize("profile", [DISCHARGE, CHARGE], ids=["discharge", "charge"])
@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("how", [mute, noise, empty, overload, not_a_number])
def test_an_instrument_without_a_value_trips_when_its_blind_time_is_over(
    tmp_path: Path, how: Callable[[SimulatedBench, str], None], role: str, profile: str
) -> None:
    done, fired_s = broken(tmp_path, lambda bench: how(bench, role), profile)
    assert_tripped(done, rf"\b{role} \S+ has not been seen for")
    assert_off_within(done, fired_s, BLIND[role] + EVERY[role] + WAY_TO_OFF_S)  # off is sent even unanswered
    # Whoever cannot answer for itself cannot be confirmed off: then the guardian stays armed.
    assert done.off_confirmed is (role not in ("load", "supply"))
    assert (done.guardian.disarmed == ["left"]) is done.off_confirmed


@pytest.mark.parametrize("role", ["cells", "temperature", "voltmeter"])
def test_a_deaf_meter_trips_when_its_blind_time_is_over(tmp_path: Path, role: str) -> None:
    done, fired_s = broken(tmp_path, lambda bench: deaf(bench, role))
    assert_tripped(done, rf"\b{role} \S+ has not been seen for")
    assert_off_within(done, fired_s, BLIND[role] + EVERY[role] + WAY_TO_OFF_S)
    assert done.off_confirmed


def test_a_deaf_load_cannot_be_switched_off_and_the_guardian_stays_armed(tmp_path: Path) -> None:
    benches: list[SimulatedBench] = []

    def break_it(bench: SimulatedBench) -> None:
        benches.append(bench)
        deaf(bench, "load")

    done, fired_s = broken(tmp_path, break_it)
    assert_tripped(done, r"load \S+ has not been seen")
    assert not done.off_confirmed
    assert done.guardian.armed
    assert not done.guardian.disarmed
    assert outputs_at_the_end(done) == {"load 1"}  # honest: it is on, and nobody says otherwise
    orders = [time_s for time_s, text in placed(benches[0], "load").endpoint.log if text.startswith("*IDN?")]
    assert max(orders) - fired_s > BLIND_S  # it kept trying until it gave up


def test_a_load_that_hears_again_is_switched_off_within_two_seconds_of_the_trip(tmp_path: Path) -> None:
    benches: list[SimulatedBench] = []

    def break_it(bench: SimulatedBench) -> None:
        benches.append(bench)
        deaf(bench, "load")
        hears_again_s = BLIND_S + 1.2
        asyncio.get_running_loop().call_later(
            hears_again_s, setattr, placed(bench, "load").endpoint.faults, "deaf", False
        )

    done, fired_s = broken(tmp_path, break_it)
    assert_tripped(done, r"load \S+ has not been seen")
    assert_off_within(done, fired_s, BLIND_S + 1.0 + WAY_TO_OFF_S)
    assert done.off_confirmed


# One missed reply is no reason to end a night's run.


@pytest.mark.parametrize("role", ROLES)
def test_one_cut_connection_costs_one_reading_and_the_run_goes_on(tmp_path: Path, role: str) -> None:
    def cut(bench: SimulatedBench) -> None:
        placed(bench, role).endpoint.faults.drop_connection = True

    done, _ = broken(tmp_path, cut, soc=0.12)
    assert done.ending.how == "finished", done.ending
    missed = list(done.run.events_named("missed"))
    assert [one["role"] for one in missed] == [role]
    assert re.search(rf"left {role} at \S+: .*cut", missed[0]["error"])
    assert done.off_confirmed
    lost = [sample for sample in done.run.samples if sample.voltage_v is None]
    assert len(lost) == (1 if role == "load" else 0)


def test_one_late_answer_costs_one_reading_and_is_never_taken_for_the_next(tmp_path: Path) -> None:
    def late(bench: SimulatedBench) -> None:
        faults = placed(bench, "load").endpoint.faults
        faults.hold_reply_s, faults.holds = 0.8, 1

    done, _ = broken(tmp_path, late, soc=0.12, sockets=True)
    assert done.ending.how == "finished", done.ending
    assert [one["role"] for one in done.run.events_named("missed")] == ["load"]
    drawing = [sample for sample in done.run.samples if sample.output == "load"]
    assert [sample.voltage_v for sample in drawing].count(None) == 1
    for sample in drawing:  # a voltage in the current's place, or a current from before, would stand out
        if sample.voltage_v is not None and sample.current_a is not None:
            assert 13.0 < sample.voltage_v < 25.0
            assert -20.0 < sample.current_a < -5.0 or sample.current_a == pytest.approx(0.0, abs=0.05)


def test_answers_that_are_always_late_are_no_answers(tmp_path: Path) -> None:
    def late(bench: SimulatedBench) -> None:
        placed(bench, "cells").endpoint.faults.hold_reply_s = 0.8

    done, fired_s = broken(tmp_path, late, sockets=True)
    assert_tripped(done, r"cells group_\d_v has not been seen")
    assert_off_within(done, fired_s, BLIND_S + 1.0 + WAY_TO_OFF_S)
    assert done.off_confirmed


def test_a_line_that_is_cut_over_and_over_trips(tmp_path: Path) -> None:
    def cut(bench: SimulatedBench) -> None:
        faults = placed(bench, "temperature").endpoint.faults

        def again() -> None:
            faults.drop_connection = True
            asyncio.get_running_loop().call_later(0.3, again)

        again()

    done, fired_s = broken(tmp_path, cut, sockets=True)
    assert_tripped(done, r"temperature \w+_c has not been seen")
    assert_off_within(done, fired_s, BLIND_TEMPERATURE_S + 2.0 + WAY_TO_OFF_S)


# Who answers is not who was asked.


@pytest.mark.parametrize("role", ROLES)
def test_another_instrument_at_the_address_trips_at_once(tmp_path: Path, role: str) -> None:
    def swap(bench: SimulatedBench) -> None:
        endpoint = placed(bench, role).endpoint
        endpoint.faults.drop_connection = True  # the plug is pulled, and another box comes back in its place
        endpoint.device.identity = "BENCHWARDEN,SIM-OTHER,X-1,1"

    done, fired_s = broken(tmp_path, swap)
    assert_tripped(done, rf"left {role} at MEMORY::left/{role}: another instrument answers.*SIM-OTHER")
    if role == "load":  # nothing more is sent to a stranger, not even off: that is the guardian's to do
        assert not done.off_confirmed
        assert not done.guardian.disarmed
    else:
        assert_off_within(done, fired_s, 5.0 if EVERY[role] == 1.0 else 2 * EVERY[role] + WAY_TO_OFF_S)


# Values outside a hard limit trip on one reading.


def test_a_group_below_its_hard_limit_trips_on_one_reading(tmp_path: Path) -> None:
    def weak(bench: SimulatedBench) -> None:
        meters = device(bench, "cells")
        meters.meter = Meter(offset=-1.8)  # type: ignore[attr-defined]

    done, fired_s = broken(tmp_path, weak)
    assert_tripped(done, r"cells group_1_v is \d\.\d+, allowed 2\.2 to 4\.25")
    assert_off_within(done, fired_s, 2.0)
    assert done.off_confirmed


def test_a_single_group_that_collapses_trips_although_the_pack_looks_well(tmp_path: Path) -> None:
    def collapse(bench: SimulatedBench) -> None:
        bench.bays["left"].pack.soc[2] = -0.05

    done, fired_s = broken(tmp_path, collapse)
    assert_tripped(done, r"cells group_3_v is 0\.\d+, allowed 2\.2 to 4\.25")
    last = done.run.samples[-1]
    assert last.voltage_v is not None
    assert last.voltage_v > 6 * 2.5
    assert_off_within(done, fired_s, 1.0 + WAY_TO_OFF_S)
    assert done.off_confirmed


def test_a_hot_probe_trips_on_one_reading(tmp_path: Path) -> None:
    def hot(bench: SimulatedBench) -> None:
        device(bench, "temperature").meter = Meter(offset=70.0)  # type: ignore[attr-defined]

    done, fired_s = broken(tmp_path, hot)
    assert_tripped(done, r"temperature \w+_c is \d+\.?\d*, allowed -20 to 80")
    assert_off_within(done, fired_s, 2.0 + 1.0)


def test_an_open_tap_is_a_missing_group(tmp_path: Path) -> None:
    def fall_off(bench: SimulatedBench) -> None:
        del device(bench, "cells").wires[104]  # type: ignore[attr-defined]

    done, fired_s = broken(tmp_path, fall_off)
    assert_tripped(done, r"cells group_4_v has not been seen for")
    assert_off_within(done, fired_s, BLIND_S + 1.0 + WAY_TO_OFF_S)
    assert [sample.groups_v[3] for sample in done.run.samples[-2:]] == [None, None]
    assert done.run.samples[-1].groups_v[2] is not None


def test_an_open_probe_is_a_missing_temperature(tmp_path: Path) -> None:
    def fall_off(bench: SimulatedBench) -> None:
        del device(bench, "temperature").wires[2]  # type: ignore[attr-defined]

    done, fired_s = broken(tmp_path, fall_off)
    assert_tripped(done, r"temperature joint_c has not been seen for 1\d\.\d s, allowed 10 s")
    assert_off_within(done, fired_s, BLIND_TEMPERATURE_S + 2.0 + WAY_TO_OFF_S)


# Instruments that do not do as they are told.


def test_a_load_that_ignores_off_is_not_called_off(tmp_path: Path) -> None:
    def stick(bench: SimulatedBench) -> None:
        placed(bench, "load").endpoint.faults.lost = "INPut OFF"

    done, _ = broken(tmp_path, stick, soc=0.12)
    assert_tripped(done, r"off is not confirmed: measured load -\d+\.\d\d A")
    assert not done.off_confirmed
    assert not done.guardian.disarmed
    assert outputs_at_the_end(done) == {"load 1"}


def test_a_load_that_says_off_but_draws_is_not_called_off(tmp_path: Path) -> None:
    def weld(bench: SimulatedBench) -> None:
        load = device(bench, "load")
        assert isinstance(load, LoadDevice)
        load.welded = True

    done, _ = broken(tmp_path, weld, soc=0.12)
    assert_tripped(done, r"off is not confirmed: measured load -\d+\.\d\d A")
    assert not done.off_confirmed
    assert not done.guardian.disarmed
    [ended] = done.run.events_named("ended")
    assert ended["current_a"]["load"] < -5.0


def test_a_supply_that_stays_on_is_not_called_off(tmp_path: Path) -> None:
    def stick(bench: SimulatedBench) -> None:
        placed(bench, "supply").endpoint.faults.lost = "OUTPut OFF"
        device(bench, "temperature").meter = Meter(offset=70.0)  # type: ignore[attr-defined]

    done, _ = broken(tmp_path, stick, CHARGE)
    assert_tripped(done, r"temperature \w+_c is \d+")
    assert not done.off_confirmed
    assert not done.guardian.disarmed
    assert outputs_at_the_end(done) == {"supply"}


def test_a_load_that_is_already_on_is_switched_off_before_anything_else(tmp_path: Path) -> None:
    def leave_on(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        bay.loads[0].current_a = 3.0
        bay.switch_load(0, True, bench.now())

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12, before=leave_on))
    assert done.ending.how == "finished"
    first, second = done.whole_journal[:2]
    assert (first[1], second[1]) == ("load 1 on", "load 1 off")
    assert second[0] - first[0] < 1.0


def test_a_load_stuck_on_at_the_start_is_never_armed_nor_used(tmp_path: Path) -> None:
    def stuck(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        bay.loads[0].current_a = 3.0
        bay.switch_load(0, True, bench.now())
        placed(bench, "load").endpoint.faults.lost = "INPut OFF"

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, before=stuck))
    assert done.ending.how == "tripped"
    assert "was not off at the start" in done.ending.why
    assert not done.off_confirmed
    assert not done.guardian.armed


def test_a_load_whose_own_protection_has_tripped_is_named(tmp_path: Path) -> None:
    def latch(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        bay.loads[0].under_voltage_v = 30.0
        bay.touch(bench.now())

    done, fired_s = broken(tmp_path, latch)
    assert_tripped(done, r"the load is on, but draws nothing: .*; own protection tripped: load: under-voltage")
    assert "load 1 tripped: under-voltage" in [what for _, what in done.journal]
    assert_off_within(done, fired_s, 5.0)
    assert len([what for _, what in done.journal if what == "load 1 on"]) == 1  # nothing comes back by itself
    assert done.off_confirmed


def test_current_that_vanishes_without_a_reason_trips(tmp_path: Path) -> None:
    def blow(bench: SimulatedBench) -> None:
        bench.bays["left"].switch_load(0, False, bench.now())

    done, fired_s = broken(tmp_path, blow)
    nothing = r"measured 0\.\d{3} A where 216 W are set; up to 0\.12 A counts as nothing$"
    assert_tripped(done, f"the load is on, but draws nothing: {nothing}")
    assert_off_within(done, fired_s, 5.0)


@pytest.mark.parametrize("profile", [DISCHARGE, CHARGE], ids=["load", "supply"])
def test_a_refused_set_point_switches_nothing_on(tmp_path: Path, profile: str) -> None:
    def smaller(bench: SimulatedBench, sample: Sample) -> None:
        bay = bench.bays["left"]
        assert bay.supply is not None
        bay.loads[0].max_power_w = 100.0  # the bench file says 3000 W, and 60 V for the supply
        bay.supply.max_voltage_v = 20.0

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, profile, soc=0.5, each=smaller))
    assert done.ending.how == "tripped"
    assert re.search(r"left (load|supply) at MEMORY::\S+: command refused with error -222", done.ending.why)
    assert "tripped" in [event["event"] for event in done.run.events]
    assert [what for _, what in done.journal if what.endswith(" on")] == []
    assert done.off_confirmed


def test_a_refused_set_point_in_a_running_charge_switches_off(tmp_path: Path) -> None:
    def smaller(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        assert bay.supply is not None
        bay.supply.max_voltage_v = 20.0
        bay.pack.soc[0] = 0.97  # the highest group governs: once it is full, the set-point has to come down

    done, _ = broken(tmp_path, smaller, CHARGE, soc=0.9)
    assert_tripped(done, r"left supply at \S+: command refused with error -222")
    refused_s = done.run.samples[-1].test_time_s
    last_s, what = done.journal[-1]
    assert what == "supply off"
    assert last_s - (done.journal[0][0] - 1.0) - refused_s <= 2.0
    assert done.off_confirmed


# Nothing is there, or not what the bench file says.


@pytest.mark.parametrize("role", ROLES)
def test_an_instrument_that_is_absent_at_the_start_is_named_and_nothing_goes_on(tmp_path: Path, role: str) -> None:
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, before=lambda bench: deaf(bench, role)))
    assert done.ending.how == "tripped"
    assert done.ending.why.startswith(f"left {role} at MEMORY::left/{role}: ")
    assert [what for _, what in done.journal if what.endswith(" on")] == []
    assert not done.guardian.armed
    assert done.off_confirmed is (role not in ("load", "supply"))
    assert (done.run.ending.how, done.run.ending.why) == ("tripped", done.ending.why)
    assert done.run.samples == []


def test_a_refused_connection_is_named(tmp_path: Path) -> None:
    with socket.socket() as nobody:  # bound, but nobody listens
        nobody.bind(("127.0.0.1", 0))
        port = nobody.getsockname()[1]

        def elsewhere(text: str) -> str:
            return re.sub(r'(temperature = \{ at = "TCPIP::127\.0\.0\.1::)\d+', lambda found: f"{found[1]}{port}", text)

        done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, sockets=True, change_bench=elsewhere))
    assert done.ending.how == "tripped"
    assert re.match(rf"left temperature at TCPIP::127\.0\.0\.1::{port}::SOCKET: ", done.ending.why)
    assert [what for _, what in done.journal if what.endswith(" on")] == []


def test_a_wrong_map_is_noticed_before_anything_goes_on(tmp_path: Path) -> None:
    done = on_virtual_time(
        run_test(
            tmp_path,
            LEFT,
            HERON,
            DISCHARGE,
            soc=0.5,
            change_bench=lambda text: text.replace('map = "load-function"', 'map = "load-mode"'),
        )
    )
    assert done.ending.how == "tripped"
    assert "left load at MEMORY::left/load" in done.ending.why
    assert [what for _, what in done.journal if what.endswith(" on")] == []


@pytest.mark.parametrize("identity", ["SOMEONE,LOAD-1,1,1", "BENCHWARDEN,LOAD-1,1,1"])
def test_only_simulated_instruments_are_switched_on(tmp_path: Path, identity: str) -> None:
    def real(bench: SimulatedBench) -> None:
        device(bench, "load").identity = identity

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, before=real))
    assert done.ending.how == "tripped"
    assert "simulated = true, but load is" in done.ending.why
    assert identity.split(",")[1] in done.ending.why
    assert [what for _, what in done.journal if what.endswith(" on")] == []


def test_a_pack_that_is_not_as_planned_is_not_touched(tmp_path: Path) -> None:
    def swap(bench: SimulatedBench) -> None:
        wires = device(bench, "cells").wires  # type: ignore[attr-defined]
        del wires[106]

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, before=swap))
    assert done.ending.how == "tripped"
    assert "not as planned: taps: 5 groups answer" in done.ending.why
    assert [what for _, what in done.journal if what.endswith(" on")] == []
    assert done.off_confirmed
    assert done.guardian.disarmed == ["left"]


# Bursts, and loads in parallel.


def test_a_burst_that_nobody_sees_is_ended_by_the_load_s_own_timer(tmp_path: Path) -> None:
    done, _ = broken(tmp_path, lambda bench: deaf(bench, "load"), LADDER, soc=1.0, at_s=1.5)
    assert done.ending.how == "tripped"
    assert not done.off_confirmed
    bay = done.bench.bays["left"]
    on_s = next(time_s for time_s, what in done.journal if what == "load 1 on")
    bay.advance(on_s + 5.0 + 1.0 + 0.01)  # hold and one second, with nobody at the line
    assert done.journal[-2:] == [(on_s + 6.0, "load 1 tripped: timer"), (on_s + 6.0, "load 1 off")]


def test_a_burst_without_a_timer_may_be_unseen_for_half_a_second_only(tmp_path: Path) -> None:
    whole = (files("benchwarden.drivers") / "maps" / "load-function.toml").read_text("utf-8")
    start, end = whole.index("[protect.timer]"), whole.index("[ratings]")
    path = tmp_path / "load-without-timer.toml"
    path.write_text(whole[:start] + whole[end:])
    fault = Fault(lambda bench: mute(bench, "load"), 1.5)
    done = on_virtual_time(
        run_test(
            tmp_path,
            LEFT,
            HERON,
            LADDER,
            soc=1.0,
            each=fault,
            change_bench=lambda text: text.replace('map = "load-function"', f'map = "{path}"'),
        )
    )
    assert re.search(r"load (voltage_v|current_a) has not been seen for (0\.[5-9]|1\.[0-2])", done.ending.why)
    assert any("timer" in event["names"] for event in done.run.events_named("unprotected"))


def test_one_of_two_loads_in_parallel_that_trips_takes_the_other_with_it(tmp_path: Path) -> None:
    def latch(bench: SimulatedBench) -> None:
        bay = bench.bays["right"]
        bay.loads[1].under_voltage_v = 30.0
        bay.touch(bench.now())

    tern = HERON.replace("Heron", "Tern").replace("li-ion", "lipo")
    fault = Fault(latch)
    done = on_virtual_time(run_test(tmp_path, RIGHT, tern, DISCHARGE, soc=0.5, each=fault))
    assert fault.fired_s is not None
    assert_tripped(done, r"right load [12] at MEMORY::right/load [12]: does not share: its part of -\d+\.\d+ A is")
    assert_off_within(done, fault.fired_s, 5.0)
    assert done.off_confirmed


# The program's own other parts fail.


def test_a_full_disk_trips_and_what_was_written_stays(tmp_path: Path) -> None:
    fired: list[float] = []

    def fill(bench: SimulatedBench, sample: Sample) -> None:
        """Put /dev/full, where every write fails with ENOSPC, in the place of the open samples file."""
        [path] = tmp_path.rglob("samples-001.csv")
        if fired or path.stat().st_size < 5000:
            return
        fired.append(bench.now())
        full = os.open("/dev/full", os.O_WRONLY)
        for link in Path("/proc/self/fd").iterdir():
            if os.path.realpath(link) == str(path):
                os.dup2(full, int(link.name))
        os.close(full)

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, each=fill))
    assert done.ending.how == "tripped"
    assert done.ending.why == "the run folder cannot be written: No space left on device"
    # The writer's thread says so in real time, while at most 64 rows wait for it: here, as many virtual seconds.
    assert_off_within(done, fired[0], 64.0 + WAY_TO_OFF_S)
    assert done.off_confirmed
    assert len(done.run.samples) > 5
    assert done.run.problems == []
    # The reserve took what came after, and why (fault 42).
    assert done.run.ending.how == "tripped"
    assert done.run.ending.why == done.ending.why
    assert done.run.ending.off_confirmed is True
    assert (done.run.path / "reserve.bin").exists()
    [failed] = done.run.events_named("record_failed")
    assert failed["file"] == "samples-001.csv"
    assert failed["why"] == "cannot be written: No space left on device"
    assert (failed["rows_now_in"], failed["events_now_in"]) == ("reserve.bin", "events.jsonl")


def test_a_guardian_that_hangs_up_ends_the_run(tmp_path: Path) -> None:
    guardian = StandInGuardian()

    def hang_up() -> None:
        raise GuardianGone("the guardian no longer listens: BrokenPipeError(32, 'Broken pipe')")

    def leave(bench: SimulatedBench) -> None:
        guardian.on_beat = hang_up

    done, fired_s = broken(tmp_path, leave, guardian=guardian)
    assert_tripped(done, "the guardian no longer listens")
    assert_off_within(done, fired_s, 2.0)
    assert done.off_confirmed


def test_a_fault_of_this_program_still_switches_off(tmp_path: Path) -> None:
    def stumble(bench: SimulatedBench) -> None:
        raise ZeroDivisionError("a mistake in the program")

    done, fired_s = broken(tmp_path, stumble)
    assert_tripped(done, "a fault of this program: ZeroDivisionError")
    assert_off_within(done, fired_s, 2.0)
    assert done.off_confirmed


def test_a_judged_reading_is_heard_at_least_each_second_while_an_output_is_on(tmp_path: Path) -> None:
    slow = DISCHARGE + 'every = "10 s"\n'
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, slow, soc=0.12))
    assert done.ending.how == "finished"
    began_s = done.journal[0][0]  # the test pulse is over by then
    on = [time_s for _, time_s, is_on in done.guardian.beats if is_on and time_s >= began_s]
    gaps = [later - earlier for earlier, later in pairwise(on)]
    assert max(gaps) <= 1.0 + 1e-6
    assert len([sample for sample in done.run.samples if sample.step_count == 1]) < len(on) / 5
