"""Every step that draws is held against the load's own count, whatever it draws and however it is sampled."""

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.profiles.shipped import library_text
from benchwarden.results.counters import NAMES, WORST_NAMES, flags_of, strain
from benchwarden.results.draws import Switchings, between, number
from benchwarden.results.figure import Figures, StepCount
from benchwarden.results.figures import figures, result_data
from benchwarden.results.folder import read_run
from benchwarden.results.report_run import run_report
from benchwarden.results.run import Run
from benchwarden.simulators.scenario import BayScenario
from benchwarden.simulators.start import SimulatedBench
from tests.synthetic_run import Writer
from tests.test_bay_faults import HERON, LADDER, LEFT, MIDDLE, RIGHT, device, mute
from tests.test_load_counters import loads, unknown
from tests.test_slow_instruments import SlowLine
from tests.virtual_bench import Done, on_virtual_time, run_test

DRAW = """
[[step]]
do = "discharge"
current = "4C"
at_most = "20 s"
stop_at = { group_voltage = "discharge cut-off" }
"""
STORE = 'title = "Away"\n[[step]]\ndo = "store"\n'
PULSE = 'title = "Two steps"\n[[step]]\ndo = "pulse"\n'
SERIES = """
title = "Series"
[[step]]
do = "charge"
current = "0.5C"
taper = "0.05C"
[[step]]
do = "pulse"
method = "series"
levels = ["1C", "3C"]
hold = "10 s"
times = ["1 s", "10 s"]
rest = "40 s"
each = "10 %"
down_to = "80 %"
move = "1C"
settle = "1 min"
"""
CYCLES = """
title = "Three times"
[[step]]
do = "repeat"
times = 3
at_most = "2 days"
[[step.step]]
do = "discharge"
current = "4C"
stop_at = { group_voltage = "discharge cut-off" }
every = "EVERY"
[[step.step]]
do = "charge"
current = "1C"
taper = "0.1C"
until = { charge = "20 %" }
"""
BEFORE_FLIGHT = """
title = "Flown"
[[step]]
do = "discharge"
power_table = "shore-survey.csv"
every = "EVERY"
stop_at = { group_voltage = "discharge cut-off" }
at_most = "4 h"
[tables]
"""
FLIGHT = BEFORE_FLIGHT + library_text("flight").partition("[tables]\n")[2]


def done_with(folder: Path, profile: str, *, miscounts: float = 1.0, scenario: BayScenario = LEFT, **more: Any) -> Done:
    def doctored(bench: SimulatedBench) -> None:
        for load in loads(bench):
            load.miscounts = miscounts

    more.setdefault("before", doctored)
    more.setdefault("soc", 0.9)
    return on_virtual_time(run_test(folder, scenario, HERON, profile, **more))


def apart(found: Figures) -> list[str]:
    return [flag for flag in found.flags if "own counter says" in flag]


def all_explained(found: Figures) -> None:
    assert found.counts
    assert not apart(found)
    # Far within: what is allowed is not just enough for the simulated bench.
    assert all(strain(count) < 0.5 and not count.lacking for count in found.counts), found.counts


# --- what may lie between two samples ----------------------------------------------------------------


@given(st.lists(st.floats(0.0, 90.0), min_size=2, max_size=30), st.floats(0.0, 1.0), st.floats(0.05, 10.0))
def test_set_points_that_always_change_at_one_moment_between_samples_are_within(
    levels_a: list[float], share: float, period_s: float
) -> None:
    """In closed form: between two samples the level before holds for `share` of the period, then the next one."""
    values = np.array(levels_a)
    steps = np.full(len(values) - 1, period_s)
    trapezoid = float(np.sum((values[1:] + values[:-1]) / 2.0 * steps))
    truth = float(np.sum((share * values[:-1] + (1.0 - share) * values[1:]) * steps))
    assert abs(trapezoid - truth) <= between(values, steps) + 1e-9


def test_set_points_that_change_anywhere_between_samples_are_nearly_always_within() -> None:
    chance = np.random.default_rng(7)
    outside = 0
    for _ in range(2000):
        values, steps = chance.uniform(0.0, 90.0, 40), np.full(39, 1.0)
        share = chance.uniform(0.0, 1.0, 39)
        truth = np.sum(share * values[:-1] + (1.0 - share) * values[1:])
        outside += int(abs(np.sum((values[1:] + values[:-1]) / 2.0) - truth) > between(values, steps))
    assert outside < 0.005 * 2000  # 0.27 % lie outside three deviations of a normal one


def rarely(value: object) -> Any:
    """Return a case of which another beside it tells nearly as much: only where there is time."""
    return pytest.param(value, marks=pytest.mark.endure)


@pytest.mark.parametrize("value", [None, True, "3", math.nan, math.inf, [1.0]])
def test_what_is_no_finite_number_is_none(value: object) -> None:
    assert number(value) is None


def test_switchings_are_found_beside_their_samples() -> None:
    on = {"event": "output_on", "output": "load", "test_time_s": 10.2, "ordered_ago_s": 0.2, "answered_ago_s": 0.0}
    off = {"event": "output_off", "test_time_s": 15.5, "ordered_ago_s": 0.4, "answered_ago_s": 0.3}
    feed = on | {"output": "supply", "test_time_s": 12.0}
    old = [{key: value for key, value in event.items() if "ago" not in key} for event in (on, off)]
    found = Switchings.of([on | {"ceiling_a": 27.5}, feed, off])
    assert found.on_between(9.0, 10.2) == pytest.approx((10.0, 27.5))
    assert found.on_between(10.1, 20.0) is None
    assert found.off_between(15.0, 16.0) == pytest.approx((15.1, 15.2))
    assert found.off_between(15.2, 16.0) is None
    assert found.off_between(14.0, 15.0) is None
    none = Switchings.of(old)
    assert none.on_between(0.0, 99.0) is None
    assert none.off_between(0.0, 99.0) is None


# --- whole runs: honest ones pass, others do not ----------------------------------------------------------


@pytest.mark.parametrize("scenario", [LEFT, MIDDLE, RIGHT], ids=["goes on", "zero at on", "two in parallel"])
def test_a_ladder_and_its_count_agree(tmp_path: Path, scenario: BayScenario) -> None:
    found = figures(done_with(tmp_path, LADDER, scenario=scenario).run)
    all_explained(found)
    assert found[WORST_NAMES[0]].value == pytest.approx(1.0, abs=0.002)
    assert found[WORST_NAMES[0]].note.startswith("step 1 (ladder): the load counted")
    assert found.counts[0].draws == len(found.rungs)
    assert found[WORST_NAMES[0]].U is None


def slow(monkeypatch: pytest.MonkeyPatch, answer_s: float) -> None:
    monkeypatch.setattr("benchwarden.drivers.address.MemoryLine", SlowLine)
    monkeypatch.setattr(SlowLine, "answer_s", answer_s)


@pytest.mark.parametrize("every", ["0.1 s", rarely("0.05 s")])
@pytest.mark.parametrize("answer_s", [rarely(0.0), 0.005, rarely(0.02)])
@pytest.mark.parametrize(("miscounts", "flagged"), [(1.0, False), (1.03, True), (0.97, True)])
def test_three_percent_in_a_ladder_are_flagged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, every: str, answer_s: float, miscounts: float, flagged: bool
) -> None:
    slow(monkeypatch, answer_s)
    found = figures(done_with(tmp_path, f'{LADDER}every = "{every}"\n', miscounts=miscounts).run)
    if not flagged:
        all_explained(found)
        return
    charge, energy = apart(found)
    assert charge.startswith("step 1: the samples give 0.8")
    assert " Ah; sampling explains 0.8" in charge
    assert " Wh; sampling explains 15." in energy


@pytest.mark.parametrize("answer_s", [0.1, 0.3])
def test_slow_answers_at_the_edges_of_bursts_flag_nothing_by_themselves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer_s: float
) -> None:
    """Up to a tenth of each burst flows where no sample is; the moments of switching say so."""
    slow(monkeypatch, answer_s)
    found = figures(done_with(tmp_path, LADDER).run)
    all_explained(found)
    assert found[WORST_NAMES[0]].value < 0.97
    assert found.counts[0].least is not None
    assert found.counts[0].integral is not None
    assert found.counts[0].least > found.counts[0].integral, "what surely flowed after the last sample is in it"


@pytest.mark.parametrize("every", [rarely("0.2 s"), "1 s", rarely("5 s")])
@pytest.mark.parametrize(("miscounts", "flagged"), [(1.0, False), (1.03, True)])
def test_a_flight_and_its_count(tmp_path: Path, every: str, miscounts: float, flagged: bool) -> None:
    profile = 'title = "Twice"\n' + DRAW + FLIGHT.replace("EVERY", every).partition('title = "Flown"')[2]
    found = figures(done_with(tmp_path, profile, miscounts=miscounts).run)
    judged = {count.step for count in found.counts if count.explained is not None}
    assert judged == {1, 2}
    if flagged:
        assert any(flag.startswith("step 2: ") for flag in apart(found))
    else:
        all_explained(found)


@pytest.mark.parametrize("every", [rarely("1 s"), "10 s"])
def test_cycles_and_their_counts_agree(tmp_path: Path, every: str) -> None:
    done = done_with(tmp_path, CYCLES.replace("EVERY", every))
    found = figures(done.run)
    all_explained(found)
    assert [count.step for count in found.counts] == [1, 1, 3, 3, 5, 5]
    assert ", of 3 steps: " in found[WORST_NAMES[0]].note
    # Worked out again from the folder, it is the same to the byte; so it is from samples without columns.
    again = read_run(done.run.path)
    assert json.dumps(result_data(again, figures(again))) == json.dumps(result_data(done.run, found))


def test_a_count_that_goes_wrong_in_a_later_cycle_is_found_there(tmp_path: Path) -> None:
    def later(bench: SimulatedBench, sample: Any) -> None:
        if sample.step_count == 3:
            loads(bench)[0].state.drawn.charge_as += 0.01 * max(0.0, -(sample.current_a or 0.0))  # 1 % a second

    found = figures(done_with(tmp_path, CYCLES.replace("EVERY", "1 s"), each=later).run)
    [flag] = apart(found)
    assert flag.startswith("step 3: the samples give 0.98")
    assert found[NAMES[0]].value == pytest.approx(1.0, abs=0.002), "the first discharge's figure stays its own"
    assert found[WORST_NAMES[0]].value == pytest.approx(0.99, abs=0.002)
    assert found[WORST_NAMES[0]].note.startswith("step 3 (discharge), of 3 steps: ")
    assert [count.explained for count in found.counts if count.quantity == "charge"] == [True, False, True]


@pytest.mark.parametrize(
    ("profile", "step", "kind", "tells"),
    # Two steps of current draw 4 mAh, of which a counter of whole mAh tells little; a series moves by half an Ah.
    [(STORE, 1, "store", True), (SERIES, 2, "pulse", True), (PULSE, 1, "pulse", False)],
    ids=["store", "series", "two steps"],
)
def test_what_stores_and_pulses_is_judged(tmp_path: Path, profile: str, step: int, kind: str, tells: bool) -> None:
    found = figures(done_with(tmp_path / "right", profile).run)
    all_explained(found)
    assert {(count.step, count.kind) for count in found.counts} == {(step, kind)}
    assert bool(apart(figures(done_with(tmp_path / "wrong", profile, miscounts=1.03).run))) == tells
    assert apart(figures(done_with(tmp_path / "double", profile, miscounts=2.0).run))


# --- what is lacking is said once -----------------------------------------------------------------------


def test_a_load_without_counters_is_no_noise(tmp_path: Path) -> None:
    done = done_with(tmp_path, CYCLES.replace("EVERY", "1 s"), before=lambda bench: unknown(device(bench, "load")))
    found = figures(done.run)
    reason = found.missing[WORST_NAMES[0]]
    assert "FETCh" in reason
    assert found.missing[NAMES[0]] == f"step 1: {reason}"
    assert not [note for note in found.notes if "counter" in note and "own" in note]
    assert not apart(found)


def test_counters_that_fail_on_the_way_are_named_once_with_their_steps(tmp_path: Path) -> None:
    def silent(bench: SimulatedBench, sample: Any) -> None:
        if sample.step_count == 3 and not broken:
            broken.append(True)
            unknown(device(bench, "load"))

    broken: list[bool] = []
    found = figures(done_with(tmp_path, CYCLES.replace("EVERY", "1 s"), each=silent).run)
    [note] = [note for note in found.notes if "own counters are lacking" in note]
    assert note.startswith("the load's own counters are lacking of steps 3 and 5: ")
    assert found[WORST_NAMES[0]].note.startswith("step 1 (discharge): ")


def test_a_run_that_was_cut_short_in_a_step_tells_of_the_steps_before(tmp_path: Path) -> None:
    def fault(bench: SimulatedBench, sample: Any) -> None:
        if sample.step_count == 3:
            mute(bench, "cells")

    found = figures(done_with(tmp_path, CYCLES.replace("EVERY", "1 s"), each=fault).run)
    assert [count.step for count in found.counts] == [1, 1]
    assert NAMES[0] in found
    assert not [name for name in WORST_NAMES if name in found or name in found.missing]


def changed(run: Run, change: Callable[[dict[str, Any]], dict[str, Any] | None]) -> Run:
    return replace(run, events=[event for one in run.events if (event := change(dict(one))) is not None])


def test_runs_from_before_read_as_before(tmp_path: Path) -> None:
    run = done_with(tmp_path, DRAW.join(['title = "Draw, then bursts"\n', LADDER.partition('"Bursts"\n')[2]])).run
    none = figures(changed(run, lambda event: None if event["event"] == "counted_by_load" else event))
    assert not none.counts
    assert not [name for name in WORST_NAMES if name in none or name in none.missing]
    assert "were not read after it" in none.missing[NAMES[0]]

    def without_moments(event: dict[str, Any]) -> dict[str, Any]:
        return {key: value for key, value in event.items() if not key.endswith("ago_s")}

    all_explained(figures(changed(run, without_moments)))


def test_without_the_moments_of_switching_the_samples_around_bound_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow(monkeypatch, 0.02)
    run = done_with(tmp_path, LADDER).run
    known = figures(run).counts[0]
    old = figures(
        changed(run, lambda event: {key: value for key, value in event.items() if not key.endswith("ago_s")})
    ).counts[0]
    assert old.explained
    assert old.integral == known.integral
    assert known.most is not None
    assert old.most is not None
    assert known.least is not None
    assert old.least is not None
    assert old.most > 1.03 * known.most
    assert old.least < known.least


def test_of_many_flags_one_names_the_further_steps() -> None:
    def astray(step: int) -> StepCount:
        return StepCount(step, "discharge", "charge", "Ah", 1.0, 1.5, 0.9, 1.1, explained=False)

    assert flags_of([replace(astray(1), explained=True), StepCount(2, "store", "charge", "Ah", lacking="silent")]) == []
    few = flags_of([astray(step) for step in range(1, 21)])
    assert len(few) == 20
    words = "step 20: the samples give 1 Ah, the load's own counter says 1.5 Ah; sampling explains 0.9 to 1.1 Ah"
    assert few[-1] == words
    many = flags_of([astray(step) for step in range(1, 101)])
    assert many[:19] == few[:19]
    assert many[19].startswith("81 steps, 20 to 100: the load's own counters differ")
    assert len(many) == 20


# --- draws that were hardly seen ----------------------------------------------------------------------------


def burst(ceiling_a: float | None, counted_ah: float, folder: Path, voltage: float | None = 22.0) -> Figures:
    """One draw with one sample, taken on the load's way up, ordered off 0.5 s later."""
    writer = Writer()
    writer.begin("ladder")
    writer.put(0.0, "off", "rest 0")
    writer.now_s = 1.0
    on = {} if ceiling_a is None else {"ceiling_a": ceiling_a}
    writer.event("output_on", output="load", ordered_ago_s=0.01, answered_ago_s=0.0, **on)
    writer.put(5.0, "load", "burst 1: 25.0 A")
    if voltage is None:
        writer.samples[-1] = replace(writer.samples[-1], voltage_v=None)
    writer.now_s = 1.6
    writer.event("output_off", confirmed=True, ordered_ago_s=0.1, answered_ago_s=0.05)
    writer.put(0.0, "off", "rest 1")
    writer.event("counted_by_load", step=1, charge_ah=counted_ah, energy_wh=counted_ah * 22.0)
    writer.end("floor")
    return figures(read_run(writer.finish(folder, writer.info())))


def test_a_draw_of_one_sample_may_have_drawn_up_to_its_ceiling(tmp_path: Path) -> None:
    most_ah = 27.5 * 0.56 / 3600.0
    assert not apart(burst(27.5, most_ah, tmp_path / "a"))
    assert apart(burst(27.5, most_ah + 0.002, tmp_path / "b"))
    assert apart(burst(None, most_ah, tmp_path / "c")), "5 A for 0.56 s and 1 mAh are 1.8 mAh"


def test_a_draw_without_a_reading_is_not_judged(tmp_path: Path) -> None:
    found = burst(27.5, 0.1, tmp_path, voltage=None)
    assert not apart(found)
    assert "s under load were not measured, but counted" in found.missing[WORST_NAMES[0]]


# --- how it is shown ----------------------------------------------------------------------------------------


def test_the_report_shows_every_step_and_of_many_those_that_lie_furthest_out(tmp_path: Path) -> None:
    done = done_with(tmp_path, LADDER, miscounts=1.03)
    found = figures(done.run)
    page = run_report(done.run, found, [], "none")
    section = page.partition('id="counters"')[2].partition("</section>")[0]
    assert "1 (ladder)" in section
    assert section.count("NO") == 2
    assert "worst step" in page
    even = StepCount(2, "discharge", "charge", "Ah", 1.0, 1.0, 0.9, 1.1, True, 1, 1, 2)
    found.counts.extend(replace(even, step=number) for number in range(2, 100))
    found.counts.append(replace(even, step=100, count=1.09))
    page = run_report(done.run, found, [], "none")
    section = page.partition('id="counters"')[2].partition("</section>")[0]
    assert "The 40 of 101 that lie furthest out" in section
    assert "100 (discharge)" in section
    found.counts.clear()
    assert 'id="counters"' not in run_report(done.run, found, [], "none")
