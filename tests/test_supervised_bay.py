"""Checks before a run and supervision while it runs, through the whole chain on virtual time.

What was on, and until when, is read from the journal of the simulated bench, never from the program under test.
"""

import asyncio
import os
import re
import signal
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from benchwarden.daemon.alarm.outside import Outside
from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.serving.run_desk import RunDesk
from benchwarden.daemon.worker import FINISHED, TRIPPED, carry_out
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.results.folder import read_run
from benchwarden.results.sample import Sample
from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.start import SimulatedBench
from benchwarden.simulators.supply import SupplyDevice
from tests.test_bay_faults import (
    CHARGE,
    DISCHARGE,
    HERON,
    LADDER,
    LEFT,
    MIDDLE,
    RIGHT,
    Fault,
    assert_off_within,
    assert_tripped,
    broken,
    device,
    placed,
)
from tests.virtual_bench import Done, StandInGuardian, on_virtual_time, run_test

HARD = DISCHARGE.replace('"2C"', '"5C"')
REST = """
title = "A long rest"
[[step]]
do = "rest"
at_least = "10 min"
"""
UNWEIGHED = HERON.replace('mass = "452 g"\n', "")
assert "mass" not in UNWEIGHED
SET_POINT_S, READ_BACK_S = 3.0 + 1.0, 10.0 + 1.0


def at_the_panel(**changes: object) -> Callable[[SimulatedBench], None]:
    """Change settings of the load behind the program's back."""

    def do(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        bay.advance(bench.now())
        for name, value in changes.items():
            setattr(bay.loads[0], name, value)
        bay.touch(bench.now())

    return do


# Somebody at the front panel, and instruments that lost their settings.


@pytest.mark.parametrize("changes", [{"power_w": 180.0}, {"power_w": 250.0}, {"mode": "current", "current_a": 8.0}])
def test_another_set_point_trips_as_soon_as_the_current_has_shown_it(
    tmp_path: Path, changes: dict[str, object]
) -> None:
    """Fault 21."""
    done, fired_s = broken(tmp_path, at_the_panel(**changes))
    assert_tripped(done, r"the load does not do what it was set to: power is set to 216, .* measured .* for 3\.\d s")
    assert_off_within(done, fired_s, SET_POINT_S + 1.0)
    assert done.off_confirmed
    assert not done.ending.every_bay


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"power_w": 217.0}, r"SOURce:POWer\? reads back 217\.0+ where 216 was set"),
        ({"limit_a": 100.0}, r"SOURce:CURRent:LIMit\? reads back 100\.0+"),
        ({"mode": "current", "current_a": 9.95}, r"FUNCtion\? reads back not POW|does not do what it was set to"),
    ],
)
def test_a_change_too_small_to_be_measured_is_read_back(tmp_path: Path, changes: dict[str, object], words: str) -> None:
    """Fault 21: mode, ceiling and level every ten seconds."""
    done, fired_s = broken(tmp_path, at_the_panel(**changes))
    assert_tripped(done, words)
    assert_off_within(done, fired_s, READ_BACK_S)
    assert done.off_confirmed


def test_a_supply_that_is_switched_on_by_hand_while_the_load_draws(tmp_path: Path) -> None:
    def switch(bench: SimulatedBench) -> None:
        bench.bays["left"].switch_supply(True, bench.now())  # at 0 V: nothing flows yet

    done, fired_s = broken(tmp_path, switch)
    assert done.ending.how == "tripped"
    assert done.ending.why == "changed at the instrument: left supply is on, it should be off"
    last_s = max(time_s for time_s, what in done.journal if what.endswith(" off"))
    assert last_s - fired_s <= READ_BACK_S
    assert done.off_confirmed


def test_a_load_that_is_switched_on_by_hand_at_rest(tmp_path: Path) -> None:
    def switch(bench: SimulatedBench) -> None:
        bench.bays["left"].loads[0].current_a = 0.0
        bench.bays["left"].switch_load(0, True, bench.now())

    done, _ = broken(tmp_path, switch, REST)
    assert_tripped(done, r"changed at the instrument: left load is on, it should be off")
    assert done.off_confirmed


def test_a_supply_that_lost_its_mains_for_a_moment(tmp_path: Path) -> None:
    """Fault 20: the same identity answers, but off and at factory defaults."""

    def cycle(bench: SimulatedBench) -> None:
        supply = device(bench, "supply")
        assert isinstance(supply, SupplyDevice)
        supply.power_cycle()

    done, fired_s = broken(tmp_path, cycle, CHARGE)
    assert_tripped(done, r"changed at the instrument: left supply is off, it should be on")
    assert_off_within(done, fired_s, READ_BACK_S)


def test_a_load_that_lost_its_mains_draws_nothing(tmp_path: Path) -> None:
    """Fault 20."""

    def cycle(bench: SimulatedBench) -> None:
        load = device(bench, "load")
        assert isinstance(load, LoadDevice)
        load.power_cycle()

    done, fired_s = broken(tmp_path, cycle)
    assert_tripped(done, r"the load is on, but draws nothing|changed at the instrument: left load is off")
    assert_off_within(done, fired_s, 5.0)


def test_after_a_new_connection_the_settings_are_read_back_at_once(tmp_path: Path) -> None:
    """Fault 20: not ten seconds later; the change is too small for the current to show it."""

    def cut(bench: SimulatedBench) -> None:
        at_the_panel(power_w=217.0)(bench)
        placed(bench, "load").endpoint.faults.drop_connection = True

    done, fired_s = broken(tmp_path, cut, at_s=27.0)  # the regular turn would come nine seconds later
    assert_tripped(done, r"changed at the instrument: .*reads back 217")
    assert_off_within(done, fired_s, 3.0)


def test_settings_of_both_loads_in_parallel_are_read_back(tmp_path: Path) -> None:
    def other(bench: SimulatedBench) -> None:
        bench.bays["right"].loads[1].limit_a = 100.0

    tern = HERON.replace("Heron", "Tern").replace("li-ion", "lipo")
    fault = Fault(other)
    done = on_virtual_time(run_test(tmp_path, RIGHT, tern, DISCHARGE, soc=0.5, each=fault))
    assert_tripped(done, r"changed at the instrument: right load 2 at MEMORY::right/load 2: .*LIMit")


def test_the_other_dialect_of_load_is_read_back_too(tmp_path: Path) -> None:
    fault = Fault(lambda bench: setattr(bench.bays["middle"].loads[0], "limit_a", 100.0))
    plover = HERON.replace("Heron", "Plover")
    done = on_virtual_time(run_test(tmp_path, MIDDLE, plover, DISCHARGE, soc=0.5, each=fault))
    assert_tripped(done, r"changed at the instrument: middle load at ")


def test_settings_that_cannot_be_read_back_three_times_trip(tmp_path: Path) -> None:
    """The measurements go on meanwhile; a load that does not say what it is set to is not trusted for long."""

    def deaf_to_one(bench: SimulatedBench) -> None:
        placed(bench, "supply").endpoint.faults.lost = "OUTPut?"

    done, fired_s = broken(tmp_path, deaf_to_one)
    assert_tripped(done, r"settings could not be read back 3 times in a row")
    assert_off_within(done, fired_s, 3 * READ_BACK_S)
    assert len([one for one in done.run.events_named("missed") if one["role"] == "read-back"]) == 3


def test_a_supply_that_gives_more_than_it_was_set_to(tmp_path: Path) -> None:
    def more(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        assert bay.supply is not None
        bay.advance(bench.now())
        bay.supply.current_a = 2.6  # 2.5 A are set; the bay's limit is 2.625 A
        bay.touch(bench.now())

    done, fired_s = broken(tmp_path, more, CHARGE, at_s=18.0)
    assert_tripped(done, r"changed at the instrument|the supply does not do what it was set to: at most 2\.5 A")
    assert_off_within(done, fired_s, READ_BACK_S)


# Meters that stand still or disagree.


def test_a_load_that_answers_the_same_digits_for_ever(tmp_path: Path) -> None:
    """Fault 19."""

    def freeze(bench: SimulatedBench) -> None:
        placed(bench, "load").endpoint.faults.frozen = True

    done, fired_s = broken(tmp_path, freeze)
    assert_tripped(done, r"while the groups moved by \d+ mV together: the meter stands still|the groups make")
    last_s = max(time_s for time_s, what in done.journal if what == "load 1 off")
    assert last_s - fired_s < 120.0


def test_a_load_that_stands_still_in_a_bay_without_a_meter_for_groups(tmp_path: Path) -> None:
    def freeze(bench: SimulatedBench) -> None:
        placed(bench, "load").endpoint.faults.frozen = True

    def without(text: str) -> str:
        return "\n".join(line for line in text.splitlines() if not line.startswith("cells"))

    fault = Fault(freeze)
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.5, each=fault, change_bench=without))
    assert_tripped(done, r"\d+ times in a row, while 0\.\d+ Ah were drawn: the meter stands still")


def test_a_scanner_that_answers_the_same_digits_for_ever(tmp_path: Path) -> None:
    """Faults 19 and 64."""

    def freeze(bench: SimulatedBench) -> None:
        placed(bench, "cells").endpoint.faults.frozen = True

    done, fired_s = broken(tmp_path, freeze)
    assert_tripped(done, r"the meter of the groups stands still|the groups make")
    last_s = max(time_s for time_s, what in done.journal if what == "load 1 off")
    assert last_s - fired_s < 120.0
    assert done.off_confirmed


@pytest.mark.parametrize("offset_v", [0.06, -0.06])
def test_groups_that_no_longer_make_the_pack(tmp_path: Path, offset_v: float) -> None:
    """Fault 64: 6 × 60 mV are beyond 0.5 % of 22 V and 5 mΩ × 10 A."""

    def drift(bench: SimulatedBench) -> None:
        device(bench, "cells").meter = Meter(offset=offset_v)  # type: ignore[attr-defined]

    done, fired_s = broken(tmp_path, drift)
    assert_tripped(done, r"the groups make \d+\.\d+ V together, the pack \d+\.\d+ V")
    assert_off_within(done, fired_s, 5.0)


def test_a_longer_path_is_declared_in_the_bench_file(tmp_path: Path) -> None:
    """The same drift at 10 A is borne where the path has 40 mΩ."""

    def drift(bench: SimulatedBench) -> None:
        device(bench, "cells").meter = Meter(offset=-0.06)  # type: ignore[attr-defined]

    done = on_virtual_time(
        run_test(
            tmp_path,
            LEFT,
            HERON,
            DISCHARGE.replace("[[step]]", '[[step]]\nat_most = "60 s"'),
            soc=0.5,
            each=Fault(drift),
            change_bench=lambda text: text.replace('taps = "each"', 'taps = "each"\npath_resistance = "40 mohm"'),
        )
    )
    assert "the groups make" not in done.ending.why or "0.00 A" in done.ending.why
    assert [sample for sample in done.run.samples if sample.output == "load"][-1].step_time_s > 50.0


# Probes and packs.


def test_a_probe_that_falls_off(tmp_path: Path) -> None:
    """Fault 67: from then on it shows the air."""

    def fall(bench: SimulatedBench) -> None:
        wires = device(bench, "temperature").wires  # type: ignore[attr-defined]
        wires[1] = (bench.bays["left"], "ambient")

    done, fired_s = broken(tmp_path, fall, HARD, soc=1.0)
    assert_tripped(done, r"temperature middle_c shows a rise of -?\d\.\d K where .*: the probe fell off")
    assert_off_within(done, fired_s, 240.0)
    assert not done.ending.every_bay


@pytest.mark.parametrize("text", [HERON, UNWEIGHED], ids=["weighed", "unweighed"])
@pytest.mark.parametrize("profile", [REST, CHARGE], ids=["rest", "charge"])
def test_a_pack_that_warms_by_itself_ends_every_bay(tmp_path: Path, profile: str, text: str) -> None:
    """Faults 67 and 68: 3 K a minute, with nothing or little flowing, whether or not its file has a mass."""
    began: list[float] = []

    def warm(bench: SimulatedBench, sample: Sample) -> None:
        if sample.test_time_s < 60.0:
            return
        began.append(bench.now())
        pack = bench.bays["left"].pack
        pack.core_c += 0.05
        pack.surface_c += 0.05

    done = on_virtual_time(run_test(tmp_path, LEFT, text, profile, soc=0.5, each=warm))
    assert_tripped(done, r"temperature \w+_c rose by \d+\.\d K in 2\.\d min with the load off, where")
    assert done.ending.every_bay
    assert done.run.samples[-1].test_time_s < 60.0 + 180.0
    assert done.off_confirmed


def test_a_pack_without_a_mass_that_warms_under_a_gentle_load_trips(tmp_path: Path) -> None:
    """Fault 68: ten kelvins a minute at 2C are explained by no mass that such a pack can have."""

    def warm(bench: SimulatedBench, sample: Sample) -> None:
        if sample.output == "load":
            bench.bays["left"].pack.core_c += 1.0 / 6.0
            bench.bays["left"].pack.surface_c += 1.0 / 6.0

    done = on_virtual_time(run_test(tmp_path, LEFT, UNWEIGHED, DISCHARGE, soc=0.5, each=warm))
    assert_tripped(done, r"temperature \w+_c rose by \d+\.\d K in \d+ s, where the current explains")
    assert done.ending.every_bay
    assert done.bench.bays["left"].witness.hottest_core_c < 60.0


@pytest.mark.parametrize(("profile", "soc"), [(DISCHARGE, 0.12), (HARD, 1.0), (LADDER, 1.0), (CHARGE, 0.5)])
def test_without_a_mass_the_plan_says_what_is_judged_and_an_honest_pack_ends_its_test(
    tmp_path: Path, profile: str, soc: float
) -> None:
    done = on_virtual_time(run_test(tmp_path, LEFT, UNWEIGHED, profile, soc=soc))
    assert done.ending.how == "finished", done.ending
    assert any("if it weighed 245 g, half of what is typical of li-ion" in note for note in done.plan.notes)


def test_without_a_mass_a_probe_that_falls_off_is_not_guessed_at(tmp_path: Path) -> None:
    """As the plan says: what a probe must show at least takes a mass that somebody has weighed."""

    def fall(bench: SimulatedBench) -> None:
        wires = device(bench, "temperature").wires  # type: ignore[attr-defined]
        wires[1] = (bench.bays["left"], "ambient")

    done = on_virtual_time(run_test(tmp_path, LEFT, UNWEIGHED, HARD, soc=1.0, each=Fault(fall)))
    assert done.ending.how == "finished", done.ending
    assert any("whether a probe fell off is not judged" in note for note in done.plan.notes)


# Before the plan.


def refused(folder: Path, before: Callable[[SimulatedBench], None], profile: str = DISCHARGE) -> Done:
    done = on_virtual_time(run_test(folder, LEFT, HERON, profile, soc=0.5, before=before))
    assert done.ending.how == "tripped"
    assert done.run.samples == []
    assert done.off_confirmed
    return done


def test_everything_that_is_wrong_is_said_at_once_and_nothing_goes_on(tmp_path: Path) -> None:
    """Faults 64, 66, 67."""

    def wrong(bench: SimulatedBench) -> None:
        bay = bench.bays["left"]
        bay.loads[0].max_current_a = 60.0
        bay.pack.probes_c["joint"] += 10.0
        device(bench, "voltmeter").meter = Meter(offset=0.3)  # type: ignore[attr-defined]
        wires = device(bench, "temperature").wires  # type: ignore[attr-defined]
        del wires[1]

    done = refused(tmp_path, wrong)
    for words in (
        r"left load: the bench file says 120 A, the instrument itself 60 A at most",
        r"voltmeter reads \d+\.\d+ V, load \d+\.\d+ V; they may differ by \d+ mV",
        r"probe joint: 3\d\.\d °C, ambient 2\d\.\d °C",
        r"probe middle: no value; it is open or shorted",
        r"sum of groups",
    ):
        assert re.search(words, done.ending.why), (words, done.ending.why)
    assert done.journal == []
    assert not done.guardian.armed


def test_a_pulse_goes_before_the_plan_and_leaves_no_sample(tmp_path: Path) -> None:
    """Fault 66. 2C are 216 W, 10 A at nominal voltage: 1 A for a second."""
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12))
    [found] = done.run.events_named("test_pulse")
    assert found["set_a"] == 1.0
    assert found["measured_a"] == pytest.approx(-1.0, abs=0.02)
    pack = done.bench.bays["left"].pack
    assert found["resistance_ohm"] == pytest.approx(pack.resistance_ohm, rel=0.35)
    (on_s, on), (off_s, off) = done.whole_journal[:2]
    assert (on, off) == ("load 1 on", "load 1 off")
    assert off_s - on_s == pytest.approx(1.0, abs=0.05)
    assert done.journal[0][0] - off_s >= 10.0  # the pack recovers before the plan begins
    assert done.checked.drawn_ah == pytest.approx(1.0 / 3600.0, rel=0.05)
    # Run time counts from the start of the record, in samples as in events.
    began = next(done.run.events_named("step_began"))
    assert done.run.samples[0].test_time_s == pytest.approx(began["test_time_s"], abs=0.01)
    assert done.run.samples[0].discharging_ah == 0.0
    assert "left" in done.guardian.armed
    heard = [is_on for _, time_s, is_on in done.guardian.beats if on_s < time_s < off_s]
    assert heard
    assert all(heard)


def test_the_bench_file_may_give_the_pack_longer_to_recover(tmp_path: Path) -> None:
    def longer(text: str) -> str:
        return text.replace("[[bay]]\n", '[[bay]]\npulse_recovery = "40 s"\n')

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12, change_bench=longer))
    assert done.journal[0][0] - done.whole_journal[1][0] >= 40.0


def test_a_plan_that_draws_nothing_has_no_pulse(tmp_path: Path) -> None:
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, REST, soc=0.5))
    assert done.ending.how == "finished"
    assert done.whole_journal == []
    assert len(done.plan.steps) == 1


def test_from_an_empty_pack_no_pulse_is_drawn(tmp_path: Path) -> None:
    both = CHARGE + DISCHARGE.replace('title = "Short draw"', "")
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, both, soc=0.001, each=Fault(lambda bench: None)))
    [left_out] = done.run.events_named("test_pulse_left_out")
    assert "and nothing is drawn for a test below 2.70 V" in left_out["why"]
    assert done.whole_journal[0][1] == "supply on"


def measures_current(bench: SimulatedBench, gain: float) -> None:
    load = device(bench, "load")
    assert isinstance(load, LoadDevice)
    load.meters = replace(load.meters, current=Meter(gain=gain))


@pytest.mark.parametrize(
    ("do", "words"),
    [
        (lambda bench: measures_current(bench, -0.999), r"1 A were set, measured 0\.001 A"),
        (lambda bench: measures_current(bench, 0.3), r"1 A were set, measured 1\.3"),
        (lambda bench: setattr(bench.bays["left"].pack, "_scale", [16.0] * 6), r"the pack's resistance is \d+"),
    ],
    ids=["milliamperes", "reads too much", "a bad contact"],
)
def test_a_pulse_that_shows_something_wrong_ends_the_run_before_its_first_step(
    tmp_path: Path, do: Callable[[SimulatedBench], None], words: str
) -> None:
    """Fault 66."""
    done = refused(tmp_path, do)
    assert re.search(words, done.ending.why), done.ending.why
    assert [what for _, what in done.whole_journal] == ["load 1 on", "load 1 off"]


# After the plan.


def test_after_the_last_current_the_pack_is_watched_for_half_an_hour(tmp_path: Path) -> None:
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12))
    assert done.ending.how == "finished"
    watch = done.plan.steps[-1]
    assert (watch.number, watch.kind, watch.title) == (2, "rest", "watch after the last current")
    watched = [sample for sample in done.run.samples if sample.step_count == 2]
    assert watched[-1].test_time_s - watched[0].test_time_s == pytest.approx(1800.0, abs=0.1)
    assert {sample.output for sample in watched} == {"off"}
    assert all(sample.temperatures_c[0] is not None for sample in watched)
    assert len(watched) == pytest.approx(180, abs=3)  # one row in ten seconds


def test_a_pack_that_warms_in_that_half_hour_trips(tmp_path: Path) -> None:
    """Fault 67: cells heat on after the cut-off."""

    def warm(bench: SimulatedBench, sample: Sample) -> None:
        if sample.step_count == 2 and sample.step_time_s > 600.0:
            pack = bench.bays["left"].pack
            pack.core_c += 0.5  # 3 K a minute: one row in ten seconds
            pack.surface_c += 0.5

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, soc=0.12, each=warm))
    assert_tripped(done, r"temperature \w+_c rose by .* with the load off")
    assert done.ending.every_bay


@pytest.mark.parametrize("profile", [LADDER], ids=["ladder"])
def test_bursts_are_no_runaway(tmp_path: Path, profile: str) -> None:
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, profile, soc=1.0))
    assert done.ending.how == "finished", done.ending


@pytest.mark.parametrize("warms", [True, False])
def test_one_pack_that_warms_by_itself_ends_what_runs_in_the_other_bay(tmp_path: Path, warms: bool) -> None:
    """Two bays of one command, over sockets: the second one is asked to stop, and is confirmed off."""
    profile = read_profile(REST, "profile")

    async def work() -> tuple[int, list[Path], list[str]]:
        async with SimulatedBench([LEFT, MIDDLE], soc=0.5) as bench:
            settings = read_bench(bench.bench_toml(), "bench.toml")
            jobs = []
            for entry, name in zip(settings.bay, ("Heron", "Plover"), strict=True):
                pack = read_pack(HERON.replace("Heron", name))
                plan = work_out(profile, pack, entry.abilities())
                jobs.append(Job(entry, pack, profile, "profile", plan, pack_text="", profile_text=""))
            progress = Noted(bench, warms)

            async def ask(text: str, answers: tuple[str, ...]) -> str:
                raise AssertionError("nobody is asked here")

            code, folders = await carry_out(
                settings,
                jobs,
                tmp_path,
                StandInGuardian(),  # type: ignore[arg-type]
                progress,
                ask,
            )
            return code, folders, progress.notes

    code, folders, notes = on_virtual_time(work())
    assert len(folders) == 2
    endings = {read_run(folder).info.bay: read_run(folder).ending for folder in folders}
    assert all(ending.off_confirmed for ending in endings.values())
    if warms:
        assert (code, endings["left"].how, endings["middle"].how) == (TRIPPED, "tripped", "stopped")
        assert any("with the load off" in note for note in notes)
    else:
        assert (code, endings["left"].how, endings["middle"].how) == (FINISHED, "finished", "finished")


def test_a_stop_after_a_trip_is_answered_with_what_flows_then(tmp_path: Path) -> None:
    """Somebody has switched the load on again, and it does not go off: what was measured at the trip says nothing."""

    async def work() -> tuple[dict[str, Any], dict[str, Any]]:
        async with SimulatedBench([LEFT], soc=0.5) as bench:
            settings = read_bench(bench.bench_toml(), "bench.toml")
            [entry], pack, profile = settings.bay, read_pack(HERON), read_profile(REST, "profile")
            plan = work_out(profile, pack, entry.abilities())
            job = Job(entry, pack, profile, "profile", plan, pack_text="", profile_text="")
            desk, shown = RunDesk(settings.name, [job]), Noted(bench, True)
            guardian: Any = StandInGuardian()

            async def ask(text: str, answers: tuple[str, ...]) -> str:
                raise AssertionError("nobody is asked here")

            running = asyncio.create_task(
                carry_out(settings, [job], tmp_path, guardian, cast("Any", shown), ask, begun=desk.begun)
            )
            for _ in range(600):
                if any("is watched for a while" in note for note in shown.notes):
                    break
                await asyncio.sleep(1.0)
            first = await desk.handle({"do": "stop"})
            load = bench.instruments["left/load"].endpoint
            load.faults.lost = "INP"
            bench.bays["left"].loads[0].mode = "current"
            bench.bays["left"].loads[0].current_a = 5.0
            bench.bays["left"].switch_load(0, True, bench.now())
            second = await desk.handle({"do": "stop", "bay": "left"})
            load.faults.lost = None
            os.kill(os.getpid(), signal.SIGTERM)
            await running
            return first, second

    first, second = on_virtual_time(work())
    assert first["off"] is True
    assert second["off"] is False
    assert second["bays"]["left"]["current_a"]["load"] < -1.0
    assert "OFF NOT CONFIRMED" in second["bays"]["left"]["words"]


def test_a_stop_while_a_trip_is_carried_out_ends_the_looking_after_it_too(tmp_path: Path) -> None:
    """SIGTERM between trip and aftermath: ten seconds later the guardian would kill who still looks."""

    class Stopping(Noted):
        noted_s = 0.0

        def note(self, text: str) -> None:
            super().note(text)
            if not self.noted_s:  # that it tripped and is off
                self.noted_s = asyncio.get_running_loop().time()
                os.kill(os.getpid(), signal.SIGTERM)

    async def work() -> tuple[int, float]:
        async with SimulatedBench([LEFT], soc=0.5) as bench:
            settings = read_bench(bench.bench_toml(), "bench.toml")
            [entry], pack, profile = settings.bay, read_pack(HERON), read_profile(REST, "profile")
            plan = work_out(profile, pack, entry.abilities())
            job = Job(entry, pack, profile, "profile", plan, pack_text="", profile_text="")
            progress = Stopping(bench, True)

            async def ask(text: str, answers: tuple[str, ...]) -> str:
                raise AssertionError("nobody is asked here")

            guardian: Any = StandInGuardian()
            shown: Any = progress
            code, _ = await carry_out(settings, [job], tmp_path, guardian, shown, ask)
            return code, asyncio.get_running_loop().time() - progress.noted_s

    code, seconds = on_virtual_time(work())
    assert code == TRIPPED
    assert seconds < 5.0
    [run] = tmp_path.glob("heron/*")
    assert read_run(run).events[-1]["event"] == "watched"  # it was closed, not cut


def test_who_is_told_that_a_bay_waits_is_told_that_everything_is_off(tmp_path: Path) -> None:
    """A question after a draw: the load is off, confirmed, before anybody is asked."""
    text = DISCHARGE.replace("[[step]]", '[[step]]\nat_most = "20 s"') + '[[step]]\ndo = "ask"\ntext = "Is it cool?"\n'
    facts: list[Mapping[str, object]] = []

    async def work() -> int:
        async with SimulatedBench([LEFT], soc=0.5) as bench:
            settings = read_bench(bench.bench_toml(), "bench.toml")
            [entry], pack, profile = settings.bay, read_pack(HERON), read_profile(text, "profile")
            job = Job(entry, pack, profile, "profile", work_out(profile, pack, entry.abilities()))

            async def ask(text: str, answers: tuple[str, ...]) -> str:
                assert not bench.bays["left"].loads[0].on
                return "done"

            guardian: Any = StandInGuardian()
            shown: Any = Noted(bench, False)
            outside = Outside(None, print, also=facts.append)
            return (await carry_out(settings, [job], tmp_path, guardian, shown, ask, outside))[0]

    assert on_virtual_time(work()) == FINISHED
    [waiting] = [fact for fact in facts if fact["kind"] == "waiting for the operator"]
    assert (waiting["why"], waiting["output"]) == ("Is it cool?", "off")


class Noted:
    """In the place of the screen: keeps the notes, and warms the left bay's pack at its samples."""

    def __init__(self, bench: SimulatedBench, warms: bool) -> None:
        self._bench, self._warms = bench, warms
        self.notes: list[str] = []

    def show(self, bay: str, view: object) -> None:
        if self._warms and bay == "left":
            pack = self._bench.bays["left"].pack
            pack.core_c += 0.05
            pack.surface_c += 0.05

    def event(self, bay: str, run: str, event: object) -> None:
        pass

    def note(self, text: str) -> None:
        self.notes.append(text)

    def end(self, bay: str, how: str) -> None:
        pass
