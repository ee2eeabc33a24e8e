"""One bay's terminals: loads, supply, leads, protections, taps, journal."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.simulators.circuit import balance
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.pack import CellModel, GroupModel, PackModel
from benchwarden.simulators.scenario import BayScenario, at_soc, demo_bench, heron, plover, simple
from benchwarden.simulators.wiring import (
    OVER_CURRENT,
    OVER_POWER,
    SUPPLY_OVER_CURRENT,
    SUPPLY_OVER_VOLTAGE,
    TIMER,
    UNDER_VOLTAGE,
    Bay,
    LoadState,
    SupplyState,
)

EMF_V, OHM = 22.2, 0.015


def stiff(volts: float = EMF_V, ohm: float = OHM, *, groups: int = 1) -> PackModel:
    """A source of fixed voltage behind a resistance."""
    cell = CellModel("flat", 1e9, ((0.0, volts / groups), (1.0, volts / groups)), ohm / groups)
    return PackModel("stiff", cell, (GroupModel(soc=0.5),) * groups)


def on(bay: Bay, now_s: float = 0.0) -> Bay:
    bay.touch(now_s)
    for k in range(len(bay.loads)):
        assert bay.switch_load(k, True, now_s)
    return bay


def test_each_mode_at_its_operating_point() -> None:
    # Closed form: 500 W from 22.2 V behind 15 mΩ is 22.876114840214 A.
    bay = on(simple(stiff(), loads=[LoadState(mode="power", power_w=500.0)]))
    assert bay.load_current_a(0) == pytest.approx(22.876114840214, rel=1e-9)
    assert bay.load_power_w(0) == pytest.approx(500.0, rel=1e-12)
    assert bay.pack_current_a() == -bay.load_current_a(0)
    bay = on(simple(stiff(), loads=[LoadState(mode="current", current_a=30.0)]))
    assert bay.pack_voltage_v() == pytest.approx(22.2 - 0.45)
    bay = on(simple(stiff(), loads=[LoadState(mode="resistance", resistance_ohm=0.985)]))
    assert bay.load_current_a(0) == pytest.approx(22.2)


@settings(max_examples=150)
@given(
    emf=st.floats(8.0, 60.0),
    ohm=st.floats(0.0, 0.1),
    loads=st.lists(
        st.builds(
            LoadState,
            on=st.booleans(),
            mode=st.sampled_from(["current", "power", "resistance"]),
            current_a=st.floats(0.0, 150.0),
            power_w=st.floats(0.0, 3000.0),
            resistance_ohm=st.floats(0.01, 100.0),
            limit_a=st.floats(1.0, 150.0),
            sense=st.sampled_from(["pack connector", "instrument terminals"]),
            lead_ohm=st.floats(0.0, 0.012),
        ),
        min_size=1,
        max_size=3,
    ),
)
def test_the_balance_obeys_the_circuit_and_every_ceiling(emf: float, ohm: float, loads: list[LoadState]) -> None:
    volts, drawn = balance(emf, ohm, loads)
    assert volts == pytest.approx(emf - ohm * sum(drawn), abs=1e-6)
    for load, amps in zip(loads, drawn, strict=True):
        if not load.on:
            assert amps == 0.0
            continue
        ceiling = min(load.limit_a, load.max_current_a)
        assert 0.0 <= amps <= ceiling * (1 + 1e-9)
        lead = load.lead_ohm if load.sense == "instrument terminals" else 0.0
        # Either it has what it was set to, or it stands at its ceiling or at its lowest voltage.
        floor_v = amps * (load.min_voltage_v / load.max_current_a + load.lead_ohm)
        saturated = math.isclose(amps, ceiling, rel_tol=1e-6) or volts <= floor_v * (1 + 1e-6)
        asked = {
            "current": math.isclose(amps, load.current_a, rel_tol=1e-6, abs_tol=1e-9),
            "power": math.isclose((volts - amps * lead) * amps, load.power_w, rel_tol=1e-6, abs_tol=1e-6),
            "resistance": math.isclose(amps * (load.resistance_ohm + lead), volts, rel_tol=1e-6, abs_tol=1e-9),
        }[load.mode]
        assert asked or saturated


def test_more_power_than_there_is_runs_to_the_ceiling() -> None:
    # At the knee a constant-power load drives itself to its ceiling (common practice, no source).
    weak = stiff(22.2, 0.3)  # gives 410.7 W at most
    bay = on(simple(weak, loads=[LoadState(mode="power", power_w=500.0, limit_a=30.0)]))
    assert bay.load_current_a(0) == 30.0
    assert bay.pack_voltage_v() == pytest.approx(22.2 - 9.0)
    # Without a ceiling in the way the load's own lowest voltage is: 1.5 V at 120 A is 12.5 mΩ.
    bay = on(simple(weak, loads=[LoadState(mode="power", power_w=500.0)]))
    assert bay.load_current_a(0) == pytest.approx(22.2 / 0.3125)


def test_leads_and_the_sense_point() -> None:
    near = on(simple(stiff(), loads=[LoadState(mode="current", current_a=50.0, lead_ohm=0.005)]))
    far = on(
        simple(
            stiff(),
            loads=[LoadState(current_a=50.0, lead_ohm=0.005, sense="instrument terminals")],
        )
    )
    assert near.load_voltage_v(0) == near.pack_voltage_v()
    assert far.load_voltage_v(0) == pytest.approx(far.pack_voltage_v() - 0.25)
    # A constant power held at the far end also feeds the leads: closed form with R + r.
    held = on(
        simple(
            stiff(),
            loads=[LoadState(mode="power", power_w=500.0, lead_ohm=0.005, sense="instrument terminals")],
        )
    )
    amps = (22.2 - math.sqrt(22.2**2 - 4 * 500 * 0.020)) / 0.040
    assert held.load_current_a(0) == pytest.approx(amps, rel=1e-9)
    assert held.load_power_w(0) == pytest.approx(500.0, rel=1e-9)


def test_two_loads_share_the_terminals() -> None:
    bay = on(
        simple(
            stiff(),
            loads=[LoadState(mode="power", power_w=400.0), LoadState(mode="power", power_w=600.0)],
        )
    )
    # Together they are 1000 W: closed form 46.506428772888 A.
    assert -bay.pack_current_a() == pytest.approx(46.506428772888, rel=1e-9)
    assert bay.load_power_w(0) == pytest.approx(400.0)
    assert bay.load_power_w(1) == pytest.approx(600.0)
    bay.switch_load(1, False, 1.0)
    assert bay.load_current_a(1) == 0.0
    assert bay.load_power_w(0) == pytest.approx(400.0)


def test_supply_limits_current_then_holds_voltage() -> None:
    bay = simple(stiff(), supply=SupplyState(voltage_v=25.2, current_a=5.0))
    bay.touch(0.0)
    assert bay.switch_supply(True, 0.0)
    assert bay.supply_current_a() == 5.0
    assert bay.pack_current_a() == 5.0
    assert bay.supply_voltage_v() == pytest.approx(22.2 + 0.075)
    assert bay.supply is not None
    bay.supply.current_a = 300.0
    bay.supply.max_current_a = 300.0
    bay.touch(1.0)
    assert bay.pack_voltage_v() == 25.2
    assert bay.supply_current_a() == pytest.approx(3.0 / 0.015)


def test_supply_below_the_pack_gives_nothing() -> None:
    bay = simple(stiff(), supply=SupplyState(voltage_v=20.0, current_a=5.0, diode_drop_v=0.7))
    bay.touch(0.0)
    bay.switch_supply(True, 0.0)
    assert bay.supply_current_a() == 0.0
    assert bay.pack_voltage_v() == 22.2


def test_a_local_sense_loses_diode_and_leads() -> None:
    supply = SupplyState(
        voltage_v=25.2,
        current_a=20.0,
        diode_drop_v=0.7,
        lead_ohm=0.185,
        sense="instrument terminals",
    )
    bay = simple(stiff(), supply=supply)
    bay.touch(0.0)
    bay.switch_supply(True, 0.0)
    # (25.2 - 0.7 - 22.2) V over 0.185 + 0.015 Ω.
    assert bay.supply_current_a() == pytest.approx(11.5)
    assert bay.supply_voltage_v() == pytest.approx(25.2)
    bay.switch_supply(False, 1.0)
    assert bay.supply_voltage_v() == 0.0  # behind the diode


def test_back_feed_into_a_switched_off_supply() -> None:
    """A bleeder drains the pack all night: 0.2 A for 8 h is 1.6 Ah."""
    pack = at_soc(heron(), 0.5)
    bay = simple(pack, supply=SupplyState(bleed_a=0.2))
    bay.touch(0.0)
    assert bay.supply_current_a() == pytest.approx(-0.2)
    bay.advance(8 * 3600.0)
    assert bay.witness.discharged_ah == pytest.approx(1.6, rel=1e-9)
    assert bay.pack.soc[0] == pytest.approx(0.5 - 1.6 / 5.0, rel=1e-6)


def test_supply_feeds_a_load_past_the_pack_and_the_journal_tells() -> None:
    bay = simple(stiff(), loads=[LoadState(current_a=2.0)], supply=SupplyState(voltage_v=25.2, current_a=5.0))
    on(bay)
    bay.switch_supply(True, 1.0)
    assert bay.supply_current_a() == 5.0
    assert bay.load_current_a(0) == 2.0
    assert bay.pack_current_a() == pytest.approx(3.0)
    assert bay.journal == [(0.0, "load 1 on"), (1.0, "supply on"), (1.0, "load and supply on together")]


@pytest.mark.parametrize(
    ("load", "bit", "word"),
    [
        (LoadState(current_a=50.0, under_voltage_on=True, under_voltage_v=21.6), UNDER_VOLTAGE, "under-voltage"),
        (LoadState(current_a=50.0, over_current_on=True, over_current_a=49.0), OVER_CURRENT, "over-current"),
        (LoadState(current_a=50.0, over_power_on=True, over_power_w=1000.0), OVER_POWER, "over-power"),
        (LoadState(current_a=100.0, max_power_w=1500.0), OVER_POWER, "over-power"),
    ],
)
def test_own_protections_trip_and_latch(load: LoadState, bit: int, word: str) -> None:
    bay = simple(stiff(), loads=[load])
    bay.touch(0.0)
    assert bay.switch_load(0, True, 5.0)
    assert not load.on
    assert load.tripped == bit
    assert bay.load_current_a(0) == 0.0
    assert bay.journal == [(5.0, "load 1 on"), (5.0, f"load 1 tripped: {word}"), (5.0, "load 1 off")]
    load.current_a = 1.0
    bay.touch(6.0)
    assert not bay.switch_load(0, True, 6.0)
    bay.clear_load_trip(0, 7.0)
    assert not load.on
    assert bay.switch_load(0, True, 8.0)
    assert bay.load_current_a(0) == 1.0


def test_under_voltage_trips_between_two_looks() -> None:
    """The load watches in its own time: one long advance does not run through the floor."""
    bay = simple(at_soc(heron(), 0.2))
    load = bay.loads[0]
    load.mode, load.power_w, load.limit_a = "power", 540.0, 40.0
    load.under_voltage_on, load.under_voltage_v = True, 16.0
    on(bay)
    bay.advance(3600.0)
    assert load.tripped == UNDER_VOLTAGE
    assert min(bay.groups_v()) > 2.0
    assert bay.witness.lowest_group_v > 2.5


def test_timer_is_exact_whatever_the_steps() -> None:
    bay = simple(stiff(), loads=[LoadState(current_a=10.0, timer_on=True, timer_s=6.1)])
    on(bay, 3.0)
    bay.advance(100.0)
    assert bay.loads[0].tripped == TIMER
    at_s, what = bay.journal[-1]
    assert what == "load 1 off"
    assert at_s == pytest.approx(9.1, abs=1e-9)
    assert bay.witness.discharged_ah == pytest.approx(61.0 / 3600.0, rel=1e-9)


@pytest.mark.parametrize(
    ("supply", "bit"),
    [
        (SupplyState(voltage_v=25.2, current_a=30.0, over_voltage_v=22.5), SUPPLY_OVER_VOLTAGE),
        (
            SupplyState(voltage_v=25.2, current_a=30.0, over_current_on=True, over_current_a=9.0),
            SUPPLY_OVER_CURRENT,
        ),
    ],
)
def test_supply_protections_latch(supply: SupplyState, bit: int) -> None:
    bay = simple(stiff(), supply=supply)
    bay.touch(0.0)
    bay.switch_supply(True, 1.0)
    assert supply.tripped == bit
    assert not supply.on
    assert bay.supply_current_a() == 0.0
    assert not bay.switch_supply(True, 2.0)
    bay.clear_supply_trip(3.0)
    assert supply.tripped == 0


def test_taps_of_a_resting_pack_step_up() -> None:
    bay = simple(stiff(21.0, 0.06, groups=6))
    assert bay.taps_v() == pytest.approx([3.5, 7.0, 10.5, 14.0, 17.5, 21.0])
    assert bay.groups_v() == pytest.approx([3.5] * 6)


@pytest.mark.parametrize("pack", [heron(), plover()])
def test_taps_see_the_joints_but_not_the_leads(pack: PackModel) -> None:
    bay = on(simple(at_soc(pack, 0.6), loads=[LoadState(current_a=50.0)]))
    leads_v = 50.0 * bay.pack.leads_ohm
    assert sum(bay.groups_v()) - bay.pack_voltage_v() == pytest.approx(leads_v, rel=1e-9)
    joints_v = 50.0 * sum(pack.joints_ohm) * (1.0 + pack.joints_alpha_per_k * 3.0)  # at 23 °C
    cells_v = 50.0 * (bay.pack.resistance_ohm - bay.pack.leads_ohm) - joints_v
    assert bay.pack.emf_v - sum(bay.groups_v()) == pytest.approx(cells_v + joints_v, rel=1e-9)
    assert joints_v == pytest.approx(50.0 * bay.pack.joints_ohm, rel=1e-9)


@given(st.lists(st.floats(0.001, 7.0), min_size=1, max_size=40))
@settings(max_examples=40)
def test_looking_often_changes_little(steps: list[float]) -> None:
    often, once = (simple(at_soc(heron(), 0.8)) for _ in range(2))
    for bay in (often, once):
        bay.loads[0].mode, bay.loads[0].power_w = "power", 400.0
        on(bay)
    now_s = 0.0
    for step in steps:
        now_s += step
        often.advance(now_s)
    once.advance(now_s)
    assert often.pack_voltage_v() == pytest.approx(once.pack_voltage_v(), rel=1e-3)
    assert often.witness.discharged_ah == pytest.approx(once.witness.discharged_ah, rel=1e-3)
    assert often.witness.discharged_wh == pytest.approx(400.0 * now_s / 3600.0, rel=1e-9)


def test_time_never_runs_back() -> None:
    bay = on(simple(stiff(), loads=[LoadState(current_a=10.0)]))
    bay.advance(10.0)
    charge = bay.witness.discharged_ah
    bay.advance(10.0)
    bay.advance(4.0)
    assert bay.now_s == 10.0
    assert bay.witness.discharged_ah == charge


def test_what_is_not_known_is_refused_by_name() -> None:
    bay = simple(stiff())
    bay.loads[0].mode = "voltage"
    with pytest.raises(ValueError, match="load 1: found mode 'voltage'"):
        bay.touch(1.0)
    with pytest.raises(ValueError, match="no place 'outside'"):
        bay.temperature_c("outside")


def test_probes_follow_their_places() -> None:
    bay = on(simple(at_soc(plover(), 0.9), loads=[LoadState(current_a=60.0)]))
    bay.advance(30.0)
    joint, middle = bay.temperature_c("joint"), bay.temperature_c("middle")
    assert joint > middle > bay.temperature_c("ambient") == 23.0
    assert bay.temperature_c("connector") > 23.0
    assert middle < bay.temperature_c("surface") < bay.temperature_c("core")


def test_meter_errors_are_repeatable_and_additive() -> None:
    assert Meter().read(3.141592) == 3.141592
    assert Meter(gain=1e-3, offset=0.01).read(10.0) == pytest.approx(10.02)
    assert Meter(resolution=0.01).read(3.14159) == pytest.approx(3.14)
    one, two = Meter(noise=0.1, seed=7), Meter(noise=0.1, seed=7)
    readings = [one.read(5.0) for _ in range(2000)]
    assert readings == [two.read(5.0) for _ in range(2000)]
    assert sum(readings) / 2000 == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize("scenario", demo_bench(), ids=lambda scenario: scenario.name)
def test_a_demo_pack_charges_from_storage_to_balanced_full(scenario: BayScenario) -> None:
    """0.5C to 4.20 V a group, C/20 taper; all groups then rest within 30 mV of full (common practice)."""
    bay = scenario.build()
    supply = bay.supply
    assert supply is not None
    supply.voltage_v, supply.current_a = 25.2, 2.5
    bay.touch(0.0)
    assert bay.switch_supply(True, 0.0)
    now_s = 0.0
    while bay.supply_current_a() > 0.25:
        now_s += 10.0
        bay.advance(now_s)
    assert 1.0 * 3600 < now_s < 2.5 * 3600
    assert max(bay.groups_v()) < 4.25
    assert bay.witness.charged_ah == pytest.approx(0.6 * scenario.pack.cell.capacity_ah, rel=0.03)
    bay.switch_supply(False, now_s)
    bay.advance(now_s + 1800.0)
    assert all(4.17 < volts < 4.21 for volts in bay.groups_v())
    assert abs(bay.temperature_c("middle") - 23.0) < 2.0


def test_the_demo_bench_is_whole() -> None:
    bench = demo_bench()
    assert [(bay.name, bay.pack.name) for bay in bench] == [
        ("left", "Heron"),
        ("middle", "Plover"),
        ("right", "Tern"),
    ]
    serials = [item.serial for bay in bench for item in bay.instruments]
    assert len(serials) == len(set(serials))
    for scenario in bench:
        bay = scenario.build(start_s=1000.0)
        roles = [item.role for item in scenario.instruments]
        assert len(bay.loads) == roles.count("load") == (2 if scenario.name == "right" else 1)
        assert {"supply", "cells", "temperature"} <= set(roles)
        scanner = next(item for item in scenario.instruments if item.role == "cells")
        assert len(scanner.channels) == len(scenario.pack.groups)
        # Storage charge: it has to be charged before a test.
        assert all(3.5 < volts < 3.9 for volts in bay.groups_v())
        assert bay.now_s == 1000.0
        assert bay.journal == []
        for item in scenario.instruments:
            for quantity, (_, _, _, resolution) in item.meters:
                assert item.meter(quantity, seed=1).resolution == resolution
    # Accuracy declared for the demo's loads: 0.05 % + 0.02 % of 150 V, 0.1 % + 0.05 % of 120 A.
    load = bench[0].instruments[0]
    for true_v in (10.0, 25.0):
        assert abs(load.meter("voltage", seed=3).read(true_v) - true_v) < 0.0005 * true_v + 0.03
    for true_a in (0.0, 25.0, 90.0):
        assert abs(load.meter("current", seed=3).read(true_a) - true_a) < 0.001 * true_a + 0.06
