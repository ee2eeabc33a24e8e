"""Uncertainty of pulses, repeats, flights, inspections and bursts, each worked by hand from its meters' limits."""

import math
from pathlib import Path
from typing import Any

import pytest

from benchwarden.results.figure import Figure, Figures
from benchwarden.results.figures import figures
from benchwarden.results.meters import CLOCK_SHARE
from benchwarden.results.reading import read_run
from tests.synthetic_run import Group, Writer, ladder_plan, ladder_steps

ROOT3 = math.sqrt(3.0)
GAIN_V, OFFSET_V, GAIN_A, OFFSET_A, GAIN_G, OFFSET_G = 5e-4, 0.03, 1e-3, 0.06, 2e-4, 0.001
INSTRUMENTS: dict[str, Any] = {
    "load": {
        "accuracy": {"voltage": "0.05 % + 0.02 % of 150 V", "current": "0.1 % + 0.05 % of 120 A"},
        "identity": {"maker": "Boat Shed", "model": "L1", "serial": "17"},
    },
    "cells": {"accuracy": {"voltage": "0.02 % + 1 mV"}, "identity": None},
}


def told(writer: Writer, folder: Path, **info: Any) -> Figures:
    return figures(read_run(writer.finish(folder, writer.info(instruments=INSTRUMENTS, **info))))


def inputs(figure: Figure) -> str:
    return "; ".join(one.input for one in figure.budget)


def rested() -> Writer:
    writer = Writer()
    writer.begin("rest")
    writer.rest(10)
    writer.end("rested 10 s")
    return writer


def pulsed(writer: Writer, phase: str, amperes: float, seconds: float) -> None:
    writer.draw(current_a=amperes, at_most_s=seconds, every_s=0.1, phase=phase)


def test_two_steps_of_current_have_gains_and_no_offset(tmp_path: Path) -> None:
    writer = rested()
    writer.begin("pulse")
    pulsed(writer, "pulse: low", 1.0, 10.0)
    pulsed(writer, "pulse: high", 5.0, 1.0)
    writer.end("both steps were held")
    plan = {"steps": [{"number": 2, "kind": "pulse", "method": "two-step", "low_s": 10.0, "high_s": 1.0}]}
    found = told(writer, tmp_path, plan=plan)
    ohm, group = found["iec_resistance_ohm"], found["iec_resistance_group_3_ohm"]
    # 0.02 Ω, and what 5 A take of the open circuit in 1 s: 1.2 V/Ah, over a rise of 4 A.
    assert ohm.value == pytest.approx(0.02 + 1.2 * 5.0 / 3600.0 / 4.0, rel=1e-9)
    # (U1 − U2)/(I2 − I1): what both readings have in common is gone, a share of the difference is not.
    assert ohm.u == pytest.approx(ohm.value * math.hypot(GAIN_V, GAIN_A) / ROOT3, rel=1e-9)
    assert group.u == pytest.approx(group.value * math.hypot(GAIN_G, GAIN_A) / ROOT3, rel=1e-9)
    assert "offset" not in inputs(ohm) + inputs(group)


def test_pulse_power_shares_the_voltages_gain_with_its_resistance(tmp_path: Path) -> None:
    writer = rested()
    writer.begin("pulse")
    writer.put(0.0, "off", "state 1: settle")
    writer.now_s += 0.1
    pulsed(writer, "state 1: pulse 1", 10.0, 10.0)
    writer.end("every state was pulsed")
    step = {"number": 2, "kind": "pulse", "method": "series", "levels": [{"rate_c": 2}], "times_s": [10]}
    step |= {"portion_percent": 10, "portions": 1, "floor_v": 2.5, "series": 6}
    found = told(writer, tmp_path, plan={"steps": [step]})
    ohm, power = found["pulse_drawn_10_2c_10s_ohm"], found["pulse_drawn_10_power_w"]
    open_v, least_v = 25.2, 15.0
    assert power.value == pytest.approx(least_v * (open_v - least_v) / ohm.value, rel=1e-12)
    assert ohm.u == pytest.approx(ohm.value * math.hypot(GAIN_V, GAIN_A) / ROOT3, rel=1e-9)
    # P = Vmin (V − Vmin)/R: with g of the voltage P moves by g (V/(V − Vmin) − 1), with its offset by 1/(V − Vmin).
    gain = GAIN_V * (open_v / (open_v - least_v) - 1.0)
    by_hand = power.value * math.sqrt(gain**2 + (OFFSET_V / (open_v - least_v)) ** 2 + GAIN_A**2) / ROOT3
    assert power.u == pytest.approx(by_hand, rel=1e-9)


def test_what_is_left_of_the_first_cycle_has_neither_gain_nor_clock(tmp_path: Path) -> None:
    writer = rested()
    hours: list[float] = []
    for begins_at in (0.0, 0.05):
        writer.charge_c = begins_at * 5.0 * 3600.0  # charged again elsewhere
        writer.begin("discharge")
        writer.put(0.0, "off", "draw")
        writer.now_s += 0.1
        began_s = writer.now_s
        writer.draw(power_w=300.0, cut_off_v=3.2)
        hours.append((writer.now_s - began_s) / 3600.0)
        writer.end("lowest group 1 at 3.2 V, cut-off 3.2 V")
        writer.now_s += 0.1
    steps = [{"number": n, "kind": "discharge", "cycle": [1, n - 1]} for n in (2, 3)]
    found = told(writer, tmp_path, plan={"steps": steps, "repeats": [{"place": 1}]})
    first, last, kept = found["cycle_1_ah"], found["cycle_2_ah"], found["cycle_retention"]
    assert kept.value == pytest.approx(last.value / first.value)
    assert not any(words in inputs(kept) for words in ("gain", "clock"))
    assert first.u is not None
    assert first.u > GAIN_A * first.value / ROOT3
    # The offset fills both: what it leaves is the difference of the two times per charge.
    offset = OFFSET_A * (hours[1] / first.value - last.value * hours[0] / first.value**2) / ROOT3
    [left] = [one.contribution for one in kept.budget if "offset" in one.input]
    assert left == pytest.approx(offset, rel=1e-6)
    assert "cut-off" in kept.budget[0].input


def test_a_try_that_is_nearer_to_the_mark_than_the_meter_can_tell_says_so(tmp_path: Path) -> None:
    for rated_ah, near in ((None, True), (5.0, False)):
        writer = rested()
        writer.begin("discharge")
        writer.draw(power_w=300.0, cut_off_v=3.2)
        writer.end("lowest group 1 at 3.2 V, cut-off 3.2 V")
        drawn_ah = writer.charge_c / 3600.0
        repeat = {"place": 1, "at_least": 0.8, "at_least_of": "rated"}
        plan = {"steps": [{"number": 2, "kind": "discharge", "cycle": [1, 1]}], "repeats": [repeat]}
        rated = drawn_ah / 0.8 * 0.9999 if rated_ah is None else rated_ah
        found = told(writer, tmp_path / str(rated_ah), plan=plan, rated_capacity_ah=rated)
        said = found["passed_in_cycle"].note if "passed_in_cycle" in found else found.missing["passed_in_cycle"]
        assert ("nearer to that than the meter can tell" in said) is near
        assert found["best_cycle_over_rated"].u == pytest.approx((found["cycle_1_ah"].u or 0.0) / rated)


def test_a_flights_clock_is_in_its_minutes_and_not_in_its_repetitions(tmp_path: Path) -> None:
    writer = rested()
    writer.begin("discharge")
    writer.put(0.0, "off", "draw")
    writer.now_s += 0.1
    writer.draw(power_w=300.0, at_most_s=600.0)
    writer.end("lowest group 1 at 3.2 V, cut-off 3.2 V")
    step = {"number": 2, "kind": "discharge", "table": [[0.0, 300.0], [60.0, 0.0]], "table_s": 60.0}
    found = told(writer, tmp_path, plan={"steps": [step]})
    minutes, times = found["flight_min"], found["flight_repetitions"]
    record, over = found["flight_record_wh"], found["flight_energy_over_record"]
    assert [minutes.value, times.value] == pytest.approx([10.0, 10.0])
    # A second between two samples at the end, 0.1 s before the first one.
    ends_s = math.hypot(1.0, 0.1) / ROOT3
    assert minutes.u == pytest.approx(math.hypot(ends_s / 60.0, 10.0 * CLOCK_SHARE / ROOT3), rel=1e-9)
    assert times.u == pytest.approx(ends_s / 60.0, rel=1e-9)
    assert record.u == pytest.approx(300.0 * ends_s / 3600.0, rel=1e-9)
    # The record was followed: what came late is in both energies, and cancels.
    assert over.value == pytest.approx(1.0, abs=2e-4)
    [late] = [one.contribution for one in over.budget if "cut-off" in one.input] or [0.0]
    assert abs(late) < 0.01 * ends_s / 600.0
    assert {"voltage gain", "current gain"} <= {one.input.split(" of ")[0] for one in over.budget}


def test_an_inspection_has_every_voltage_with_its_u(tmp_path: Path) -> None:
    writer = Writer([*(Group() for _ in range(5)), Group(full_v=4.1)])
    writer.begin("inspect")
    writer.rest(5)
    writer.end("looked at")
    found = told(writer, tmp_path)
    pack, apart = found["inspected_pack_v"], found["inspected_sum_apart_v"]
    assert pack.u == pytest.approx(math.hypot(pack.value * GAIN_V, OFFSET_V) / ROOT3)
    for number, volts in ((1, 4.2), (6, 4.1)):
        figure = found[f"inspected_group_{number}_v"]
        assert figure.value == volts
        assert figure.u == pytest.approx(math.hypot(volts * GAIN_G, OFFSET_G) / ROOT3)
    # Of six readings of one scanner the errors are taken to be alike in their sum: six times the offset.
    by_hand = [pack.value * GAIN_V, OFFSET_V, 25.1 * GAIN_G, 6 * OFFSET_G]
    assert apart.u == pytest.approx(math.hypot(*by_hand) / ROOT3, rel=1e-9)
    spread = found["inspected_spread_v"]
    # In their difference nothing cancels; five alike groups, of which errors choose the highest: 4/6 of its limit.
    own = [4.2 * GAIN_G, OFFSET_G, 4.1 * GAIN_G, OFFSET_G, (4.2 * GAIN_G + OFFSET_G) * 4 / 6]
    step = [0.05, 0.05]  # the only two values that were read lie 0.1 V apart: that is the step there is to see
    assert spread.u == pytest.approx(math.hypot(*own, *step) / ROOT3, rel=1e-6)


def test_cumulative_taps_are_differences_of_two_readings(tmp_path: Path) -> None:
    writer = Writer()
    writer.begin("inspect")
    writer.rest(5)
    writer.end("looked at")
    found = told(writer, tmp_path, taps="cumulative")
    first, third = found["inspected_group_1_v"], found["inspected_group_3_v"]
    assert first.u == pytest.approx(math.hypot(4.2 * GAIN_G, OFFSET_G) / ROOT3)
    # 12.6 V less 8.4 V, each with its own gain and offset.
    own = [12.6 * GAIN_G, 8.4 * GAIN_G, OFFSET_G, OFFSET_G]
    assert third.u == pytest.approx(math.hypot(*own) / ROOT3)
    # The sum is the uppermost reading alone.
    pack_v = found["inspected_pack_v"].u or 0.0
    apart = found["inspected_sum_apart_v"]
    assert apart.u == pytest.approx(math.hypot(pack_v, 25.2 * GAIN_G / ROOT3, OFFSET_G / ROOT3))


def test_bursts_have_current_power_held_voltage_and_sag_with_their_u(tmp_path: Path) -> None:
    writer = rested()
    ladder_steps(writer, 5, 7, 2.5)
    found = told(writer, tmp_path, plan=ladder_plan(2, 2.5))
    rung = found.rungs[1]
    amperes, watts, end, sag = (rung.figures[name] for name in ("mean_a", "mean_w", "end_v", "sag_v"))
    assert (amperes.value, watts.value, end.value) == (rung.mean_a, rung.mean_w, rung.end_v)
    assert amperes.u == pytest.approx(math.hypot(30.0 * GAIN_A, OFFSET_A) / ROOT3)
    volts = watts.value / 30.0
    by_hand = [watts.value * GAIN_V, OFFSET_V * 30.0, watts.value * GAIN_A, OFFSET_A * volts]
    assert watts.u == pytest.approx(math.hypot(*by_hand) / ROOT3)
    assert end.u == pytest.approx(math.hypot(end.value * GAIN_G, OFFSET_G) / ROOT3)
    # 0.02 Ω at 30 A, and what 30 A for 5 s take of the open circuit: six groups of 0.2 V/Ah.
    assert sag.value == pytest.approx(30.0 * 0.02 + 1.2 * 30.0 * 5.0 / 3600.0, rel=1e-3)
    # Before and after are read by one meter: its offset is gone.
    assert sag.u == pytest.approx(sag.value * GAIN_V / ROOT3)
    assert sag.from_samples[0] == rung.first - 1
