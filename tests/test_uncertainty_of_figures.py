import json
import math
import random
from pathlib import Path
from typing import Any

import pytest

from benchwarden.results.figure import Figure, Figures
from benchwarden.results.figures import figures, write_result
from benchwarden.results.folder import read_run
from benchwarden.results.meters import CLOCK_SHARE
from benchwarden.results.series import Series
from tests.synthetic_run import Group, Writer, discharge_run, ladder_plan, ladder_steps

ROOT3 = math.sqrt(3.0)
LOAD: dict[str, Any] = {
    "accuracy": {"voltage": "0.05 % + 0.02 % of 150 V", "current": "0.1 % + 0.05 % of 120 A"},
    "identity": {"maker": "Boat Shed", "model": "L1", "serial": "17"},
}
CELLS = {"accuracy": {"voltage": "0.02 % + 1 mV"}, "identity": {"maker": "Boat Shed", "model": "S1", "serial": "4"}}
WARM = {"accuracy": {"temperature": "0.5 K"}, "identity": None}
INSTRUMENTS = {"load": LOAD, "cells": CELLS, "temperature": WARM}
PACK = {"name": "Heron", "mass_accuracy": 0.001}


def told(writer: Writer, folder: Path, **info: Any) -> Figures:
    given = {"instruments": INSTRUMENTS, "pack": PACK, **info}
    return figures(read_run(writer.finish(folder, writer.info(**given))))


def part(figure: Figure, words: str) -> float:
    found = [one.contribution for one in figure.budget if words in one.input]
    assert len(found) == 1, (words, figure.budget)
    return found[0]


def test_charge_and_energy_by_hand(tmp_path: Path) -> None:
    found = told(discharge_run(), tmp_path)
    ah, wh, seconds = (found[name].value for name in ("delivered_ah", "delivered_wh", "discharge_time_s"))
    hours = seconds / 3600
    # Limits by hand: gain 0.1 %, offset 60 mA over the whole time; 0.05 % and 30 mV; rectangular, so a/√3.
    charge = found["delivered_ah"]
    assert part(charge, "current gain") == pytest.approx(ah * 1e-3 / ROOT3)
    assert part(charge, "current offset") == pytest.approx(0.06 * hours / ROOT3, rel=1e-6)
    assert part(charge, "clock") == pytest.approx(ah * CLOCK_SHARE / ROOT3)
    # One second at 300 W and 19.2 V is the most that the cut-off may come late; 0.1 s before the first sample.
    assert part(charge, "cut-off") == pytest.approx(300 / 19.2 / 3600 / ROOT3, rel=1e-3)
    assert part(charge, "first sample") == pytest.approx(0.1 * 12.0194 / 3600 / ROOT3, rel=1e-3)
    energy = found["delivered_wh"]
    assert part(energy, "voltage gain") == pytest.approx(wh * 5e-4 / ROOT3)
    assert part(energy, "voltage offset") == pytest.approx(0.03 * ah / ROOT3)
    assert part(energy, "current offset") == pytest.approx(0.06 * 22.0 * hours / ROOT3, rel=0.02)
    assert charge.u == pytest.approx(math.sqrt(sum(one.contribution**2 for one in charge.budget)))
    assert charge.dof is None
    assert charge.k == pytest.approx(1.96, abs=1e-3)
    assert charge.U == pytest.approx(1.95996 * (charge.u or 0.0), rel=1e-5)
    # The current's gain is in charge and energy alike: their ratio has the voltage's only.
    mean = found["mean_voltage_v"]
    assert not any("current gain" in one.input or "clock" in one.input for one in mean.budget)
    assert part(mean, "voltage gain") == pytest.approx(mean.value * 5e-4 / ROOT3)
    per_kg = found["energy_per_mass_wh_kg"]
    assert part(per_kg, "mass") == pytest.approx(-per_kg.value * 0.001 / 0.452 / ROOT3)


def test_what_cancels_in_a_resistance_and_in_a_spread(tmp_path: Path) -> None:
    found = told(discharge_run(), tmp_path)
    ohm = found["dc_resistance_ohm"]
    # 0.02 Ω · √((0.05 %)² + (0.1 %)²)/√3: offsets cancel between two readings of one meter.
    assert ohm.u == pytest.approx(0.02 * math.hypot(5e-4, 1e-3) / ROOT3, rel=1e-4)
    assert not any("offset" in one.input for one in ohm.budget)
    after = found["voltage_after_load_on_v"]
    assert after.u == pytest.approx(math.hypot(after.value * 5e-4, 0.03) / ROOT3)
    # A probe's errors 46 K apart are not taken as alike: twice 0.5 K.
    assert found["temperature_rise_k"].u == pytest.approx(math.sqrt(2) * 0.5 / ROOT3)
    low = found["ending_group_v"]
    assert part(low, "voltage offset") == pytest.approx(0.001 / ROOT3)


def test_a_spread_is_no_finer_than_the_readings(tmp_path: Path) -> None:
    writer = Writer([*(Group() for _ in range(5)), Group(ohm=0.005)])
    writer.begin("rest")
    writer.rest(5)
    writer.begin("discharge")
    writer.draw(power_w=300, cut_off_v=3.2)
    writer.end("lowest group 6 at 3.2 V, cut-off 3.2 V")
    for sample in writer.samples:
        rounded = tuple(round((volts or 0.0) / 0.005) * 0.005 for volts in sample.groups_v)
        object.__setattr__(sample, "groups_v", rounded)
    spread = told(writer, tmp_path)["group_spread_end_v"]
    # Read in steps of 5 mV: each of two readings is good to half a step, and nothing of two channels cancels.
    high, low = max(rounded), min(rounded)
    own = [0.0025**2 + (2e-4 * volts) ** 2 + 0.001**2 for volts in (high, low)]
    # Five groups read alike: the highest of them reads 4/6 of the limit too high on average.
    assert spread.u == pytest.approx(math.sqrt(sum(own) + ((2e-4 * high + 0.001) * 4 / 6) ** 2) / ROOT3, rel=1e-9)


def test_scatter_before_the_edge_brings_finite_degrees_of_freedom(tmp_path: Path) -> None:
    chance = random.Random(5)
    writer = Writer()
    writer.begin("rest")
    writer.rest(20)
    writer.begin("discharge")
    writer.draw(power_w=300, cut_off_v=3.9)
    writer.end("lowest group 1 at 3.9 V, cut-off 3.9 V")
    noisy = Series.of(writer.samples).voltage_v + [chance.gauss(0.0, 0.002) for _ in writer.samples]
    for row, volts in enumerate(noisy.tolist()):
        object.__setattr__(writer.samples[row], "voltage_v", volts)
    ohm = told(writer, tmp_path)["dc_resistance_ohm"]
    scatter = next(one for one in ohm.budget if "scatter" in one.input)
    # √2 · 2 mV over 12 A, the scatter estimated from 19 differences: within a factor of two of it.
    assert 0.5 < scatter.contribution / (math.sqrt(2) * 0.002 / 12.02) < 2.0
    assert scatter.dof == pytest.approx(2 * 19 / 3, abs=1)
    assert ohm.dof is not None
    assert ohm.k is not None
    assert 1.96 < ohm.k < 2.4


@pytest.mark.parametrize(
    ("left_out", "without", "line"),
    [
        ("load", "delivered_ah", "bench.toml: bay 'left', load: accuracy = { current = … }"),
        ("load", "mean_voltage_v", "bench.toml: bay 'left', load: accuracy = { voltage = … }"),
        ("cells", "ending_group_v", "bench.toml: bay 'left', cells: accuracy = { voltage = … }"),
        ("temperature", "hottest_c", "bench.toml: bay 'left', temperature: accuracy = { temperature = … }"),
    ],
)
def test_without_an_accuracy_there_is_no_interval_but_the_missing_line(
    tmp_path: Path, left_out: str, without: str, line: str
) -> None:
    bare = {name: one if name != left_out else {"identity": None} for name, one in INSTRUMENTS.items()}
    found = told(discharge_run(), tmp_path, instruments=bare)
    assert found[without].U is None
    assert found[without].u is None
    assert found[without].budget == ()
    assert line in found[without].not_stated


def test_an_accuracy_in_another_unit_is_none(tmp_path: Path) -> None:
    odd = {**INSTRUMENTS, "load": {"accuracy": {"voltage": "0.1 % + 1 A", "current": "0.1 % + 30 mA"}}}
    found = told(discharge_run(), tmp_path, instruments=odd)
    assert found["rest_before_v"].U is None
    assert found["delivered_ah"].U is not None


def test_what_one_run_shares_with_another_is_told_by_the_serial_number(tmp_path: Path) -> None:
    named = told(discharge_run(), tmp_path / "a")["delivered_ah"]
    nameless = {**INSTRUMENTS, "load": {**LOAD, "identity": None}}
    other = told(discharge_run(), tmp_path / "b", instruments=nameless)["delivered_ah"]
    assert {one.scope for one in named.budget if "current" in one.input} == {"bench"}
    assert {one.scope for one in other.budget if "current" in one.input} == {"pack"}
    assert {one.scope for one in named.budget if "cut-off" in one.input} == {"run"}


def test_loads_in_parallel_have_errors_of_their_own(tmp_path: Path) -> None:
    pair: dict[str, Any] = {f"load {n}": {**LOAD, "identity": {**LOAD["identity"], "serial": str(n)}} for n in (1, 2)}
    pair["load 1"]["limits"], pair["load 2"]["limits"] = {"current": 90.0}, {"current": 30.0}
    found = told(discharge_run(), tmp_path, instruments={**INSTRUMENTS, **pair, "load": None})
    charge = found["delivered_ah"]
    hours = found["discharge_time_s"].value / 3600
    gains = sorted(abs(one.contribution) for one in charge.budget if "current gain" in one.input)
    # Shared by rating, three to one; each member's offset counts whole.
    assert gains == pytest.approx([charge.value * 1e-3 * share / ROOT3 for share in (0.25, 0.75)])
    offsets = [one.contribution for one in charge.budget if "current offset" in one.input]
    assert offsets == pytest.approx([0.06 * hours / ROOT3] * 2, rel=1e-6)


def test_sensing_at_the_terminals_carries_the_leads(tmp_path: Path) -> None:
    bare = told(discharge_run(), tmp_path / "a", sense="instrument terminals")
    assert bare["delivered_wh"].not_stated == ("run.json: path_ohm (leads between pack and terminals)",)
    assert bare["delivered_ah"].U is not None
    found = told(discharge_run(), tmp_path / "b", sense="instrument terminals", path_ohm=0.005)
    assert abs(part(found["dc_resistance_ohm"], "leads")) == pytest.approx(0.005 / ROOT3)
    hours = found["discharge_time_s"].value / 3600
    amperes = found["delivered_ah"].value / hours
    assert part(found["delivered_wh"], "leads") == pytest.approx(0.005 * amperes**2 * hours / ROOT3, rel=1e-6)


@pytest.mark.parametrize(("text", "kg"), [("452 g", 0.001), ("0.45 kg", 0.01), ("452.5 g", 0.0001)])
def test_mass_without_accuracy_is_good_to_its_last_digit(tmp_path: Path, text: str, kg: float) -> None:
    found = told(
        discharge_run(), tmp_path, pack={"name": "Heron"}, sources={"pack": f'name = "Heron"\nmass = "{text}"\n'}
    )
    figure = found["energy_per_mass_wh_kg"]
    assert part(figure, "last digit") == pytest.approx(-figure.value * kg / 0.452 / ROOT3)


def test_mass_that_nobody_wrote_has_no_interval(tmp_path: Path) -> None:
    found = told(discharge_run(), tmp_path, pack={"name": "Heron"})
    assert found["energy_per_mass_wh_kg"].not_stated == ("pack file: mass_accuracy",)


def test_peak_of_a_ladder_by_hand(tmp_path: Path) -> None:
    writer = Writer()
    ladder_steps(writer, 5, 8, 2.5)
    found = told(writer, tmp_path, plan=ladder_plan(1, 2.5))
    amperes, watts = found["peak_a"], found["peak_w"]
    assert amperes.u == pytest.approx(math.hypot(40 * 1e-3, 0.06) / ROOT3)
    volts = watts.value / 40
    by_hand = math.sqrt((watts.value * 5e-4) ** 2 + (0.03 * 40) ** 2 + (watts.value * 1e-3) ** 2 + (0.06 * volts) ** 2)
    assert watts.u == pytest.approx(by_hand / ROOT3, rel=1e-9)
    assert found["peak_c"].u == pytest.approx((amperes.u or 0) / 5.0)


def test_size_gives_energy_per_litre_and_retention_a_repeated_discharge(tmp_path: Path) -> None:
    writer = discharge_run()
    writer.charge_c = 0.05 * 5 * 3600  # charged again elsewhere, to 95 %
    writer.begin("discharge")
    writer.draw(power_w=300.0, cut_off_v=3.2)
    writer.end("lowest group 1 at 3.2 V, cut-off 3.2 V")
    found = told(writer, tmp_path, pack={**PACK, "size": 0.2143})
    assert found["energy_per_volume_wh_l"].value == pytest.approx(found["delivered_wh"].value / 0.2143)
    kept = found["retention"]
    assert kept.value == pytest.approx(1 - 0.25 / found["delivered_ah"].value, rel=1e-3)
    # One meter measured both: its gain cancels.
    assert not any("gain" in one.input for one in kept.budget)


def test_sum_of_groups_is_judged_by_what_the_meters_allow(tmp_path: Path) -> None:
    good = told(discharge_run(), tmp_path / "a", path_ohm=0.005)
    assert good["groups_against_pack_v"].value == pytest.approx(0.0, abs=1e-12)
    assert good.notes == []
    writer = discharge_run()
    for sample in writer.samples:
        object.__setattr__(sample, "voltage_v", (sample.voltage_v or 0.0) + 0.3)
    found = told(writer, tmp_path / "b", path_ohm=0.005)
    assert any("sum of the groups are 300 mV apart" in note for note in found.notes)


def test_rebuilt_result_is_the_same_to_the_byte_and_holds_the_budget(tmp_path: Path) -> None:
    writer = discharge_run()
    folder = writer.finish(tmp_path, writer.info(instruments=INSTRUMENTS, pack=PACK))
    first = write_result(read_run(folder)).read_bytes()
    assert write_result(read_run(folder)).read_bytes() == first
    delivered = json.loads(first)["figures"]["delivered_ah"]
    assert {"u", "dof", "k", "U", "budget"} <= delivered.keys()
    assert delivered["budget"][0]["input"] == "current offset of Boat Shed L1 17"
    assert delivered["dof"] is None
