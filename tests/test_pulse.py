"""Pulses: DC resistance by two steps of current, and a series at each share of the charge, against closed forms.

The chain is whole but for the guardian: engine, command map, SCPI text, simulated instruments, physics.
"""

import json
import math
from pathlib import Path
from typing import Any

import pytest

from benchwarden.profiles.plan import PlanRefused, work_out
from benchwarden.profiles.profile import Profile
from benchwarden.profiles.steps import Draw, PlannedPulse, PlannedPulseSeries
from benchwarden.results.compare import shown_rows
from benchwarden.results.figures import figures
from benchwarden.results.pulse import pulse_power_w, two_step_ohm
from benchwarden.simulators.pack import GroupModel, PackModel
from tests.ideal_bay import flat_cell, ideal_bay, pack_of, pack_toml
from tests.pretend_pack import PretendPack, heron, left_bay, play
from tests.test_pack_physics import GOLDEN, golden_pack
from tests.virtual_bench import Done, on_virtual_time, run_test

# A first-order circuit: V = OCV - I R0 - I R1 (1 - e^(-t/τ)), any text on equivalent circuits.
OCV_V, R0_OHM, R1_OHM, TAU_S, IT_A = 4.0, 0.010, 0.006, 30.0, 5.0
TWO_STEP = 'title = "Resistance"\n[[step]]\ndo = "rest"\nat_least = "10 min"\n[[step]]\ndo = "pulse"\n'


def circuit(ocv_v: float, groups: int = 1) -> PackModel:
    cell = flat_cell(ocv_v, R0_OHM, ((R1_OHM, TAU_S), (0.0, 1.0)))
    return pack_of(cell, *[GroupModel()] * groups)


def iec_ohm() -> float:
    """IEC 61960-3:2017, 7.7.3, of the circuit: 0.2 It for 10 s, then at once 1.0 It for 1 s."""
    slow_v = 0.2 * IT_A * R1_OHM * (1 - math.exp(-10 / TAU_S))
    first_v = OCV_V - 0.2 * IT_A * R0_OHM - slow_v
    slow_v = slow_v * math.exp(-1 / TAU_S) + IT_A * R1_OHM * (1 - math.exp(-1 / TAU_S))
    second_v = OCV_V - IT_A * R0_OHM - slow_v
    return (first_v - second_v) / (IT_A - 0.2 * IT_A)


def test_the_vector_is_the_one_that_was_worked_out_apart() -> None:
    # Worked out apart with numpy: U1 3.988299187863443 V, U2 3.947371430132087 V, R 10.231939432839066 mΩ.
    assert two_step_ohm(3.988299187863443, 1.0, 3.947371430132087, 5.0) == pytest.approx(
        0.010231939432839066, rel=1e-12
    )
    assert iec_ohm() == pytest.approx(0.010231939432839066, rel=1e-12)


def test_two_steps_of_current_on_a_first_order_circuit(tmp_path: Path) -> None:
    done = on_virtual_time(run_test(tmp_path, ideal_bay(circuit(OCV_V)), pack_toml(1), TWO_STEP))
    assert done.ending.how == "finished"
    found = figures(done.run)
    # The load answers to 0.1 mV, so that each of two voltages is off by 0.05 mV at most, over 4 A. A group's reading is
    # up to 0.12 s older than its sample, in which the circuit moves by as little.
    assert found["iec_resistance_ohm"].value == pytest.approx(iec_ohm(), abs=2.5e-5)
    assert found["iec_resistance_group_1_ohm"].value == pytest.approx(iec_ohm(), abs=2.5e-5)
    assert "of the group, read up to 0.12 s before" in found["iec_resistance_group_1_ohm"].note
    loaded = [sample for sample in done.run.samples if sample.output == "load"]
    times = [sample.test_time_s - loaded[0].test_time_s for sample in loaded]
    low = [time for time, sample in zip(times, loaded, strict=True) if sample.phase == "pulse: low"]
    assert low[-1] == pytest.approx(10.0, abs=0.1)
    assert times[-1] == pytest.approx(11.0, abs=0.1)
    # One switching on and one off: the current rises without the load going off in between.
    assert len(done.journal) == 2


def test_a_reading_at_the_wrong_time_is_no_result(tmp_path: Path) -> None:
    done = on_virtual_time(run_test(tmp_path, ideal_bay(circuit(OCV_V)), pack_toml(1), TWO_STEP))
    for step in done.run.info.plan["steps"]:
        if step["kind"] == "pulse":
            step["low_s"] = 9.8  # as if the plan had asked for another time
    found = figures(done.run)
    assert "iec_resistance_ohm" not in found
    assert "right would be 9.8 ± 0.1 s" in found.missing["iec_resistance_ohm"]


@pytest.mark.parametrize(("least_v", "power_w"), [(3.0, 105.0), (2.5, 150.0), (1.85, 171.125)])
def test_pulse_power(least_v: float, power_w: float) -> None:
    # Vmin (OCV - Vmin) / R for 3.7 V and 20 mΩ, by hand; at OCV / 2 it is OCV² / 4R, the most a source can give.
    assert pulse_power_w(3.7, least_v, 0.020) == pytest.approx(power_w, rel=1e-12)


SERIES = """
title = "Series"
[[step]]
do = "charge"
current = "0.5C"
taper = "0.05C"
[[step]]
do = "pulse"
method = "series"
levels = ["1C", "4C"]
hold = "10 s"
times = ["0.1 s", "1 s"]
rest = "5 min"
settle = "10 min"
each = "10 %"
down_to = "70 %"
move = "5C"
"""


def series_run(folder: Path) -> Done:
    # A source that stands at a full group's voltage and never moves: the operator says it is charged.
    scenario = ideal_bay(circuit(4.19, 2), with_supply=False)
    return on_virtual_time(
        run_test(
            folder,
            scenario,
            pack_toml(2),
            SERIES,
            change_bench=lambda text: text.replace('charge = "supply"', 'charge = "operator"'),
        )
    )


def test_a_series_on_a_first_order_circuit(tmp_path: Path) -> None:
    done = series_run(tmp_path)
    assert done.ending.how == "finished"
    assert done.run.problems == []
    found = figures(done.run)
    for percent in (10, 20, 30):
        for rate in (1, 4):
            for time_s in (0.1, 1.0, 10.0):
                # What is left of earlier pulses after 5 min is e^-10 of them.
                expected = 2 * (R0_OHM + R1_OHM * (1 - math.exp(-time_s / TAU_S)))
                name = f"pulse_drawn_{percent}_{rate}c_{time_s:g}s_ohm"
                assert found[name].value == pytest.approx(expected, rel=2e-3), name
        # To the discharge cut-off of li-ion, 2.5 V a group; "worked out, not drawn" stands beside it.
        ohm = 2 * (R0_OHM + R1_OHM * (1 - math.exp(-10 / TAU_S)))
        power_w = 5.0 * (2 * 4.19 - 5.0) / ohm
        assert found[f"pulse_drawn_{percent}_power_w"].value == pytest.approx(power_w, rel=2e-3)
        assert "not drawn" in found[f"pulse_drawn_{percent}_power_w"].note
    powers = [row[1] for row in shown_rows([found]) if row[1].startswith("pulse power")]
    assert powers == [f"pulse power, {n} % drawn, W" for n in (10, 20, 30)]
    # A pack has another resistance at another charge: where it sits is told of the middle state alone.
    resistance = found["pack_ohm_1_s"]
    assert resistance.note.startswith("2 edges"), "one for each rate, of three states"
    first, last = (
        next(one for one in done.run.samples if one.sequence == number) for number in resistance.from_samples
    )
    assert {first.phase.partition(":")[0], last.phase.partition(":")[0]} <= {"state 2"}
    assert resistance.formula.endswith("; state 2 of 3 of the pulse series")
    states = [sample for sample in done.run.samples if sample.phase.endswith("pulse 1") and sample.output == "load"]
    drawn = next(sample.discharging_ah for sample in states if sample.phase == "state 2: pulse 1")
    assert drawn == pytest.approx(1.0, rel=5e-3)


GOLDEN_SERIES = """
title = "Series"
[[step]]
do = "charge"
current = "0.5C"
taper = "0.05C"
[[step]]
do = "pulse"
method = "series"
levels = ["1C", "4C"]
hold = "10 s"
times = ["0.1 s", "1 s"]
rest = "5 min"
settle = "10 min"
each = "20 %"
down_to = "20 %"
move = "1C"
"""


def test_the_figures_of_a_series_against_an_independent_model(tmp_path: Path) -> None:
    """Resistances and powers worked out here from PyBaMM 26.10.1.1's voltages (its Thevenin model, two RC elements).

    The whole chain draws the currents that drove the model in golden/make_thevenin.py: same circuit, same states.
    """
    golden = json.loads((GOLDEN / "thevenin_pulses.json").read_text(encoding="utf-8"))
    assert (golden["package"], golden["version"]) == ("pybamm", "26.10.1.1")
    case = golden["cases"]["heated"]
    done = on_virtual_time(
        run_test(
            tmp_path,
            ideal_bay(golden_pack(case["parameters"]), with_supply=False),
            pack_toml(1, mass_g=70.0),  # one cell; with a pack's mass its warming would be too much to be true
            GOLDEN_SERIES,
            change_bench=lambda text: text.replace('charge = "supply"', 'charge = "operator"'),
        )
    )
    assert done.ending.how == "finished"
    found = figures(done.run)
    rows = [dict(zip(case["columns"], row, strict=True)) for row in case["rows"]]
    at = {round(row["time_s"], 3): row for row in rows}
    expected: dict[str, float] = {}
    began_s, portion, open_v = 0.0, 0, 0.0
    for current_a, took_s in case["segments"]:
        if current_a == 0.0:
            open_v = at[round(began_s + took_s, 3)]["voltage_v"]
        elif took_s == case["hold_s"]:
            name = f"pulse_drawn_{20 * portion}_{current_a / 5:g}c"
            for time_s in case["times_s"]:
                ohm = (open_v - at[round(began_s + time_s, 3)]["voltage_v"]) / current_a
                expected[f"{name}_{time_s:g}s_ohm"] = ohm
            # Of the largest current's resistance at the pulse's end, down to li-ion's 2.5 V a group.
            expected[f"pulse_drawn_{20 * portion}_power_w"] = 2.5 * (open_v - 2.5) / ohm
        else:
            portion += 1
        began_s += took_s
    assert len(expected) == 4 * (2 * 3 + 1)
    assert {name for name in found if name.startswith("pulse_drawn_")} == set(expected)
    for name, value in expected.items():
        # The load answers to 0.1 mV, so that of the smallest pulse's 47 mV 0.2 % are its rounding.
        assert found[name].value == pytest.approx(value, rel=3e-3), name


def planned(pack: Any = None, bay: Any = None, **changes: Any) -> Any:
    step = {"do": "pulse", **changes}
    charge = {"do": "charge", "current": "0.5C", "taper": "0.05C"}
    profile = Profile.model_validate({"title": "t", "step": [charge, step]})
    return work_out(profile, pack or heron(), bay or left_bay()).steps[1]


QUICK = {"method": "series", "levels": ["1C", "5C"], "hold": "10 s", "settle": "60 s", "rest": "10 s", "move": "2C"}


def test_two_steps_end_at_the_floor_and_say_that_nothing_was_measured() -> None:
    step = planned()
    assert isinstance(step, PlannedPulse)
    played = play(step, PretendPack([0.02] * 6, low_v=2.51))
    assert played.last.ended_by == "cut-off"
    assert played.flags[0].startswith("no resistance was measured: lowest group")
    assert all(isinstance(want, Draw) and want.trip_voltage_v == 13.2 for want in played.wants[:-1])


def test_a_series_ends_at_the_floor_with_what_it_has() -> None:
    step = planned(**QUICK)
    assert isinstance(step, PlannedPulseSeries)
    played = play(step, PretendPack([2.3] * 6, warm_k_per_joule=0.0, low_v=2.4))
    assert played.last.ended_by == "cut-off"
    assert "pulse series ended at" in played.flags[-1]
    assert 1.5 < played.discharging_ah < 2.3


def test_a_level_below_the_floor_is_left_and_the_series_goes_on() -> None:
    step = planned(**{**QUICK, "levels": ["1C", "3C"]})
    played = play(step, PretendPack([5.0] * 6, warm_k_per_joule=0.0, ohm=0.03, slow_ohm=0.0, low_v=2.7))
    records = played.last.state.records  # type: ignore[attr-defined]
    assert [record.why_not == "" for record in records if record.level == 1][:6] == [True] * 6
    assert any(record.why_not for record in records if record.level == 2)
    # A failed level is over at once; it is never held.
    assert played.lowest_v > 2.2


def test_a_series_that_gets_too_warm_ends() -> None:
    played = play(planned(**QUICK), PretendPack([5.0] * 6, warm_k_per_joule=0.5))
    assert played.last.ended_by == "temperature"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"levels": ["1C", "1C"]}, "do not rise"),
        ({"levels": ["30C"]}, "above the load's 120 A"),
        ({"levels": ["10C"]}, "max discharge 45 A"),
        ({"levels": ["20C"], "hold": "5 s"}, "max burst 90 A"),
        ({"down_to": "95 %"}, "leaves no state"),
        ({"move": "10C"}, "max discharge 45 A"),
        ({"floor": "2.3 V"}, "hard limit"),
    ],
)
def test_what_pack_or_load_cannot_do_is_refused(changes: Any, words: Any) -> None:
    with pytest.raises(PlanRefused, match=words):
        planned(**{**QUICK, **changes})


def test_a_series_needs_a_full_pack() -> None:
    profile = Profile.model_validate({"title": "t", "step": [{"do": "pulse", **QUICK}]})
    with pytest.raises(PlanRefused, match="put a charge before it"):
        work_out(profile, heron(), left_bay())


def test_a_burst_that_the_pack_may_give_is_within_the_limits_of_the_run() -> None:
    step = planned(**{**QUICK, "levels": ["18C"], "hold": "5 s"})
    charge = {"do": "charge", "current": "0.5C", "taper": "0.05C"}
    profile = Profile.model_validate(
        {"title": "t", "step": [charge, {"do": "pulse", **QUICK, "levels": ["18C"], "hold": "5 s"}]}
    )
    plan = work_out(profile, heron(), left_bay())
    assert step.levels[0].ceiling_a == pytest.approx(99.0)
    assert plan.limits.max_draw_a == pytest.approx(1.05 * 99.0)
