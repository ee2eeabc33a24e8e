import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchwarden.profiles.materials import MATERIALS, conductor_ohm, is_braid, material
from benchwarden.profiles.quantity import wire_area_m2
from benchwarden.results.figure import Figures
from benchwarden.results.figures import figures
from benchwarden.results.folder import read_run
from benchwarden.results.resistance import load_edges
from benchwarden.results.series import Series
from tests.synthetic_run import Group, Writer, ladder_plan, ladder_steps

INSTRUMENTS = {
    "load": {"accuracy": {"voltage": "0.05 % + 30 mV", "current": "0.1 % + 60 mA"}},
    "cells": {"accuracy": {"voltage": "0.02 % + 1 mV"}},
    "temperature": {"accuracy": {"temperature": "0.5 K"}},
}
LEADS_OHM = 0.002


def run_of(
    folder: Path,
    ohms: list[float],
    late: Callable[[int, float], float] | None = None,
    *,
    every_s: float = 0.1,
    slopes: list[float] | None = None,
    **info: Any,
) -> Figures:
    """Rest, 300 W down to 3.2 V, with leads; `late` adds ohms to a group by the seconds since the load came on."""
    slopes = slopes or [0.2] * len(ohms)
    writer = Writer([Group(ohm=ohm, slope_v_ah=slope) for ohm, slope in zip(ohms, slopes, strict=True)])
    writer.begin("rest")
    writer.rest(20)
    writer.begin("discharge")
    writer.put(0.0, "off", "draw")
    writer.now_s += 0.05
    begun = writer.now_s
    writer.draw(current_a=20.0, at_most_s=12.0, every_s=every_s, substeps=1)
    writer.now_s += 1.0
    writer.draw(current_a=20.0, cut_off_v=3.2, every_s=1.0, substeps=1)
    writer.end("lowest group 1 at 3.200 V, cut-off 3.200 V")
    for row, sample in enumerate(writer.samples):
        amperes = -(sample.current_a or 0.0)
        seconds = sample.test_time_s - (sample.groups_age_s or 0.0) - begun
        groups = [
            (volts or 0.0) - amperes * (late(n, seconds) if late and seconds >= 0 else 0.0)
            for n, volts in enumerate(sample.groups_v, 1)
        ]
        volts = sum(groups) - amperes * LEADS_OHM
        writer.samples[row] = replace(sample, groups_v=tuple(groups), voltage_v=volts)
    given: dict[str, Any] = {"instruments": INSTRUMENTS, "path_ohm": 0.005, "pack": {"name": "Heron"}} | info
    return figures(read_run(writer.finish(folder, writer.info(**given))))


def test_resistances_of_groups_and_leads_are_found_where_the_sampling_allows(tmp_path: Path) -> None:
    ohms = [0.003, 0.0032, 0.0034, 0.0031, 0.0033, 0.0030]
    found = run_of(tmp_path, ohms)
    # The charge drawn lowers each group by 0.2 V/Ah · 20 A · t as well: 0.2 · t / 3600 Ω.
    for seconds, window in ((0.1, "100_ms"), (1.0, "1_s"), (10.0, "10_s")):
        for number, ohm in enumerate(ohms, 1):
            drawn = 0.2 * seconds / 3600
            figure = found[f"group_{number}_ohm_{window}"]
            assert figure.value == pytest.approx(ohm + drawn, abs=0.2 * 0.11 / 3600)
            # One meter read both voltages: its offset cancels, 0.02 % and 0.1 % of gain stay.
            assert figure.u == pytest.approx(figure.value * math.hypot(2e-4, 1e-3) / math.sqrt(3), rel=1e-6)
        assert found[f"leads_ohm_{window}"].value == pytest.approx(LEADS_OHM, rel=1e-6)
        total = sum(found[f"group_{n}_ohm_{window}"].value for n in range(1, 7)) + LEADS_OHM
        assert found[f"pack_ohm_{window}"].value == pytest.approx(total, rel=2e-3)
    assert not [note for note in found.notes if "more than the median" in note]


def test_what_was_not_sampled_is_not_measured(tmp_path: Path) -> None:
    found = run_of(tmp_path, [0.003] * 6, every_s=4.0)
    assert "pack_ohm_100_ms" not in found
    assert found.missing["pack_ohm_1_s"] == "not measured: no reading 1 ± 0.2 s after an edge of the load"
    assert found.missing["group_2_ohm_1_s"].startswith("not measured: the groups were not read 1 ± 0.2 s")


def test_an_old_rest_is_no_edge(tmp_path: Path) -> None:
    writer = Writer()
    writer.begin("rest")
    writer.rest(5)
    writer.now_s += 10
    writer.begin("discharge")
    writer.draw(current_a=20.0, at_most_s=5.0, every_s=0.1)
    assert load_edges(Series.of(writer.samples)) == []
    found = figures(read_run(writer.finish(tmp_path)))
    assert "no edge" in found.missing["group_1_ohm_1_s"]


@pytest.mark.parametrize(
    ("late", "words"),
    # What taps can tell apart: common practice, no source.
    [
        (lambda n, _: 0.002 if n == 4 else 0.0, "a joint or a cell, the taps cannot tell which"),
        (lambda n, s: 0.002 + 0.001 * min(s, 10) / 10 if n == 4 else 0.0, "it grows from 1 to 10 s"),
        (lambda n, s: 0.001 * min(s, 10) / 10 if n == 4 else 0.0, "a cell is behind it"),
    ],
)
def test_a_group_that_stands_out_is_named_with_what_can_be_told(
    tmp_path: Path, late: Callable[[int, float], float], words: str
) -> None:
    found = run_of(tmp_path, [0.003] * 6, late)
    notes = [note for note in found.notes if note.startswith("group 4 has")]
    assert len(notes) == 1
    assert words in notes[0]
    assert not [note for note in found.notes if note.startswith("group 3")]


def test_excess_with_low_capacity_is_a_lost_parallel_cell(tmp_path: Path) -> None:
    slopes = [0.2] * 3 + [0.3] + [0.2] * 2  # two of three cells in parallel are left
    found = run_of(tmp_path, [0.003] * 3 + [0.0045] + [0.003] * 2, slopes=slopes)
    assert found["ending_group"].value == 4
    assert "a parallel cell is lost" in next(note for note in found.notes if note.startswith("group 4"))


def test_bursts_are_edges_too_and_heat_is_told_at_the_burst(tmp_path: Path) -> None:
    writer = Writer([Group() for _ in range(6)])
    writer.begin("rest")
    writer.rest(20)
    ladder_steps(writer, 5, 8, 2.5)
    info = writer.info(instruments=INSTRUMENTS, plan=ladder_plan(2, 2.5))
    found = figures(read_run(writer.finish(tmp_path, info)))
    assert found["group_1_ohm_1_s"].note.startswith("4 edges of up to 40.0 A")
    assert found["group_1_ohm_1_s"].value == pytest.approx(0.02 / 6, rel=0.02)
    assert found["group_1_burst_heat_w"].value == pytest.approx(40.0**2 * found["group_1_ohm_1_s"].value)
    assert "group_1_ohm_10_s" not in found
    late = [p for p in found["group_1_ohm_1_s"].budget if "differences between edges" in p.input]
    assert [part.dof for part in late] in ([3.0], [])


BUILD: dict[str, Any] = {
    "links": {"material": "copper braid", "width": 0.010, "thickness": 0.001, "length": 0.022},
    "leads": {"gauge": wire_area_m2("14 AWG"), "length": 0.3},
}


def test_share_of_links_and_leads_from_the_build(tmp_path: Path) -> None:
    found = run_of(tmp_path, [0.003] * 6, pack={"name": "Heron", "build": BUILD})
    # At the 23 °C of the start: copper's 1.7241e-8 Ω·m (IACS) times 1 + 3.93e-3 · 3.
    warm = 1 + 3.93e-3 * 3
    link = 1.7241e-8 * 0.022 / (0.010 * 0.001 * 0.55) * warm
    assert found["expected_link_ohm"].value == pytest.approx(link)
    # Filled 0.55 ± 0.15, resistivity ± 2 %: rectangular.
    assert found["expected_link_ohm"].u == pytest.approx(link * math.hypot(0.15 / 0.55, 0.02) / math.sqrt(3), rel=1e-6)
    assert found["expected_links_ohm"].value == pytest.approx(5 * link)
    # Two leads of 0.3 m of 14 AWG: 4.97 mΩ at 20 °C (8.2841 Ω/km, HyperPhysics, table of wire gauges).
    assert found["expected_leads_ohm"].value == pytest.approx(2 * 0.3 * 8.2841e-3 * warm, rel=5e-4)
    share = (5 * link + found["expected_leads_ohm"].value) / found["pack_ohm_1_s"].value
    assert found["expected_joints_share"].value == pytest.approx(share)


def test_what_the_bench_cannot_resolve_is_said(tmp_path: Path) -> None:
    small = {"leads": {"gauge": 1e-4, "length": 0.02}}
    found = run_of(tmp_path, [0.003] * 6, pack={"name": "Heron", "build": small})
    assert any("lie below what this bench resolves" in note for note in found.notes)


@pytest.mark.parametrize("build", [None, {"links": {**BUILD["links"], "material": "gold leaf"}}])
def test_without_a_known_build_nothing_is_expected(tmp_path: Path, build: Any) -> None:
    pack: dict[str, Any] = {"name": "Heron"} | ({"build": build} if build else {})
    found = run_of(tmp_path, [0.003] * 6, pack=pack)
    assert "expected_links_ohm" not in found
    if build:
        assert "'gold leaf' is not known; known are" in found.missing["expected_link_ohm"]


# --- materials -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gauge", "ohm_per_1000_ft"),
    # HyperPhysics, hyperphysics.phy-astr.gsu.edu/hbase/Tables/wirega.html.
    [(8, 0.6282), (10, 0.9989), (12, 1.588), (14, 2.525), (16, 4.016), (18, 6.385), (20, 10.15), (22, 16.14)],
)
def test_copper_wire_of_the_gauge_table(gauge: int, ohm_per_1000_ft: float) -> None:
    copper = material("copper")
    assert copper is not None
    ohm = conductor_ohm(copper, 304.8, wire_area_m2(f"{gauge} AWG"))
    assert ohm == pytest.approx(ohm_per_1000_ft, rel=5e-4)


def test_annealed_copper_standard() -> None:
    # NBS Handbook 100: 0.15328 Ω·g/m² at a density of 8.89 g/cm³, that is 58 S per metre of 1 mm².
    copper = material("copper braid")
    assert copper is not None
    assert copper.resistivity_ohm_m == pytest.approx(0.15328 / 8.89e6, rel=5e-5)
    assert 1e-6 / copper.resistivity_ohm_m == pytest.approx(58.0, rel=1e-3)
    assert conductor_ohm(copper, 1.0, 1e-6, 45.0) == pytest.approx(0.017241 * (1 + 3.93e-3 * 25))


def test_nickel_strip() -> None:
    nickel = material("Nickel strip")
    assert nickel is not None
    # 20 mm of 8 × 0.15 mm: 1.165 mΩ, by ρ·L/A with 6.99e-8 Ω·m (preproom.org); 6.1e-8 of another handbook is inside ±.
    assert conductor_ohm(nickel, 0.020, 8e-3 * 0.15e-3) == pytest.approx(1.165e-3)
    assert nickel.resistivity_ohm_m * (1 - nickel.spread) < 6.1e-8


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("nickel-plated steel", "nickel-plated steel"),
        ("plated steel strip", "nickel-plated steel"),
        ("aluminum bar", "aluminium"),
        ("copper", "copper"),
        ("tin foil", None),
    ],
)
def test_materials_are_found_in_words(words: str, name: str | None) -> None:
    found = material(words)
    assert (found.name if found else None) == name
    assert is_braid("copper braid")
    assert not is_braid(words)
    assert len({one.name for one in MATERIALS}) == len(MATERIALS)


def test_no_conductor_without_length() -> None:
    with pytest.raises(ValueError, match="above 0"):
        conductor_ohm(MATERIALS[0], 0.0, 1e-6)


def test_the_test_pulse_gives_resistances_too(tmp_path: Path) -> None:
    writer = Writer()
    pulse = {"before_v": 25.2, "in_v": 25.09, "groups_before_v": [4.2] * 6, "groups_in_v": [4.1825] * 6}
    writer.event("test_pulse", measured_a=-5.0, **pulse)
    writer.begin("rest")
    writer.rest(5)
    info = writer.info(instruments=INSTRUMENTS)
    found = figures(read_run(writer.finish(tmp_path, info)))
    assert found["pulse_pack_ohm"].value == pytest.approx(0.022)
    assert found["pulse_group_3_ohm"].value == pytest.approx(0.0035)
    assert found["pulse_leads_ohm"].value == pytest.approx(0.001)
    # Nothing flowed before: 0.1 % + 60 mA of 5 A stay, and the voltage's gain.
    by_hand = math.sqrt(5e-4**2 + 1e-3**2 + (0.06 / 5) ** 2) / math.sqrt(3)
    assert found["pulse_pack_ohm"].u == pytest.approx(0.022 * by_hand)
