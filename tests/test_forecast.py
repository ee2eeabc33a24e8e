"""What is expected of a plan against closed forms, and against whole runs of packs that are not as their files say."""

import math
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.daemon.forecast import START_SOC, forecast
from benchwarden.daemon.planning.typical import expected
from benchwarden.profiles.pack import Pack, read_pack, resolved
from benchwarden.profiles.plan import Plan, PlanRefused, work_out
from benchwarden.profiles.profile import Profile, read_profile
from benchwarden.profiles.shipped import library_names, library_text
from benchwarden.simulators.pack import CellModel, GroupModel, PackModel, ThermalModel
from benchwarden.simulators.scenario import demo_bench
from tests.pretend_pack import heron, left_bay
from tests.virtual_bench import on_virtual_time, run_test

AS_BUILT = Path(__file__).with_name("as_built.toml")
LEFT = demo_bench()[0]
PACK_FILES = {
    "li-ion": heron(),
    "lipo": heron(chemistry="lipo", mass="768 g", max_discharge="100 A", max_burst="110 A for 5 s"),
    "lifepo4": heron(chemistry="lifepo4", mass="820 g"),
}


def toml_of(pack: Pack) -> str:
    data = pack.model_dump(by_alias=True)
    burst = pack.max_burst
    assert burst is not None
    assert pack.mass_kg is not None
    return (
        f'name = "{pack.name}"\nchemistry = "{pack.chemistry}"\nseries = {pack.series}\n'
        f'rated_capacity = "{pack.rated_capacity_ah:g} Ah"\nmass = "{1e3 * pack.mass_kg:g} g"\n'
        f'max_charge = "{data["max_charge"]:g} A"\nmax_discharge = "{data["max_discharge"]:g} A"\n'
        f'max_burst = "{burst.current_a:g} A for {burst.hold_s:g} s"\n'
    )


def as_built(chemistry: str, start_soc: float, series: int = 6) -> PackModel:
    """The pack that truly lies on the bench: less capacity, more resistance, one group weaker still."""
    told = tomllib.loads(AS_BUILT.read_text("utf-8"))
    own: dict[str, Any] = told[chemistry]
    first, second = (tuple(pair) for pair in own["pairs"])
    cell = CellModel(
        chemistry,
        told["capacity_factor"] * own["capacity_ah"],
        tuple((soc, volts) for soc, volts in own["ocv_v"]),
        own["r0_ohm"],
        pairs=(first, second),
        activation_k=900.0,
    )
    even = GroupModel(soc=start_soc, resistance_factor=told["resistance_factor"])
    weak = told["weak"]
    groups = [even] * series
    groups[weak["group"] - 1] = GroupModel(
        soc=1.0 - (1.0 - start_soc) / weak["capacity_factor"],  # level with the others when full
        capacity_factor=weak["capacity_factor"],
        resistance_factor=told["resistance_factor"] * weak["resistance_factor"],
    )
    heat = 0.9 * own["mass_g"]
    return PackModel(
        chemistry,
        cell,
        tuple(groups),
        joints_ohm=(told["joint_ohm"],) * (series + 1),
        leads_ohm=told["leads_ohm"],
        thermal=ThermalModel(
            core_j_per_k=0.88 * heat,
            surface_j_per_k=0.12 * heat,
            core_to_surface_w_per_k=7.0,
            surface_to_ambient_w_per_k=own["surface_to_ambient_w_per_k"],
        ),
        mass_g=own["mass_g"],
    )


def planned(profile: str, pack: Pack, **bay: Any) -> Plan:
    text = library_text(profile) if profile in library_names() else profile
    return work_out(read_profile(text, "profile"), pack, left_bay(**bay))


CASES = [(profile, chemistry) for profile in library_names() for chemistry in PACK_FILES]
QUICK = (("capacity", "lifepo4"),)


@pytest.mark.parametrize(
    ("profile", "chemistry"),
    [case if case in QUICK else pytest.param(*case, marks=pytest.mark.endure) for case in CASES],
)
def test_a_run_takes_what_was_expected_of_the_pack_s_file(tmp_path: Path, profile: str, chemistry: str) -> None:
    """Within 25 %, though the pack has 8 % less charge, 30 % more resistance and one weak group."""
    pack = PACK_FILES[chemistry]
    toml = toml_of(pack)
    assert read_pack(toml) == pack
    # As shipped, but for the number of cycles: a hundred would be two weeks on any clock.
    text = library_text(profile).replace("times = 100", "times = 2")
    likely = forecast(planned(text, pack), pack)
    scenario = replace(LEFT, pack=as_built(chemistry, likely.start_soc))
    done = on_virtual_time(run_test(tmp_path, scenario, toml, text))
    assert done.ending.how == "finished", done.ending
    assert likely.ended_early == ""
    assert [step.number for step in likely.steps] == [step.count for step in done.run.steps()]
    took_s = done.run.samples[-1].test_time_s
    assert likely.duration_s == pytest.approx(took_s, rel=0.25)


DRAW = """
title = "t"
[[step]]
do = "discharge"
{}
stop_at = {{ group_voltage = "discharge cut-off" }}
"""


def test_a_constant_current_lasts_what_the_charge_above_the_cut_off_does() -> None:
    """A straight open-circuit voltage and one resistance: q = Q · (1 - share at which OCV - I·R meets the cut-off)."""
    pack = heron(
        chemistry="na-ion",
        charge_voltage="3.9 V",
        discharge_cut_off="2.0 V",
        ladder_floor="2.0 V",
        hard_low="1.5 V",
        hard_high="4.0 V",
        nominal_voltage="3.1 V",
    )
    plan = planned(DRAW.format('current = "1C"'), pack)
    likely = forecast(plan, pack)
    model = expected(pack, plan.pack, "fan", 1.0).model
    # Na-ion is drawn as a straight line from its cut-off to full; near its end the resistance is half as much again.
    (draw, _) = likely.steps
    ohm = model.cell.r0_ohm * 1.5 + sum(pair[0] for pair in model.cell.pairs)
    missing = 5.0 * ohm / (3.9 - 2.0)
    assert draw.drawn_ah == pytest.approx(5.0 * (1.0 - missing), rel=0.02)
    assert draw.duration_s == pytest.approx(draw.drawn_ah / 5.0 * 3600.0, rel=0.001)
    assert draw.ended_by == "cut-off"


def test_heat_is_what_the_resistance_makes_of_the_current() -> None:
    """I²·R·t with everything known: an hour at 1C, all resistances as they are at the pack's temperature."""
    pack = heron()
    plan = planned(DRAW.format('current = "1C"\nat_most = "20 min"'), pack)
    likely = forecast(plan, pack, edge_ohm=0.060)
    draw = likely.steps[0]
    assert draw.heat_wh == pytest.approx(5.0**2 * likely.resistance_ohm / 3.0, rel=0.15)
    # What an edge shows is four fifths of the whole; the rest builds up within a minute.
    assert likely.resistance_ohm == pytest.approx(0.060 / 0.8, rel=0.01)
    assert draw.drawn_wh == pytest.approx(draw.drawn_ah * 6 * 3.9, rel=0.05)


def test_a_rest_that_waits_for_the_pack_to_cool_is_listed_apart() -> None:
    """Newton's law of cooling: from the warmth of a hard discharge to within 2 K of ambient takes τ·ln(ΔT/2)."""
    rest = '\n[[step]]\ndo = "rest"\nat_least = "1 min"\nuntil_within = "2 K"\nat_most = "5 h"\n'
    pack = heron()
    plan = planned(DRAW.format('power = "5C"') + rest, pack, cooling="still air")
    draw, cooling, _ = forecast(plan, pack).steps
    model = expected(pack, plan.pack, "still air", 1.0).model.thermal
    tau_s = (model.core_j_per_k + model.surface_j_per_k) / model.surface_to_ambient_w_per_k
    assert cooling.duration_s == pytest.approx(tau_s * math.log((draw.hottest_c - 23.0) / 2.0), rel=0.15)
    assert cooling.cooling_s == pytest.approx(cooling.duration_s - 60.0, abs=15.0)
    assert draw.cooling_s == 0.0


def test_what_ends_the_run_early_is_said() -> None:
    pack = heron()
    plan = planned(
        DRAW.format('power = "5C"')
        + '[[step]]\ndo = "rest"\nat_least = "1 min"\nuntil_within = "0.1 K"\nat_most = "2 min"\n',
        pack,
    )
    likely = forecast(plan, pack)
    assert likely.ended_early.startswith("step 2 is likely to end the run: rest expired after 2 min: pack still")
    assert [step.number for step in likely.steps] == [1, 2]


def test_an_operator_s_charge_leaves_the_pack_full_and_takes_its_time() -> None:
    pack = heron()
    plan = planned("capacity", pack, charge="operator", has_supply=False)
    charge, _, draw, *_ = forecast(plan, pack).steps
    assert charge.duration_s >= 3600.0
    assert charge.charged_ah == 0.0
    assert draw.drawn_ah == pytest.approx(4.9, rel=0.05)


@pytest.mark.parametrize("chemistry", ["li-ion", "lipo", "li-hv", "lifepo4", "nimh"])
@pytest.mark.parametrize("series", [1, 4, 12])
def test_every_chemistry_and_size_has_a_course_that_ends(chemistry: str, series: int) -> None:
    more: dict[str, Any] = {"max_charge": None, "max_burst": None} if chemistry == "nimh" else {}
    pack = heron(chemistry=chemistry, series=series, **more)
    profile = DRAW.format('power = "2C"') if chemistry == "nimh" else "standard"
    plan = planned(profile, pack, group_channels=series, load_max_power_w=9000.0, load_min_voltage_v=0.5)
    likely = forecast(plan, pack)
    assert likely.ended_early == ""
    assert likely.points[-1].time_s == pytest.approx(likely.duration_s)
    assert all(math.isfinite(point.voltage_v) and point.lowest_group_v > 0 for point in likely.points)
    assert all(value.soc == START_SOC for value in expected(pack, resolved(pack), "box", START_SOC).model.groups)


CURRENTS = st.sampled_from(["0.2C", "0.5C", "1C", "2C", "3 A", "5C"])
TIMES = st.sampled_from(["10 s", "5 min", "30 min", "1 h"])
CUT_OFFS = st.fixed_dictionaries({"group_voltage": st.sampled_from(["discharge cut-off", "3.3 V"])})
STEPS = st.one_of(
    st.just({"do": "ask", "text": "Is it cool?"}),
    st.fixed_dictionaries({"do": st.just("rest"), "at_least": TIMES}),
    st.just({"do": "rest", "at_least": "1 min", "until_within": "1 K", "at_most": "2 h"}),
    st.fixed_dictionaries({"do": st.just("charge"), "current": CURRENTS, "taper": st.just("0.05C")}),
    st.fixed_dictionaries({"do": st.just("discharge"), "current": CURRENTS, "stop_at": CUT_OFFS}),
    st.fixed_dictionaries({"do": st.just("discharge"), "power": st.just("2C"), "stop_at": CUT_OFFS, "at_most": TIMES}),
    st.fixed_dictionaries({"do": st.just("discharge"), "resistance": st.just("4 ohm"), "stop_at": CUT_OFFS}),
    st.just({"do": "ladder", "from": "2C", "step": "1C", "hold": "5 s", "rest": "30 s"}),
    st.just({"do": "store"}),
)


@settings(max_examples=20)
@given(
    steps=st.lists(STEPS, min_size=1, max_size=4),
    chemistry=st.sampled_from(["li-ion", "lipo", "li-hv", "lifepo4"]),
    series=st.sampled_from([1, 4, 12]),
    capacity_ah=st.sampled_from([0.3, 5.0, 22.0]),
)
def test_any_plan_has_a_course_that_ends(
    steps: list[dict[str, Any]], chemistry: str, series: int, capacity_ah: float
) -> None:
    """Whatever is planned, every step ends, within what it may take."""
    profile = Profile.model_validate({"title": "t", "step": steps})
    most = {"max_discharge": "120 A", "max_burst": "120 A for 5 s"}
    pack = heron(chemistry=chemistry, series=series, rated_capacity=f"{capacity_ah} Ah", **most)
    try:
        plan = work_out(profile, pack, left_bay(group_channels=series, load_max_power_w=9000.0))
    except PlanRefused:
        return
    likely = forecast(plan, pack)
    for step, found in zip(plan.steps, likely.steps, strict=False):
        assert found.ended != "no end in sight"
        assert found.duration_s <= (getattr(step, "at_most_s", None) or math.inf) + 10.0
    assert likely.ended_early or len(likely.steps) == len(plan.steps)
