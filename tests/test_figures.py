import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from benchwarden.results.ending import step_ending
from benchwarden.results.figures import Figures, figures, write_result
from benchwarden.results.folder import read_run
from benchwarden.results.integrate import SAG_PERCENT, integrate
from benchwarden.results.run import Run
from benchwarden.results.sample import Sample
from tests.synthetic_run import Group, Writer, discharge_run, ladder_plan, ladder_steps


def read(writer: Writer, folder: Path, how: str | None = "finished", **info: Any) -> Run:
    return read_run(writer.finish(folder, writer.info(**info), how))


def told(writer: Writer, folder: Path, how: str | None = "finished", **info: Any) -> Figures:
    return figures(read(writer, folder, how, **info))


# --- integration ---------------------------------------------------------------------------------


def loaded_samples(times: list[float], amperes: list[float | None], volts: list[float]) -> list[Sample]:
    writer = Writer()
    writer.begin("discharge")
    base = writer.put(0.0, "load", "draw")
    return [
        replace(base, sequence=n, test_time_s=t, current_a=None if i is None else -i, voltage_v=v)
        for n, (t, i, v) in enumerate(zip(times, amperes, volts, strict=True))
    ]


@settings(max_examples=100)
@given(st.lists(st.tuples(st.floats(0.5, 1.0), st.floats(0.0, 100.0), st.floats(0.0, 60.0)), min_size=2, max_size=40))
def test_integral_is_the_trapezoid_of_scipy(parts: list[tuple[float, float, float]]) -> None:
    times = np.cumsum([part[0] for part in parts])
    amperes, volts = np.array([p[1] for p in parts]), np.array([p[2] for p in parts])
    found = integrate(loaded_samples(times.tolist(), amperes.tolist(), volts.tolist()), "load")
    assert found is not None
    # scipy.integrate.trapezoid, an independent implementation of the rule.
    assert found.charge_ah == pytest.approx(trapezoid(amperes, times) / 3600, abs=1e-12)
    assert found.energy_wh == pytest.approx(trapezoid(amperes * volts, times) / 3600, abs=1e-11)
    assert found.measured_s == pytest.approx(times[-1] - times[0])
    assert found.unmeasured_s == 0.0


@pytest.mark.parametrize(
    ("step_s", "tau_s", "excess"),
    # Trapezoid over exact for A exp(-t/tau): x coth x with x = h / 2 tau (arithmetic, can be repeated).
    [(1.0, 450.0, 4.115e-7), (1.0, 30.0, 9.259e-5), (5.0, 30.0, 2.3137e-3), (10.0, 30.0, 9.2422e-3)],
)
def test_error_of_the_rule_on_a_decay(step_s: float, tau_s: float, excess: float) -> None:
    x = step_s / (2 * tau_s)
    assert x / math.tanh(x) - 1 == pytest.approx(excess, rel=1e-3)
    times = [n * step_s for n in range(round(40 * tau_s / step_s) + 1)]
    samples = loaded_samples(times, [10 * math.exp(-t / tau_s) for t in times], [20.0] * len(times))
    found = integrate(samples, "load")
    assert found is not None
    assert found.charge_ah * 3600 / (10 * tau_s) == pytest.approx(x / math.tanh(x), rel=1e-9)


def test_one_lost_sample_is_bridged_and_a_longer_gap_is_not() -> None:
    times = [float(n) for n in range(20)]
    amperes: list[float | None] = [10.0] * 20
    amperes[5] = None
    found = integrate(loaded_samples(times, amperes, [20.0] * 20), "load")
    assert found is not None
    assert (found.measured_s, found.unmeasured_s) == (19.0, 0.0)
    amperes[10] = amperes[11] = amperes[12] = None
    found = integrate(loaded_samples(times, amperes, [20.0] * 20), "load")
    assert found is not None
    assert (found.measured_s, found.unmeasured_s) == (15.0, 4.0)
    assert found.charge_ah == pytest.approx(10.0 * 15 / 3600)
    amperes[0] = amperes[19] = None
    found = integrate(loaded_samples(times, amperes, [20.0] * 20), "load")
    assert found is not None
    assert (found.measured_s, found.unmeasured_s) == (13.0, 6.0)


def test_current_of_the_wrong_sign_and_the_other_output_count_nothing() -> None:
    samples = loaded_samples([0.0, 1.0, 2.0], [-3.0, -3.0, -3.0], [20.0] * 3)
    found = integrate(samples, "load")
    assert found is not None
    assert found.charge_ah == 0.0
    assert integrate(samples, "supply") is None
    assert integrate(samples[:1], "load") is None


# --- discharge -----------------------------------------------------------------------------------


def test_constant_power_discharge_against_its_closed_form(tmp_path: Path) -> None:
    # Open circuit V0 - k q, series R, power P, to Vc. Integrating dq = P/V dt over the straight line gives
    # t = (1/k) [(Vt0^2 - Vc^2) / 2P - R ln(Vt0/Vc)], q = (V0 - Vc - R P / Vc) / k, E = P t (worked by hand).
    v0, slope, ohm, power, end = 25.2, 1.2, 0.02, 300.0, 19.2
    start = (v0 + math.sqrt(v0**2 - 4 * ohm * power)) / 2
    seconds = ((start**2 - end**2) / (2 * power) - ohm * math.log(start / end)) / (slope / 3600)
    charge = (v0 - end - ohm * power / end) / slope
    energy = power * seconds / 3600
    found = told(discharge_run(power, end / 6), tmp_path)
    # The discharge ends with the first whole second at or below the cut-off: one second in 1256 at most.
    assert found["discharge_time_s"].value == pytest.approx(seconds, abs=1.0)
    assert found["delivered_ah"].value == pytest.approx(charge, rel=1e-3)
    assert found["delivered_wh"].value == pytest.approx(energy, rel=1e-3)
    assert found["delivered_wh"].value == pytest.approx(power * found["discharge_time_s"].value / 3600, rel=1e-9)
    assert found["mean_voltage_v"].value == pytest.approx(energy / charge, rel=1e-4)
    assert found["discharge_power_w"].value == pytest.approx(power, rel=1e-9)
    assert found["voltage_after_load_on_v"].value == pytest.approx(start, rel=1e-9)
    assert found["dc_resistance_ohm"].value == pytest.approx(ohm, rel=1e-9)
    assert "window 0.10 s" in found["dc_resistance_ohm"].note
    assert found["delivered_over_rated"].value == pytest.approx(charge / 5.0, rel=1e-3)
    assert found["energy_per_mass_wh_kg"].value == pytest.approx(energy / 0.452, rel=1e-3)
    assert found["energy_per_mass_wh_g"].value == found["energy_per_mass_wh_kg"].value / 1000
    assert not found["delivered_ah"].at_least
    assert found.ended_by == "voltage"
    assert found.notes == []
    assert found.flags == []


def test_two_samples_of_one_moment_have_no_window_of_nothing(tmp_path: Path) -> None:
    writer = Writer()
    writer.begin("rest")
    writer.rest(10)
    writer.end("rested")
    writer.begin("discharge")
    writer.put(0.0, "off", "draw")
    writer.draw(power_w=300.0, cut_off_v=4.0)
    writer.end("cut-off")
    found = figures(read_run(writer.finish(tmp_path)))
    assert found["dc_resistance_ohm"].note == "window below 0.01 s between the two samples"


def test_sag_curve_against_its_closed_form(tmp_path: Path) -> None:
    # At charge q the terminal voltage is the upper root of V^2 - (V0 - k q) V + P R = 0.
    found = told(discharge_run(), tmp_path)
    for percent in SAG_PERCENT:
        opened = 25.2 - 1.2 * found["delivered_ah"].value * percent / 100
        expected = (opened + math.sqrt(opened**2 - 4 * 300 * 0.02)) / 2
        assert found[f"sag_{percent}_v"].value == pytest.approx(expected, rel=1e-5)


def test_weak_group_ends_the_discharge_and_is_named(tmp_path: Path) -> None:
    # Five good groups and one with 0.9 of their capacity and twice their resistance, 300 W, to 3.2 V on the lowest:
    # (k Rw / kw - R) I^2 + (V0 - k / kw (4.2 - Vc)) I - P = 0 (worked by hand from the weak group's line).
    slope, weak_slope, ohm, weak_ohm = 0.2 * 5 + 0.2 / 0.9, 0.2 / 0.9, 0.07 / 3, 0.02 / 3
    a = slope * weak_ohm / weak_slope - ohm
    b = 25.2 - slope / weak_slope * 1.0
    amperes = (-b + math.sqrt(b * b + 4 * a * 300)) / (2 * a)
    charge = (1.0 - weak_ohm * amperes) / weak_slope
    good_v = 4.2 - 0.2 * charge - amperes * 0.01 / 3
    writer = Writer([*(Group() for _ in range(5)), Group(slope_v_ah=weak_slope, ohm=weak_ohm)])
    writer.begin("rest")
    writer.rest(5)
    writer.begin("discharge")
    writer.draw(power_w=300, cut_off_v=3.2)
    writer.end("lowest group 6 at 3.200 V, cut-off 3.200 V")
    found = told(writer, tmp_path)
    assert found["ending_group"].value == 6
    assert found["ending_group"].note == "ended the discharge"
    assert found["delivered_ah"].value == pytest.approx(charge, rel=1e-3)
    assert found["group_spread_end_v"].value == pytest.approx(good_v - 3.2, rel=2e-3)
    assert found["group_spread_rest_v"].value == pytest.approx(0.0, abs=1e-12)


def test_spread_at_rest_above_30_mv_is_flagged(tmp_path: Path) -> None:
    # 30 mV: common practice, no source.
    writer = Writer([*(Group() for _ in range(5)), Group(full_v=4.16)])
    writer.begin("rest")
    writer.rest(5)
    writer.begin("discharge")
    writer.draw(power_w=300, cut_off_v=3.2)
    writer.end("lowest group 6 at 3.200 V, cut-off 3.200 V")
    found = told(writer, tmp_path)
    assert found.flags == ["groups 40 mV apart at rest before the discharge: group 6 was not full"]


def test_ending_by_temperature_reads_at_least_and_enters_no_ratio(tmp_path: Path) -> None:
    writer = discharge_run()
    for event in writer.events:
        if event["event"] == "step_ended" and event["step"] == 2:
            event["why"] = "hottest sensor at 75.1 °C, cut-off 75 °C"
    found = told(writer, tmp_path)
    assert found.ended_by == "temperature"
    assert found["delivered_ah"].at_least
    assert "delivered_over_rated" not in found
    assert "75.1 °C" in found.missing["delivered_over_rated"]


@pytest.mark.parametrize(
    ("event", "by"),
    [
        ({"why": "lowest group 3 at 2.497 V, discharge cut-off 2.500 V"}, "voltage"),
        ({"why": "mean group at 2.497 V, discharge cut-off 2.500 V"}, "voltage"),
        ({"why": "hottest sensor at 75.1 °C, cut-off 75 °C"}, "temperature"),
        ({"why": "not at its cut-off after 12 h"}, "bench"),
        ({"why": "all 12 planned bursts through, the last at 80.0 A"}, "bench"),
        ({"why": "some words", "ended_by": "cut-off"}, "voltage"),
        ({"why": "lowest group 3 at 2.4 V", "ended_by": "time"}, "bench"),
        ({"why": "some words", "ended_by": "temperature"}, "temperature"),
        ({}, "bench"),
    ],
)
def test_what_ended_a_step(tmp_path: Path, event: dict[str, Any], by: str) -> None:
    writer = Writer()
    writer.begin("discharge")
    writer.put(0.0, "off", "x")
    writer.event("step_ended", step=1, **event)
    assert step_ending(read(writer, tmp_path), 1).by == by


@pytest.mark.parametrize(
    ("reason", "by"), [("group 3 at 2.1 V, limit 2.2 V", "bench"), ("middle 81 °C, limit 80 °C", "temperature")]
)
def test_a_trip_ends_a_step_whatever_is_written_after(tmp_path: Path, reason: str, by: str) -> None:
    writer = Writer()
    writer.begin("discharge")
    writer.put(0.0, "off", "x")
    writer.event("tripped", reason=reason)
    writer.event("step_ended", step=1, why="lowest group 1 at 2.5 V, cut-off 2.5 V")
    ending = step_ending(read(writer, tmp_path, "tripped"), 1)
    assert (ending.by, ending.words) == (by, f"tripped: {reason}")


def test_interrupted_run_gives_lower_bounds(tmp_path: Path) -> None:
    writer = discharge_run()
    writer.samples = writer.samples[:400]
    writer.events = writer.events[:3]
    found = told(writer, tmp_path, how=None)
    assert found["delivered_ah"].at_least
    assert found.ended_by == "bench"
    assert "delivered_over_rated" in found.missing
    assert "rest_60_s_v" in found.missing
    assert any("interrupted" in flag for flag in found.flags)


def test_gap_under_load_reads_at_least_and_differs_from_the_counter(tmp_path: Path) -> None:
    writer = discharge_run()
    for index in range(300, 400):
        writer.samples[index] = replace(writer.samples[index], voltage_v=None, current_a=None)
    found = told(writer, tmp_path)
    assert found["unmeasured_s"].value == pytest.approx(101.0)
    assert found["delivered_ah"].at_least
    assert "101.0 s under load were not measured" in found["delivered_ah"].note
    assert any("counter of charge" in note for note in found.notes)
    assert "sag_50_v" in found.missing


def test_hottest_moment_may_come_after_the_stop(tmp_path: Path) -> None:
    writer = discharge_run()
    stop = max(index for index, sample in enumerate(writer.samples) if sample.output == "load")
    for index in range(stop, stop + 40):
        late = writer.samples[index].temperatures_c
        writer.samples[index] = replace(writer.samples[index], temperatures_c=(60.0 + index - stop, *late[1:]))
    found = told(writer, tmp_path)
    assert found["hottest_c"].value == 99.0
    assert found["temperature_rise_k"].value == pytest.approx(99.0 - 23.0)
    seconds = writer.samples[stop + 39].test_time_s - writer.samples[stop].test_time_s
    assert found["hottest_after_stop_s"].value == pytest.approx(seconds)
    assert found["start_ambient_c"].value == 23.0


def test_rest_voltages_come_from_their_moments(tmp_path: Path) -> None:
    writer = discharge_run()
    stop = max(index for index, sample in enumerate(writer.samples) if sample.output == "load")
    stopped_s = writer.samples[stop].test_time_s
    for index in range(stop + 1, len(writer.samples)):
        since = writer.samples[index].test_time_s - stopped_s
        writer.samples[index] = replace(writer.samples[index], voltage_v=20.0 + since / 10000)
    found = told(writer, tmp_path)
    assert found["rest_60_s_v"].value == pytest.approx(20.006, abs=1.1e-4)
    assert found["rest_30_min_v"].value == pytest.approx(20.18, abs=1.1e-4)


def test_resistance_with_a_load_that_ramps(tmp_path: Path) -> None:
    writer = discharge_run()
    first = next(index for index, sample in enumerate(writer.samples) if sample.output == "load")
    writer.samples[first] = replace(writer.samples[first], current_a=-0.2, voltage_v=25.196)
    found = told(writer, tmp_path)
    # First-order: R = (U1 - U2) / (I2 - I1), as in IEC 61960-3:2017, 7.7.3 (from memory); the sag in one second adds.
    assert found["dc_resistance_ohm"].value == pytest.approx(0.02, rel=0.02)
    assert found["dc_resistance_ohm"].from_samples == (first - 1, first + 1)


def test_without_groups_sensors_mass_or_rating_the_figures_say_why(tmp_path: Path) -> None:
    writer = discharge_run()
    for index, sample in enumerate(writer.samples):
        writer.samples[index] = replace(sample, groups_v=(), temperatures_c=(None, None, None))
    writer.groups = []
    found = told(writer, tmp_path, mass_kg=None, rated_capacity_ah=None)
    assert found.missing["group_spread_end_v"] == "this bay measures no groups"
    assert "mass" in found.missing["energy_per_mass_wh_kg"]
    assert "rated" in found.missing["delivered_over_rated"]
    assert "temperature" in found.missing["temperature_rise_k"]
    assert "delivered_ah" in found


def test_every_figure_is_there_or_its_reason_is(tmp_path: Path) -> None:
    empty = Writer()
    empty.begin("rest")
    empty.rest(3)
    nothing = told(empty, tmp_path / "a")
    full = told(discharge_run(), tmp_path / "b")
    assert not nothing
    assert set(nothing.missing) == set(full) | set(full.missing)
    assert not set(full) & set(full.missing)


# --- ladder --------------------------------------------------------------------------------------


def ladder_run(first_c: int, last_c: int, floor_v: float = 2.5, ohm: float = 0.02, **more: Any) -> Writer:
    writer = Writer([Group(ohm=ohm, **more) for _ in range(6)])
    writer.begin("rest")
    writer.rest(5)
    ladder_steps(writer, first_c, last_c, floor_v)
    return writer


def test_peak_is_the_last_burst_held(tmp_path: Path) -> None:
    # Group: 4.2 V - 0.2 V/Ah q - 20 mOhm I. Burst at n C = 5 n A for 5 s from 5C; the end of each by hand.
    charge, held = 0.0, 0
    for rate in range(5, 18):
        end_v = 4.2 - 0.2 * (charge + 5 * rate * 5 / 3600) - 0.02 * 5 * rate
        if end_v < 2.5:
            break
        charge += 5 * rate * 5 / 3600
        held = rate
    used = charge - 5 * held * 5 / 3600
    found = told(ladder_run(5, 17), tmp_path, plan=ladder_plan(2, 2.5))
    assert held == 15
    assert found["peak_c"].value == pytest.approx(held, rel=1e-9)
    assert found["peak_a"].value == pytest.approx(5 * held, rel=1e-9)
    assert found["peak_charge_used_ah"].value == pytest.approx(used, rel=1e-6)
    assert found["peak_hold_s"].value == pytest.approx(5.0)
    assert not found["peak_c"].at_least
    assert found.ladder_ended_by == "voltage"
    volts = 6 * (4.2 - 0.2 * (used + 5 * held * 2.5 / 3600) - 0.02 * 5 * held)
    assert found["peak_w_per_kg"].value == pytest.approx(5 * held * volts / 0.452, rel=1e-4)
    assert [rung.held for rung in found.rungs] == [True] * 11 + [False]
    assert "broke off" in found.rungs[-1].why_not
    assert found["peak_c"].note.endswith("burst 12 at 80.0 A was not: the pack's limit lies between the two")


def test_interpolated_peak_lies_where_the_line_meets_the_floor(tmp_path: Path) -> None:
    found = told(ladder_run(5, 17), tmp_path, plan=ladder_plan(2, 2.5))
    low, high = found.rungs[-3], found.rungs[-2]
    assert low.end_v is not None
    assert high.end_v is not None
    # numpy.polyfit, an independent straight line through the two ends.
    slope, offset = np.polyfit([low.mean_a, high.mean_a], [low.end_v, high.end_v], 1)
    assert found["peak_interpolated_c"].value == pytest.approx((2.5 - offset) / slope / 5.0, rel=1e-9)
    assert 15 < found["peak_interpolated_c"].value < 16
    assert found["peak_interpolated_c"].note.startswith("extrapolated")
    assert "burst 12 at 80.0 A broke off" in found["peak_interpolated_c"].note


def test_a_burst_that_dips_below_the_floor_at_its_end_is_measured_not_held(tmp_path: Path) -> None:
    writer = ladder_run(5, 15)
    last = max(index for index, sample in enumerate(writer.samples) if sample.output == "load")
    groups = writer.samples[last].groups_v
    writer.samples[last] = replace(writer.samples[last], groups_v=(2.49, *groups[1:]))
    found = told(writer, tmp_path, plan=ladder_plan(2, 2.5))
    assert not found.rungs[-1].held
    assert found["peak_c"].value == pytest.approx(14.0)
    assert not found["peak_c"].at_least
    assert found["peak_interpolated_c"].note.startswith("measured")


def test_a_ladder_that_the_plan_ends_reads_at_least(tmp_path: Path) -> None:
    plan = ladder_plan(2, 2.5)
    plan["steps"][0]["bound"] = "load current"
    found = told(ladder_run(5, 9), tmp_path, plan=plan)
    assert found["peak_c"].value == pytest.approx(9.0)
    assert found["peak_c"].at_least
    assert "bounded by load current" in found["peak_c"].note
    # Far from the floor nothing is extrapolated.
    assert "more than two steps" in found.missing["peak_interpolated_c"]


def test_a_ladder_ended_by_heat_reads_at_least(tmp_path: Path) -> None:
    writer = ladder_run(5, 9)
    writer.events[-3]["why"] = "hottest sensor at 75.1 °C, cut-off 75 °C"
    assert writer.events[-3]["event"] == "step_ended"
    found = told(writer, tmp_path, plan=ladder_plan(2, 2.5))
    assert found.ladder_ended_by == "temperature"
    assert found["peak_a"].at_least


def test_a_burst_nobody_saw_the_end_of_is_not_held(tmp_path: Path) -> None:
    writer = ladder_run(5, 6)
    for index, sample in enumerate(writer.samples):
        if sample.phase.startswith("burst 2") and sample.output == "load":
            old = sample.step_time_s
            writer.samples[index] = replace(sample, groups_age_s=min(old, 1.8))
    found = told(writer, tmp_path, plan=ladder_plan(2, 2.5))
    assert [rung.held for rung in found.rungs] == [True, False]
    assert found.rungs[1].why_not == "no group was measured in the last second of the hold"
    assert found["peak_c"].value == pytest.approx(5.0)


def test_no_burst_held(tmp_path: Path) -> None:
    found = told(ladder_run(5, 9, floor_v=3.9), tmp_path, plan=ladder_plan(2, 3.9))
    assert "peak_c" not in found
    assert found.missing["peak_c"].startswith("no burst was held: burst 1 broke off")


def test_without_a_plan_the_hold_is_the_longest_burst_and_nothing_counts_as_held(tmp_path: Path) -> None:
    found = told(ladder_run(5, 7), tmp_path)
    assert "longest burst, 5.0 s" in found.notes[0]
    assert {rung.why_not for rung in found.rungs} == {"the plan names no floor"}


def test_peak_over_delivered_needs_a_full_discharge_of_the_same_run(tmp_path: Path) -> None:
    writer = discharge_run()
    writer.charge_c = 0.0  # charged again, elsewhere
    ladder_steps(writer, 5, 7, 2.5)
    found = told(writer, tmp_path, plan=ladder_plan(4, 2.5))
    assert found["peak_over_delivered"].value == pytest.approx(35.0 / found["delivered_ah"].value)
    # The counter never resets, but a pack that was charged again starts from nothing used.
    assert found["peak_charge_used_ah"].value == pytest.approx((25 + 30) * 5 / 3600, rel=1e-6)


# --- efficiency ----------------------------------------------------------------------------------


def charge_step(writer: Writer, amperes: float, volts: float, seconds: int, why: str = "charged") -> None:
    writer.begin("charge")
    for _ in range(seconds + 1):
        sample = writer.put(0.0, "supply", "charge")
        writer.samples[-1] = replace(sample, current_a=amperes, voltage_v=volts)
        writer.now_s += 1.0
    if why:
        writer.end(why)
    writer.rest(5)


def test_efficiency_between_two_full_states(tmp_path: Path) -> None:
    writer = Writer()
    charge_step(writer, 5.0, 24.0, 60)
    writer.begin("discharge")
    writer.draw(current_a=10.0, at_most_s=600)
    writer.end("lowest group 1 at 3.2 V, cut-off 3.2 V")
    writer.begin("rest")
    writer.rest(10)
    charge_step(writer, 5.0, 25.0, 1212)
    found = told(writer, tmp_path)
    assert found["charge_efficiency"].value == pytest.approx(6000 / 6060)
    energy = found["delivered_wh"].value
    assert found["energy_efficiency"].value == pytest.approx(energy / (5 * 25 * 1212 / 3600))


@pytest.mark.parametrize("missing", ["before", "after", "unfinished", "cut-off"])
def test_no_efficiency_without_two_like_states(tmp_path: Path, missing: str) -> None:
    writer = Writer()
    if missing != "before":
        charge_step(writer, 5.0, 24.0, 60)
    writer.begin("discharge")
    writer.draw(current_a=10.0, at_most_s=60)
    writer.end("stopped" if missing == "cut-off" else "lowest group 1 at 3.2 V, cut-off 3.2 V")
    if missing != "after":
        charge_step(writer, 5.0, 25.0, 120, "" if missing == "unfinished" else "charged")
    found = told(writer, tmp_path)
    assert "energy_efficiency" not in found
    assert found.missing["energy_efficiency"]


# --- result.json ---------------------------------------------------------------------------------


def test_result_is_written_with_units_and_samples(tmp_path: Path) -> None:
    writer = discharge_run()
    writer.event("flag", step=2, text="ambient 28.4 °C is outside 18 to 28 °C")
    run = read(writer, tmp_path)
    path = write_result(run)
    data = json.loads(path.read_text())
    assert path == tmp_path / "result.json"
    delivered = data["figures"]["delivered_ah"]
    assert delivered["unit"] == "Ah"
    first, last = delivered["from_samples"]
    assert run.samples[first].output == run.samples[last].output == "load"
    assert data["flags"] == ["step 2: ambient 28.4 °C is outside 18 to 28 °C"]
    assert data["ended"]["how"] == "finished"
    assert data["missing"]["peak_c"] == "the run has no ladder step"


@settings(max_examples=40)
@given(
    keep=st.integers(0, 420),
    holes=st.lists(st.integers(0, 419), max_size=60),
    output=st.sampled_from(["off", "load", "supply"]),
)
def test_figures_never_raise_whatever_is_missing(
    tmp_path_factory: pytest.TempPathFactory, keep: int, holes: list[int], output: str
) -> None:
    writer = Writer()
    writer.begin("discharge")
    writer.draw(current_a=20.0, at_most_s=60)
    writer.end("lowest group 1 at 3.2 V, cut-off 3.2 V")
    ladder_steps(writer, 5, 6, 2.5)
    for index in holes:
        if index < len(writer.samples):
            writer.samples[index] = replace(
                writer.samples[index],
                voltage_v=None,
                current_a=None,
                groups_v=(None,) * 6,
                temperatures_c=(None,) * 3,
                output=output,
            )
    writer.samples = writer.samples[:keep]
    folder = tmp_path_factory.mktemp("run")
    found = told(writer, folder, plan=ladder_plan(2, 2.5))
    for name, figure in found.items():
        assert math.isfinite(figure.value), name
        assert figure.from_samples[0] <= figure.from_samples[1], name
