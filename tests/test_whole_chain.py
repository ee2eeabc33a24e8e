"""Whole runs against answers from outside: engine, command map, SCPI text, simulated instruments, physics.

Unless another source is named, the expected values are closed forms of a source V = OCV - I·R, derived on paper
and worked out again here. Currents in the samples are negative when the pack discharges.

What sampling does to a cut-off. A discharge ends at the first sample whose group readings are at or below the
cut-off; these are asked for up to 20 ms before the sample. So at a period of 1 s a run is 0 to 1.02 s late, never
early, and charge and energy are too high by what flows in that time: at most I_end·1.02 s and P·1.02 s. The checks
below hold the closed form twice: at its own end within 0.1 %, with the sign of the bias, and at the moment when the
run did end, where nothing of the bias is left, much closer.
"""

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchwarden.profiles.plan import PlanRefused
from benchwarden.results.figures import Figures, figures
from benchwarden.results.sample import Sample
from benchwarden.simulators.pack import GroupModel, PackModel
from benchwarden.simulators.scenario import BayScenario
from benchwarden.simulators.start import SimulatedBench
from tests.ideal_bay import discharge_toml, flat_cell, ideal_bay, linear_cell, pack_of, pack_toml
from tests.test_pack_physics import golden_pack
from tests.virtual_bench import Done, on_virtual_time, run_test

GOLDEN = Path(__file__).parent / "golden"
LATEST_S = 1.02  # a period, and how long before its sample a group's reading may have been asked for
FULL = GroupModel()

# Six groups in series, 25.2 V full, 1.2 V/Ah, 20 mΩ; 300 W to 19.2 V.
POWER_W, FULL_V, SLOPE_V_PER_AH, OHM, CUT_OFF_V = 300.0, 25.2, 1.2, 0.020, 19.2


def even_pack() -> PackModel:
    return pack_of(linear_cell(FULL_V / 6, SLOPE_V_PER_AH / 6, OHM / 6), *[FULL] * 6)


def run(folder: Path, scenario: BayScenario, pack: str, profile: str, **more: Any) -> Done:
    done = on_virtual_time(run_test(folder, scenario, pack, profile, **more))
    assert done.run.problems == []
    assert done.off_confirmed
    assert done.guardian.disarmed == ["shore"]
    return done


def loaded(done: Done) -> list[Sample]:
    return [sample for sample in done.run.samples if sample.output == "load"]


def measured(sample: Sample) -> tuple[float, float]:
    assert sample.voltage_v is not None
    assert sample.current_a is not None
    return sample.voltage_v, sample.current_a


def why_ended(done: Done) -> tuple[str, str]:
    event = next(event for event in done.run.events if event["event"] == "step_ended")
    return event["ended_by"], event["why"]


def source_current_a(emf_v: float, ohm: float, power_w: float) -> float:
    """I = (E - √(E² - 4PR))/(2R)."""
    return (emf_v - math.sqrt(emf_v * emf_v - 4.0 * power_w * ohm)) / (2.0 * ohm)


def time_to_s(end_v: float, ohm: float = OHM) -> float:
    """Time at constant power until the load sees `end_v`: t = ((V0² - Vc²)/(2P) - R·ln(V0/Vc))/k, k in V/C."""
    start_v = POWER_W / source_current_a(FULL_V, ohm, POWER_W)
    slope_v_per_c = SLOPE_V_PER_AH / 3600.0
    return ((start_v**2 - end_v**2) / (2 * POWER_W) - ohm * math.log(start_v / end_v)) / slope_v_per_c


def charge_to_ah(end_v: float, ohm: float = OHM) -> float:
    """q = (OCV0 - Vc - R·P/Vc)/k."""
    return (FULL_V - end_v - ohm * POWER_W / end_v) / SLOPE_V_PER_AH


def voltage_after_v(time_s: float, ohm: float = OHM) -> float:
    """`time_to_s` turned round by bisection: V under load after a time."""
    low, high = 10.0, FULL_V
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if time_to_s(middle, ohm) > time_s else (low, middle)
    return (low + high) / 2


def check_even_discharge(found: Figures, ohm: float = OHM, end_v: float = CUT_OFF_V) -> None:
    """A 300 W discharge of the even pack behind `ohm` until the load sees `end_v`."""
    time_s, charge_ah, end_a = time_to_s(end_v, ohm), charge_to_ah(end_v, ohm), POWER_W / end_v
    late_s = found["discharge_time_s"].value - time_s
    late_ah = found["delivered_ah"].value - charge_ah
    late_wh = found["delivered_wh"].value - POWER_W * time_s / 3600.0
    # The bias of the cut-off's sample: late, never early; 2e-5 is what the simulator's own steps may add.
    assert -2e-5 * time_s <= late_s <= LATEST_S + 2e-5 * time_s
    assert -2e-5 * charge_ah <= late_ah <= 1.01 * end_a * LATEST_S / 3600.0 + 2e-5 * charge_ah
    assert -2e-5 * charge_ah * end_v <= late_wh <= POWER_W * LATEST_S / 3600.0 + 2e-5 * charge_ah * end_v
    assert found["discharge_time_s"].value == pytest.approx(time_s, rel=1e-3)
    assert found["delivered_ah"].value == pytest.approx(charge_ah, rel=1e-3)
    assert found["delivered_wh"].value == pytest.approx(POWER_W * time_s / 3600.0, rel=1e-3)
    # What the bench file states of the instruments holds the truth, the cut-off's lateness included.
    for name, true in (("delivered_ah", charge_ah), ("delivered_wh", POWER_W * time_s / 3600.0)):
        half = found[name].U
        assert half is not None
        assert abs(found[name].value - true) <= half
    # At the moment of the last sample there is no bias: E = P·t, and q from the closed form at that time.
    ended_s = found["discharge_time_s"].value
    assert found["delivered_wh"].value == pytest.approx(POWER_W * ended_s / 3600.0, rel=2e-5)
    assert found["delivered_ah"].value == pytest.approx(charge_to_ah(voltage_after_v(ended_s, ohm), ohm), rel=1e-4)


def test_the_closed_form_is_the_one_that_was_checked_apart() -> None:
    # Worked out apart with scipy's ODE solver, relative 1e-10: 1255.970144879 s, 4.739583333333 Ah, I0 12.0194178 A.
    assert time_to_s(CUT_OFF_V) == pytest.approx(1255.970144879, rel=1e-10)
    assert charge_to_ah(CUT_OFF_V) == pytest.approx(4.739583333333, rel=1e-10)
    assert source_current_a(FULL_V, OHM, POWER_W) == pytest.approx(12.019417780785, rel=1e-10)
    assert voltage_after_v(time_to_s(21.0)) == pytest.approx(21.0, rel=1e-9)


@pytest.mark.parametrize("load_kind", ["load-function", "load-mode"])
def test_constant_power_to_a_terminal_cut_off(tmp_path: Path, load_kind: str) -> None:
    done = run(
        tmp_path,
        ideal_bay(even_pack(), load_kind=load_kind),
        pack_toml(6),
        discharge_toml('power = "300 W"', "3.2 V"),
    )
    assert done.ending.how == "finished"
    found = figures(done.run)
    check_even_discharge(found)
    first, last = loaded(done)[0], loaded(done)[-1]
    assert measured(first) == pytest.approx((24.959611644384, -12.019417780785), abs=2e-3)
    assert measured(last)[1] == pytest.approx(-POWER_W / CUT_OFF_V, rel=1e-3)
    assert found["mean_voltage_v"].value == pytest.approx(22.082991558, rel=1e-3)
    assert found["unmeasured_s"].value == 0.0
    # The sample before the last one was above the cut-off: the run did not go on past it.
    before = loaded(done)[-2]
    assert min(value for value in before.groups_v if value is not None) > 3.2


@pytest.mark.parametrize("load_kind", ["load-function", "load-mode"])
def test_constant_resistance_to_a_terminal_cut_off(tmp_path: Path, load_kind: str) -> None:
    """The even pack on 1.5 Ω down to 19.2 V, an RC discharge of any text: OCV falls as e^(-t/τ), τ = (R + r)/k."""
    load_ohm = 1.5
    tau_s = (load_ohm + OHM) / (SLOPE_V_PER_AH / 3600.0)
    end_emf_v = CUT_OFF_V * (load_ohm + OHM) / load_ohm
    time_s = tau_s * math.log(FULL_V / end_emf_v)
    charge_ah = (FULL_V - end_emf_v) / SLOPE_V_PER_AH
    in_load = load_ohm / (load_ohm + OHM) ** 2
    energy_wh = in_load * tau_s / 2.0 * (FULL_V**2 - end_emf_v**2) / 3600.0
    done = run(
        tmp_path,
        ideal_bay(even_pack(), load_kind=load_kind),
        pack_toml(6),
        discharge_toml('resistance = "1.5 ohm"', "3.2 V"),
    )
    assert why_ended(done)[0] == "cut-off"
    found = figures(done.run)
    assert 0.0 <= found["discharge_time_s"].value - time_s + 2e-5 * time_s <= LATEST_S + 4e-5 * time_s
    assert found["delivered_ah"].value == pytest.approx(charge_ah, rel=1e-3)
    assert found["delivered_wh"].value == pytest.approx(energy_wh, rel=1e-3)
    for sample in loaded(done):
        voltage_v, current_a = measured(sample)
        assert voltage_v / -current_a == pytest.approx(load_ohm, rel=1e-3)


def test_without_group_meters_the_packs_voltage_is_judged(tmp_path: Path) -> None:
    done = run(
        tmp_path,
        ideal_bay(even_pack(), with_cells=False, with_supply=False),
        pack_toml(6),
        discharge_toml('power = "300 W"', "3.2 V"),
    )
    check_even_discharge(figures(done.run))
    assert loaded(done)[-1].groups_v == ()
    by, words = why_ended(done)
    assert by == "cut-off"
    assert words.startswith("mean group")


def test_sensed_at_the_instruments_terminals(tmp_path: Path) -> None:
    """The load holds its power behind 5 mΩ of leads; the groups' taps still say when the pack is at its cut-off."""
    lead_ohm = 0.005
    end_a = source_current_a(CUT_OFF_V, lead_ohm, POWER_W)  # the pack's connector is at the cut-off there
    done = run(
        tmp_path,
        ideal_bay(even_pack(), lead_ohm=lead_ohm, sense="instrument terminals"),
        pack_toml(6),
        discharge_toml('power = "300 W"', "3.2 V"),
    )
    found = figures(done.run)
    check_even_discharge(found, OHM + lead_ohm, CUT_OFF_V - lead_ohm * end_a)
    # What the leads took is missing from the run's energy, and the world knows it: ∫I²r dt.
    taken_wh = sum(measured(sample)[1] ** 2 * lead_ohm for sample in loaded(done)) / 3600.0
    given_wh = done.bench.bays["shore"].witness.discharged_wh - done.checked.drawn_wh
    assert given_wh - found["delivered_wh"].value == pytest.approx(taken_wh, rel=0.01)
    assert taken_wh > 0.002 * given_wh


@pytest.mark.parametrize("taps", ["each", "cumulative"])
def test_a_weak_group_ends_the_run_first(tmp_path: Path, taps: str) -> None:
    """Five groups of 0.2 V/Ah and 3.333 mΩ, the third of 0.2/0.9 V/Ah and 6.667 mΩ; 300 W until it is at 3.2 V.

    With q = (4.2 - 3.2 - Rw·I)/kw put into the pack's P = V·I: a quadratic in the current at the end.
    """
    group_ohm, weak_slope = 0.02 / 6, 0.2 / 0.9
    slope, ohm = 5 * 0.2 + weak_slope, 7 * group_ohm
    a = slope * 2 * group_ohm / weak_slope - ohm
    b = 25.2 - slope / weak_slope * 1.0
    end_a = (-b + math.sqrt(b * b + 4 * a * POWER_W)) / (2 * a)
    charge_ah = (1.0 - 2 * group_ohm * end_a) / weak_slope
    start_v, end_v = POWER_W / source_current_a(25.2, ohm, POWER_W), POWER_W / end_a
    time_s = ((start_v**2 - end_v**2) / (2 * POWER_W) - ohm * math.log(start_v / end_v)) * 3600.0 / slope
    # The same, worked out apart with scipy's ODE solver.
    assert (end_a, charge_ah, time_s) == pytest.approx((15.07462317173, 4.047761304848, 1088.656623616), rel=1e-9)

    weak = GroupModel(capacity_factor=0.9, resistance_factor=2.0)
    pack = pack_of(linear_cell(4.2, 0.2, group_ohm), FULL, FULL, weak, FULL, FULL, FULL)
    done = run(tmp_path, ideal_bay(pack, taps=taps), pack_toml(6), discharge_toml('power = "300 W"', "3.2 V"))
    found = figures(done.run)
    assert 0.0 <= found["discharge_time_s"].value - time_s <= LATEST_S
    assert 0.0 <= found["delivered_ah"].value - charge_ah <= 1.01 * end_a * LATEST_S / 3600.0
    assert found["delivered_ah"].value == pytest.approx(charge_ah, rel=1e-3)
    assert found["delivered_wh"].value == pytest.approx(90.721385301, rel=1e-3)
    by, words = why_ended(done)
    assert (by, words.split(" at ")[0]) == ("cut-off", "lowest group 3")
    assert found["ending_group"].value == 3
    voltage_v, current_a = measured(loaded(done)[-1])
    assert (voltage_v, current_a) == pytest.approx((19.900994976, -end_a), rel=1e-3)
    # Good groups 3.340199 V, the weak one 3.2 V; it falls 0.9 mV a second faster there.
    assert found["group_spread_end_v"].value == pytest.approx(0.1402, abs=5e-4)


def test_constant_current_constant_voltage_charge(tmp_path: Path) -> None:
    """3.0 V + 0.24 V/Ah·q behind 30 mΩ: 3150 s at 5 A, then I = 5·e^(-t/τ) with τ = R/k = 450 s, down to 0.25 A.

    4.96875 Ah and 18.571875 Wh in 4498.08 s. Sampling: the taper counts at two samples running, so the charge
    ends 1 to 2 s late, by at most 0.25 A·2 s = 0.14 mAh; the trapezoid over the corner, where the voltage is
    reached between two samples, errs by 0.0015 mAh at most. The simulator holds the falling current over its
    steps of 0.25 s and so counts 0.125 s·4.75 A = 0.165 mAh more than a trapezoid over the same points.
    """
    cell = linear_cell(4.2, 0.24, 0.030, capacity_ah=5.0)
    done = run(
        tmp_path,
        ideal_bay(pack_of(cell, GroupModel(soc=0.0))),
        pack_toml(1),
        'title = "Charge"\n[[step]]\ndo = "charge"\ncurrent = "5 A"\ntaper = "0.25 A"\n',
    )
    fed = [sample for sample in done.run.samples if sample.output == "supply"]
    held_s, tau_s = 3150.0, 450.0
    time_s = held_s + tau_s * math.log(5.0 / 0.25)
    lasted_s = fed[-1].test_time_s - fed[0].test_time_s
    assert time_s == pytest.approx(4498.0795231, rel=1e-9)
    # Half of the last digit shown, 0.05 mA, is 0.09 s of the taper there.
    assert 0.9 <= lasted_s - time_s <= 2.0
    end = done.run.samples[-1]
    late_ah = 0.25 * (lasted_s - time_s) / 3600.0
    held_ah = 0.125 * 4.75 / 3600.0
    assert end.charging_ah - 4.96875 == pytest.approx(late_ah - held_ah, abs=5e-5)
    assert done.bench.bays["shore"].witness.charged_ah - end.charging_ah == pytest.approx(held_ah, abs=2e-5)
    assert end.charging_ah == pytest.approx(4.96875, rel=1e-3)
    assert end.charging_wh == pytest.approx(18.571875, rel=1e-3)
    assert end.discharging_ah == 0.0
    for sample in fed:
        on_s = sample.test_time_s - fed[0].test_time_s
        voltage_v, current_a = measured(sample)
        if on_s < held_s - 1.0:
            assert current_a == pytest.approx(5.0, abs=1e-3)
            assert voltage_v == pytest.approx(3.15 + 1.2 / 18000.0 * 5.0 * on_s, abs=1e-3)
        elif on_s > held_s + 1.0:
            assert current_a == pytest.approx(5.0 * math.exp(-(on_s - held_s) / tau_s), rel=2e-3, abs=1e-3)
            assert voltage_v == pytest.approx(4.2, abs=1e-3)
    # The pack rests where the closed form leaves it: full less R·I_taper, 4.1925 V.
    assert measured(end)[0] == pytest.approx(4.1925, abs=1e-3)


# What the load's display resolves; half of it, and half of a microvolt for the model.
RESOLUTION_V = 1e-3


def test_a_pulse_on_a_first_order_circuit(tmp_path: Path) -> None:
    """20 A (4C) from 4.0 V, 10 mΩ, and a pair of 6 mΩ and 30 s: V = OCV - I·R0 - I·R1·(1 - e^(-t/τ)).

    The values were worked out apart and by an independent package, thevenin 0.2.1, to 1e-8.
    """
    expected_v = {0: 3.8, 1: 3.7960659321, 10: 3.7659837573, 30: 3.7241455329, 60: 3.6962402340}
    for time_s, volts in expected_v.items():
        assert 3.8 - 0.12 * (1.0 - math.exp(-time_s / 30.0)) == pytest.approx(volts, abs=1e-9)
    cell = flat_cell(4.0, 0.010, pairs=((0.006, 30.0), (0.0, 1.0)))
    rest = '[[step]]\ndo = "rest"\nat_least = "60 s"\n'
    done = run(
        tmp_path,
        ideal_bay(pack_of(cell, FULL)),
        pack_toml(1),
        discharge_toml('current = "20 A"', at_most="65 s", then=rest),
    )
    under = loaded(done)
    by_second = {round(sample.test_time_s - under[0].test_time_s, 6): sample for sample in under}
    for time_s, volts in expected_v.items():
        voltage_v, current_a = measured(by_second[float(time_s)])
        assert voltage_v == pytest.approx(volts, abs=0.51 * RESOLUTION_V)
        assert current_a == pytest.approx(-20.0, abs=1e-3)
    off_s, held_s = under[-1].test_time_s, under[-1].test_time_s - under[0].test_time_s
    after = [sample for sample in done.run.samples if sample.output == "off" and sample.test_time_s >= off_s]
    for sample in after:
        expected = 4.0 - 0.12 * (1.0 - math.exp(-held_s / 30.0)) * math.exp(-(sample.test_time_s - off_s) / 30.0)
        assert measured(sample)[0] == pytest.approx(expected, abs=0.51 * RESOLUTION_V)
    assert after[-1].test_time_s - off_s >= 60.0
    # R after 10 s, by the run's own figures: R0 + R1·(1 - e^(-10/30)) = 11.7008 mΩ, here within a millivolt in 20 A.
    found = figures(done.run)
    assert found["dc_resistance_ohm"].value == pytest.approx(0.010, abs=RESOLUTION_V / 20.0)
    assert found["dc_resistance_10_s_ohm"].value == pytest.approx(0.0117008121366, abs=RESOLUTION_V / 20.0)


@pytest.mark.parametrize(
    ("power_w", "current_a", "voltage_v"),
    [
        (200, 9.064526331724, 22.064032105024),
        (500, 22.876114840214, 21.856858277397),
        (1000, 46.506428772888, 21.502403568407),
    ],
)
def test_constant_power_on_an_ideal_source(tmp_path: Path, power_w: int, current_a: float, voltage_v: float) -> None:
    """22.2 V behind 15 mΩ: I = (E - √(E² - 4PR))/(2R), seen by the first sample with the load on."""
    assert source_current_a(22.2, 0.015, power_w) == pytest.approx(current_a, rel=1e-9)
    done = run(
        tmp_path,
        ideal_bay(pack_of(flat_cell(3.7, 0.0025), *[FULL] * 6)),
        pack_toml(6, max_discharge_a=80),
        discharge_toml(f'power = "{power_w} W"', at_most="3 s"),
    )
    for sample in loaded(done):
        assert measured(sample) == pytest.approx((voltage_v, -current_a), abs=1e-3)
    assert why_ended(done)[0] == "time"


def test_a_power_that_the_pack_cannot_give(tmp_path: Path) -> None:
    """22.2 V behind 0.36 Ω gives E²/4R = 342.25 W at most; 350 W drives the load to its ceiling, 1.1·P/(6·3.0 V)."""
    most_w, ceiling_a = 22.2**2 / (4 * 0.36), 1.1 * 350.0 / 18.0
    assert most_w == pytest.approx(342.25)
    done = run(
        tmp_path,
        ideal_bay(pack_of(flat_cell(3.7, 0.06), *[FULL] * 6)),
        pack_toml(6),
        discharge_toml('power = "350 W"', "3.0 V"),
    )
    assert done.ending.how == "finished"
    assert why_ended(done)[0] == "cut-off"
    first = loaded(done)[0]
    assert measured(first) == pytest.approx((22.2 - 0.36 * ceiling_a, -ceiling_a), abs=2e-3)
    assert loaded(done)[-1].test_time_s - first.test_time_s <= LATEST_S
    assert done.journal[-1][1] == "load 1 off"
    assert measured(done.run.samples[-1]) == pytest.approx((22.2, 0.0), abs=1e-3)


def test_a_power_that_drags_the_pack_below_its_limit(tmp_path: Path) -> None:
    """The same pack, asked for 400 W to 2.5 V: at the ceiling it would stand at 11.6 V, below 6 x 2.2 V.

    The load's own latching under-voltage trip acts before any sample; the run ends as tripped and says why.
    """
    at_ceiling_v = 22.2 - 0.36 * 1.1 * 400.0 / 15.0
    assert at_ceiling_v < 6 * 2.2
    done = run(
        tmp_path,
        ideal_bay(pack_of(flat_cell(3.7, 0.06), *[FULL] * 6)),
        pack_toml(6),
        discharge_toml('power = "400 W"'),
    )
    assert done.ending.how == "tripped"
    assert "under-voltage" in done.ending.why
    assert [what for _, what in done.journal] == ["load 1 on", "load 1 tripped: under-voltage", "load 1 off"]
    times = [at for at, _ in done.journal]
    assert times[-1] == times[0]
    assert figures(done.run).missing["delivered_over_rated"]


@pytest.mark.parametrize("case", ["athermal", "heated", "gentle"])
def test_against_an_independent_model(tmp_path: Path, case: str) -> None:
    """Golden runs of PyBaMM 26.10.1.1 (its Thevenin model, two RC elements), made by golden/make_thevenin.py."""
    golden = json.loads((GOLDEN / "thevenin_constant_power.json").read_text(encoding="utf-8"))
    assert (golden["package"], golden["version"]) == ("pybamm", "26.10.1.1")
    expected = golden["cases"][case]
    cut_off_v = expected["parameters"]["cut_off_v"]
    done = run(
        tmp_path,
        ideal_bay(golden_pack(expected["parameters"])),
        pack_toml(1, mass_g=70.0),  # one cell; with a pack's mass its warming would be too much to be true
        discharge_toml(f'power = "{expected["level"]:g} W"', f"{cut_off_v:g} V"),
    )
    under = loaded(done)
    started_s, counted_ah, counted_wh = under[0].test_time_s, under[0].discharging_ah, under[0].discharging_wh
    by_second = {round(sample.test_time_s - started_s, 6): sample for sample in under}
    for numbers in expected["rows"]:
        row = dict(zip(expected["columns"], numbers, strict=True))
        sample = by_second[row["time_s"]]
        voltage_v, current_a = measured(sample)
        assert voltage_v == pytest.approx(row["voltage_v"], rel=5e-3)
        assert current_a == pytest.approx(-row["current_a"], rel=5e-3)
        assert sample.discharging_ah - counted_ah == pytest.approx(row["discharged_ah"], rel=5e-3, abs=1e-9)
        assert sample.discharging_wh - counted_wh == pytest.approx(row["discharged_wh"], rel=5e-3, abs=1e-9)
    found, end = figures(done.run), expected["end"]
    assert why_ended(done)[0] == "cut-off"
    assert found["discharge_time_s"].value == pytest.approx(end["time_s"], rel=5e-3)
    assert found["delivered_ah"].value == pytest.approx(end["discharged_ah"], rel=5e-3)
    assert found["delivered_wh"].value == pytest.approx(end["discharged_wh"], rel=5e-3)


CYCLE = """
title = "Cycle"
[[step]]
do = "discharge"
power = "800 W"
stop_at = { group_voltage = "3.2 V" }
[[step]]
do = "rest"
at_least = "1 min"
[[step]]
do = "charge"
current = "5 A"
taper = "1 A"
"""


def test_the_sign_of_the_current_and_the_worlds_own_count(tmp_path: Path) -> None:
    """Battery Data Format, "Current / A": positive charges, negative discharges.

    The load's meters read 0.02 % high with 2 mV and 4 mA, the supply's are exact; what the world counted at the
    pack's connector differs from the run's counters by no more than that, and by the edges of the steps.
    """
    meters = [("voltage", (2e-4, 2e-3, 0.0, 1e-3)), ("current", (2e-4, 4e-3, 0.0, 1e-3))]
    done = run(tmp_path, ideal_bay(even_pack(), meters=meters), pack_toml(6), CYCLE)
    assert done.ending.how == "finished"
    outputs = {"load": 0, "supply": 0, "off": 0}
    for sample in done.run.samples:
        outputs[sample.output] += 1
        voltage_v, current_a = measured(sample)
        assert voltage_v > 0.0
        if sample.output == "load":
            assert current_a < -30.0
        elif sample.output == "supply":
            assert current_a > 0.9
        else:
            assert abs(current_a) < 0.01
    assert min(outputs.values()) > 100
    # The discharge warmed the pack above 40 °C: the charge begins with a wait, which ends by itself.
    waits = [sample for sample in done.run.samples if sample.phase.startswith("waiting: pack at")]
    assert waits
    assert {sample.output for sample in waits} == {"off"}
    # Afterwards the pack is watched for half an hour, in which the load's 4 mA go on counting.
    end = next(sample for sample in reversed(done.run.samples) if sample.step_count == 3)
    world = done.bench.bays["shore"].witness
    drawn_ah, drawn_wh = world.discharged_ah - done.checked.drawn_ah, world.discharged_wh - done.checked.drawn_wh
    assert end.discharging_ah == pytest.approx(drawn_ah, rel=2e-4 + 4e-3 / 30.0 + 3e-4)
    assert end.discharging_wh == pytest.approx(drawn_wh, rel=4e-4 + 4e-3 / 30.0 + 2e-3 / 19.0 + 3e-4)
    assert end.charging_ah == pytest.approx(world.charged_ah, rel=1e-3)
    assert end.charging_wh == pytest.approx(world.charged_wh, rel=1e-3)
    # Read high, the load's counters lie above the world's: a mistake of sign or side would show here.
    assert end.discharging_ah > drawn_ah
    # What the charge did not put back: R·I_taper, and 2.84 mV in each group, since the scanner too reads high and the
    # highest group as read governs. The set-point follows it within 1 mV per group.
    short_ah = (OHM * 1.0 + FULL_V - 6 * (4.2 - 2e-3) / 1.0002) / SLOPE_V_PER_AH
    assert world.discharged_ah - world.charged_ah == pytest.approx(short_ah, abs=6e-3 / SLOPE_V_PER_AH + 1e-3)
    on = [what for _, what in done.journal]
    assert on == ["load 1 on", "load 1 off", "supply on", "supply off"]


def test_two_loads_in_parallel_give_what_one_cannot(tmp_path: Path) -> None:
    """2 kW from 22.2 V behind 15 mΩ: 96.365 A in all, by the closed form; the loads are rated 1.5 kW each."""
    pack = pack_of(flat_cell(3.7, 0.0025), *[FULL] * 6)
    pack_text, profile = pack_toml(6, max_discharge_a=150), discharge_toml('power = "2000 W"', at_most="20 s")
    with pytest.raises(PlanRefused, match="above the load's 1500 W"):
        run(tmp_path, ideal_bay(pack), pack_text, profile)
    shares: list[tuple[float, float]] = []

    def look(bench: SimulatedBench, sample: Sample) -> None:
        bay = bench.bays["shore"]
        if sample.output == "load":
            shares.append((bay.load_power_w(0), bay.load_power_w(1)))

    done = run(tmp_path, ideal_bay(pack, loads=2), pack_text, profile, each=look)
    expected_a = source_current_a(22.2, 0.015, 2000.0)
    assert expected_a == pytest.approx(96.3, abs=0.1)
    assert len(shares) >= 20
    for sample in loaded(done):
        assert measured(sample) == pytest.approx((2000.0 / expected_a, -expected_a), abs=3e-3)
    for one, other in shares:
        assert one == pytest.approx(other, rel=1e-6)
        assert one + other == pytest.approx(2000.0, rel=1e-4)
    assert sorted(what for _, what in done.journal) == ["load 1 off", "load 1 on", "load 2 off", "load 2 on"]


CHARGE_AND_DRAW = """
title = "By hand"
[[step]]
do = "charge"
current = "5 A"
taper = "0.25 A"
[[step]]
do = "discharge"
power = "800 W"
stop_at = { group_voltage = "3.2 V" }
"""


def test_a_bay_without_a_supply_asks_the_operator(tmp_path: Path) -> None:
    """The pack is half full at first: "done" is not believed until every group rests within 30 mV of full."""
    questions: list[int] = []

    def charger(bench: SimulatedBench, sample: Sample) -> None:
        questions.append(sample.sequence)
        if sample.sequence == 30:
            pack = bench.bays["shore"].pack
            pack.soc = [1.0] * 6

    done = run(
        tmp_path, ideal_bay(even_pack(), with_supply=False), pack_toml(6), CHARGE_AND_DRAW, soc=0.5, each=charger
    )
    assert done.ending.how == "finished"
    asked = [event["text"] for event in done.run.events if event["event"] == "waiting_for_operator"]
    assert len(asked) >= 2
    assert "4.20 V" in asked[0]
    assert any("answered done, but group 1 is at" in event.get("text", "") for event in done.run.events)
    outputs_on = list(done.run.events_named("output_on"))
    assert all(event["test_time_s"] >= 29.0 for event in outputs_on[1:])  # the first one is the test pulse's
    assert [what for _, what in done.journal] == ["load 1 on", "load 1 off"]
    assert figures(done.run)["delivered_ah"].value == pytest.approx(
        (FULL_V - CUT_OFF_V - OHM * 800.0 / CUT_OFF_V) / SLOPE_V_PER_AH, rel=3e-3
    )


@pytest.mark.parametrize("sockets", [False, True])
@pytest.mark.parametrize("rest_s", [1.0, 1.2, 1.5, 1.7, 1.9])
def test_samples_join_fresh_group_voltages_wherever_the_beat_falls(
    tmp_path: Path, rest_s: float, sockets: bool
) -> None:
    """The groups are asked for 20 ms before each beat, also after an edge has moved the beat; so says `LATEST_S`."""
    rest = f'[[step]]\ndo = "rest"\nat_least = "{rest_s} s"\n'
    draw = '[[step]]\ndo = "discharge"\ncurrent = "5 A"\nat_most = "8 s"\nstop_at = { group_voltage = "3.2 V" }\n'
    done = run(tmp_path, ideal_bay(even_pack()), pack_toml(6), f'title = "Edge"\n{rest}{draw}', sockets=sockets)
    under = loaded(done)
    ages = [sample.groups_age_s for sample in under if sample.test_time_s - under[0].test_time_s >= 2.5]
    assert len(ages) >= 4
    # The last sample may come off the beat, at the end of the step's time.
    assert all(age is not None and age <= 0.021 for age in ages[:-1]), ages


REST_AND_DRAW = """
title = "Rest first"
[[step]]
do = "rest"
at_least = "10 s"
[[step]]
do = "discharge"
power = "1000 W"
stop_at = { group_voltage = "3.2 V" }
"""


def test_over_sockets_and_a_serial_port_it_is_the_same_run(tmp_path: Path) -> None:
    """TCP for load, supply and thermometer, a pty for the scanner; noisy meters, so that even the order shows.

    Every role is asked once a second: at two seconds it would be chance which of two beats the thermometer joins.
    """

    def each_second(text: str) -> str:
        assert text.count('map = "thermometer"') == 1
        return text.replace('map = "thermometer"', 'map = "thermometer", every = "1 s"')

    meters = [("voltage", (1e-4, 1e-3, 5e-4, 1e-4)), ("current", (3e-4, 4e-3, 2e-3, 1e-3))]
    runs = []
    for sockets in (False, True):
        bay = ideal_bay(even_pack(), meters=meters, scanner_link="serial")
        folder = tmp_path / ("sockets" if sockets else "memory")
        runs.append(run(folder, bay, pack_toml(6), REST_AND_DRAW, sockets=sockets, change_bench=each_second))
    memory, sockets_ = runs
    assert len(memory.run.samples) > 200
    # Who is asked first within one instant of virtual time is chance until the roles have found the beat: in the rest
    # before the draw the ages may differ, from then on everything is the same.
    assert len(sockets_.run.samples) == len(memory.run.samples)
    for one, other in zip(sockets_.run.samples, memory.run.samples, strict=True):
        if one.step_count == 1:
            one = replace(one, groups_v=(), groups_age_s=None, temperatures_c=(), temperatures_age_s=None)
            other = replace(other, groups_v=(), groups_age_s=None, temperatures_c=(), temperatures_age_s=None)
        assert one == other
    assert sockets_.ending == memory.ending
    assert {name: figure.value for name, figure in figures(sockets_.run).items()} == {
        name: figure.value for name, figure in figures(memory.run).items()
    }
