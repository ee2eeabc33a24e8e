import json
from dataclasses import replace
from typing import Any

import pytest

from benchwarden.profiles.pack import Pack, resolved
from benchwarden.profiles.plan import Plan, PlanRefused, describe, plan_as_data, work_out
from benchwarden.profiles.profile import Profile, read_profile
from benchwarden.profiles.shipped import library_text
from benchwarden.profiles.steps import PlannedCharge, PlannedDischarge, PlannedLadder, PlannedRest, PlannedStore
from tests.pretend_pack import heron, left_bay


def shipped(name: str) -> Profile:
    return read_profile(library_text(name), name)


def one(step: dict[str, object]) -> Profile:
    return Profile.model_validate({"title": "t", "step": [step]})


def reasons(profile: Profile, pack: Pack | None = None, **bay: object) -> list[str]:
    with pytest.raises(PlanRefused) as caught:
        work_out(profile, pack or heron(), left_bay(**bay))
    return caught.value.reasons


CUT_OFF = {"group_voltage": "discharge cut-off"}
LADDER = {"do": "ladder", "from": "5C", "step": "1C", "hold": "5 s", "rest": "120 s"}


def test_the_standard_plan_in_absolute_numbers() -> None:
    plan = work_out(shipped("standard"), heron(), left_bay())
    charge, _, discharge, _, _, _, ladder, _, store, watch = plan.steps
    assert isinstance(charge, PlannedCharge)
    assert (charge.current_a, charge.taper_a, charge.method) == (2.5, 0.25, "supply")
    assert isinstance(discharge, PlannedDischarge)
    # By hand: 5 × 5 Ah / h × 6 × 3.6 V = 540 W; 1.1 × 540 W / (6 × 2.5 V) = 39.6 A; 6 × 2.2 V = 13.2 V.
    assert (discharge.level, discharge.ceiling_a, discharge.trip_voltage_v) == (540.0, 39.6, 13.2)
    # 5 Ah × 21.6 V = 108 Wh at 540 W last 720 s; half as long again, and a minute.
    assert discharge.timer_s == 1.5 * 720 + 60
    assert isinstance(ladder, PlannedLadder)
    # 90 A / 5 Ah = 18C: rungs at 5C … 18C.
    assert [rung.rate_c for rung in ladder.rungs] == list(range(5, 19))
    assert ladder.bound == "max burst"
    assert isinstance(store, PlannedStore)
    assert (store.draw_a, store.storage_v, store.timer_s) == (5.0, 3.65, 5460.0)
    assert isinstance(watch, PlannedRest)
    assert (watch.number, watch.at_least_s, watch.at_most_s) == (10, 1800.0, None)
    limits = plan.limits
    assert (limits.group_low_v, limits.group_high_v) == (2.2, 4.25)
    assert (limits.pack_low_v, limits.pack_high_v) == (13.2, 25.5)
    assert limits.max_draw_a == pytest.approx(1.05 * 99)
    assert limits.max_feed_a == pytest.approx(1.05 * 2.5)
    assert limits.temperature_high_c == 80


@pytest.mark.parametrize(
    ("amount", "timer_s"),
    [
        # By hand: 5 Ah at 2.5 A last 2 h; at 3 Ω and the cut-off of 15 V 5 A flow, an hour; 10 min are the step's own.
        ({"current": "0.5C"}, 1.5 * 7200 + 60),
        ({"resistance": "3 ohm"}, 1.5 * 3600 + 60),
        ({"current": "0.5C", "at_most": "10 min"}, 660.0),
    ],
)
def test_the_load_s_own_timer_outlasts_the_rated_charge_by_half(amount: dict[str, object], timer_s: float) -> None:
    plan = work_out(one({"do": "discharge", "stop_at": CUT_OFF, **amount}), heron(), left_bay())
    step = plan.steps[0]
    assert isinstance(step, PlannedDischarge)
    assert step.timer_s == pytest.approx(timer_s)


def test_the_standard_test_takes_the_time_the_trade_expects() -> None:
    # Common practice, no source: 6 to 8 h for charge, capacity, charge, ladder and store.
    plan = work_out(shipped("standard"), heron(), left_bay())
    assert 6 * 3600 < plan.estimate_s - plan.steps[-1].estimate_s < 8.5 * 3600


@pytest.mark.parametrize(
    ("bay", "pack", "step", "bound", "highest_c"),
    [
        ({"load_max_current_a": 62.0}, {}, {}, "load current", 12),
        ({"load_max_power_w": 1500.0}, {}, {}, "load power", 11),
        ({}, {}, {"to": "9C"}, "profile", 9),
        ({}, {"max_burst": "45 A for 5 s"}, {}, "max burst", 9),
        ({}, {"max_burst": "90 A for 3 s"}, {}, "max discharge (max burst is for a shorter hold)", 9),
        ({}, {}, {"to": "40 A"}, "profile", 8),
    ],
)
def test_a_ladder_goes_to_the_smallest_bound_and_names_it(
    bay: Any, pack: Any, step: Any, bound: Any, highest_c: Any
) -> None:
    plan = work_out(one({**LADDER, **step}), heron(**pack), left_bay(**bay))
    ladder = plan.steps[0]
    assert isinstance(ladder, PlannedLadder)
    assert ladder.bound == bound
    assert ladder.rungs[-1].rate_c == highest_c
    assert all(rung.ceiling_a <= left_bay(**bay).load_max_current_a for rung in ladder.rungs)


@pytest.mark.parametrize(
    ("step", "bay", "pack", "words"),
    [
        ({"do": "discharge", "power": "5C"}, {"load_max_current_a": 39.0}, {}, "ceiling of 39.6 A"),
        ({"do": "discharge", "power": "5C"}, {"load_max_power_w": 500.0}, {}, "above the load's 500 W"),
        ({"do": "discharge", "power": "5C"}, {}, {"max_discharge": "30 A"}, "above the pack's max discharge 30 A"),
        ({"do": "discharge", "current": "46 A"}, {}, {}, "above the pack's max discharge 45 A"),
        ({"do": "discharge", "resistance": "0.5 ohm"}, {}, {}, "0.5 ohm is 50.4 A"),
        ({"do": "discharge", "current": "1C"}, {"load_min_voltage_v": 16.0}, {}, "goes down to 15 V"),
        ({"do": "discharge", "current": "1C"}, {"load_max_voltage_v": 25.0}, {}, "25.2 V are above the load's 25 V"),
        ({"do": "discharge", "current": "1C", "stop_at": {"group_voltage": "2.3 V"}}, {}, {}, "within 0.2 V"),
        ({"do": "discharge", "current": "1C", "stop_at": {"group_voltage": "4.2 V"}}, {}, {}, "not below a full"),
        (
            {"do": "discharge", "current": "1C", "stop_at": {**CUT_OFF, "temperature": "76 °C"}},
            {},
            {},
            "within 5 K of the limit 80 °C",
        ),
        ({"do": "charge", "current": "2C", "taper": "0.05C"}, {}, {}, "above the pack's max charge 5 A"),
        (
            {"do": "charge", "current": "1C", "taper": "0.05C"},
            {"supply_max_current_a": 4.0},
            {},
            "above the supply's 4 A",
        ),
        (
            {"do": "charge", "current": "1C", "taper": "0.05C"},
            {"supply_max_voltage_v": 24.0},
            {},
            "above the supply's 24 V",
        ),
        (
            {"do": "charge", "current": "1C", "taper": "0.05C"},
            {"has_supply": False},
            {},
            'right would be charge = "operator"',
        ),
        ({"do": "charge", "current": "1C", "taper": "0.05C"}, {"group_channels": 0}, {}, "cannot balance"),
        ({"do": "charge", "current": "1C", "taper": "1C"}, {}, {}, "taper 5 A is not below"),
        (
            {"do": "charge", "current": "1C", "taper": "0.05C"},
            {},
            {"chemistry": "nimh", "max_charge": None},
            "nimh is not charged here",
        ),
        ({"do": "store"}, {}, {"chemistry": "nimh", "max_charge": None}, "stored charged"),
        (
            {"do": "rest", "at_least": "1 min", "until_within": "2 K", "at_most": "1 h"},
            {"has_ambient": False},
            {},
            "needs a sensor at ambient",
        ),
        (LADDER, {}, {"max_burst": None, "max_discharge": "20 A"}, "first burst 25 A is above the max burst of 20 A"),
        ({**LADDER, "step": "0.01C"}, {}, {}, "take larger steps"),
        ({"do": "discharge", "current": "1C"}, {"group_channels": 4}, {}, "4 group channels for a pack of 6 groups"),
        ({"do": "discharge", "current": "1C"}, {"temperature_places": ("ambient",)}, {}, "no temperature sensor"),
        ({"do": "discharge", "current": "1C"}, {"charge": "wind"}, {}, "charge = 'wind'"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(step: Any, bay: Any, pack: Any, words: Any) -> None:
    if step["do"] == "discharge" and "stop_at" not in step:
        step = {**step, "stop_at": CUT_OFF}
    told = reasons(one(step), heron(**pack), **bay)
    assert any(words in reason for reason in told), told


def test_every_reason_is_told_at_once_with_its_step() -> None:
    told = reasons(
        shipped("standard"), heron(max_discharge="30 A", max_burst=None), supply_max_current_a=1.0, group_channels=5
    )
    assert sum("5 group channels" in reason for reason in told) == 1
    for start in ("step 1 charge", "step 3 discharge", "step 5 charge"):
        assert any(reason.startswith(start) for reason in told), told


def test_without_groups_a_plan_says_what_is_not_seen() -> None:
    profile = one({"do": "discharge", "current": "1C", "stop_at": CUT_OFF})
    plan = work_out(profile, heron(), left_bay(group_channels=0))
    assert any("a weak group unseen" in note for note in plan.notes)


def test_a_plan_is_plain_data() -> None:
    plan = work_out(shipped("standard"), heron(), left_bay())
    data = plan_as_data(plan)
    again = json.loads(json.dumps(data, allow_nan=False))
    assert [step["kind"] for step in again["steps"]] == [step.kind for step in plan.steps]
    assert again["steps"][2]["level"] == 540.0
    assert again["fingerprint"] == plan.fingerprint


def test_a_plan_is_described_in_absolute_figures() -> None:
    text = "\n".join(describe(work_out(shipped("standard"), heron(), left_bay())))
    for words in (
        "540 W",
        "39.60 A",
        "13.20 V",
        "25 A, 30 A",
        "bounded by max burst",
        "until within 2 K",
        "3.65 V per",
    ):
        assert words in text
    assert "discharge cut off 2.50 V per group: default, not from the data sheet" in text


def test_operator_charge_is_planned_and_described() -> None:
    bay = left_bay(charge="operator", has_supply=False, supply_max_current_a=None, supply_max_voltage_v=None)
    plan = work_out(shipped("capacity"), heron(), bay)
    assert plan.limits.max_feed_a == 0.0
    assert any("by the operator" in line for line in describe(plan))


SODIUM = {
    "charge_voltage": "3.95 V",
    "nominal_voltage": "3.0 V",
    "discharge_cut_off": "1.8 V",
    "ladder_floor": "1.8 V",
    "hard_low": "1.5 V",
    "hard_high": "4.05 V",
}


@pytest.mark.parametrize("name", ["burst", "capacity", "standard"])
@pytest.mark.parametrize("series", [1, 4, 6, 12])
@pytest.mark.parametrize("chemistry", ["li-ion", "lipo", "li-hv", "lifepo4", "na-ion", "nimh"])
@pytest.mark.parametrize("charge", ["supply", "operator"])
def test_every_shipped_profile_gives_a_plan_or_reasons(name: Any, series: Any, chemistry: Any, charge: Any) -> None:
    changes = SODIUM if chemistry == "na-ion" else {"max_charge": None} if chemistry == "nimh" else {}
    pack = heron(chemistry=chemistry, series=series, **changes)
    bay = left_bay(group_channels=series, charge=charge)
    try:
        plan: Plan | None = work_out(shipped(name), pack, bay)
        told = []
    except PlanRefused as refused:
        plan, told = None, refused.reasons
    if chemistry == "nimh":
        assert told
        assert "is not charged here" in told[0]
        return
    assert plan is not None, told
    v = plan.pack
    for step in plan.steps:
        if isinstance(step, PlannedDischarge):
            assert step.level == pytest.approx(25 * series * v.nominal_v)
            assert step.ceiling_a == pytest.approx(1.1 * step.level / (series * v.discharge_cut_off_v), rel=1e-6)
        if isinstance(step, PlannedLadder):
            assert step.rungs[-1].current_a * series * v.top_v <= bay.load_max_power_w
        if isinstance(step, PlannedRest):
            assert step.estimate_s >= step.at_least_s
        assert step.estimate_s > 0
    assert describe(plan)


def test_a_profile_never_widens_a_limit() -> None:
    # A cut-off right at what is allowed leaves the limits where the pack has them.
    stop_at = {"group_voltage": "2.4 V", "temperature": "75 °C"}
    step: dict[str, object] = {"do": "discharge", "current": "1C", "stop_at": stop_at}
    plan = work_out(one(step), heron(), left_bay())
    assert (plan.limits.group_low_v, plan.limits.temperature_high_c) == (2.2, 80)


def test_capacity_at_a_fifth_of_rated_follows_the_standard() -> None:
    # IEC 61960-3:2017, 7.3.1 (from memory): rated capacity is tested at 0.2 It to the end voltage; It = rated / 1 h
    # (IEC 62619:2017, 7.1, note 1). A 5 Ah pack: 1 A, and five hours.
    plan = work_out(
        Profile.model_validate(
            {
                "title": "t",
                "step": [
                    {"do": "charge", "current": "0.5C", "taper": "0.05C"},
                    {"do": "discharge", "current": "0.2C", "stop_at": CUT_OFF},
                ],
            }
        ),
        heron(),
        left_bay(),
    )
    step = plan.steps[1]
    assert isinstance(step, PlannedDischarge)
    assert step.level == 1.0
    assert step.estimate_s == pytest.approx(5 * 3600, rel=0.06)


def test_a_plan_cannot_be_changed() -> None:
    plan = work_out(shipped("capacity"), heron(), left_bay())
    with pytest.raises(AttributeError):
        plan.limits.max_draw_a = 1e9  # type: ignore[misc]
    assert replace(plan, title="other").fingerprint == plan.fingerprint


@pytest.mark.parametrize(
    ("after", "watch_s"),
    [
        ([], 1800.0),
        ([{"do": "rest", "at_least": "10 min"}], 1200.0),
        ([{"do": "rest", "at_least": "10 min"}, {"do": "rest", "at_least": "20 min"}], None),
        ([{"do": "rest", "at_least": "30 min"}], None),
        ([{"do": "ask", "text": "Cool?"}], 1800.0),  # an answer may come at once
        ([{"do": "rest", "at_least": "30 min"}, {"do": "ask", "text": "Cool?"}], None),
    ],
)
def test_the_pack_is_watched_for_half_an_hour_after_the_last_current(after: Any, watch_s: Any) -> None:
    """Fault 67: cells heat on after the cut-off."""
    draw = {"do": "discharge", "power": "5C", "stop_at": CUT_OFF}
    profile = Profile.model_validate({"title": "t", "step": [draw, *after]})
    plan = work_out(profile, heron(), left_bay())
    assert len(plan.steps) == 1 + len(after) + (watch_s is not None)
    if watch_s is not None:
        watch = plan.steps[-1]
        assert isinstance(watch, PlannedRest)
        assert (watch.number, watch.title, watch.at_least_s) == (
            len(plan.steps),
            "watch after the last current",
            watch_s,
        )
        assert any("watch after the last current" in line for line in describe(plan))
    assert len(plan.fingerprint_parts["steps"]) <= 1 + len(after)  # what is only watched decides nothing


def test_a_plan_in_which_nothing_flows_is_not_watched() -> None:
    assert len(work_out(one({"do": "rest", "at_least": "5 s"}), heron(), left_bay()).steps) == 1


def test_a_pack_without_a_mass_is_judged_as_the_lightest_of_its_kind_and_the_plan_says_so() -> None:
    def notes(**changes: object) -> list[str]:
        plan = work_out(shipped("capacity"), heron(**changes), left_bay())
        return [note for note in plan.notes if "mass" in note]

    assert notes() == []
    assert notes(mass=None) == [
        "no mass in the pack file: whether a probe fell off is not judged, and whether the pack warms by itself as if "
        "it weighed 245 g, half of what is typical of li-ion"  # 5 Ah × 21.6 V ÷ 220 Wh/kg ÷ 2
    ]
    assert heron().mass_kg == resolved(heron()).lightest_kg == 0.452


LEAST = {"max_charge": None, "max_discharge": None, "max_burst": None}
PULSES = {"do": "pulse", "method": "series", "hold": "5 s"}


@pytest.mark.parametrize(
    ("step", "given", "words", "default"),
    [
        ({"do": "discharge", "power": "5C", "stop_at": CUT_OFF}, {}, "max discharge 5 A", ("1C", "max_discharge")),
        ({**PULSES, "levels": ["2C"]}, {}, "max discharge 5 A", ("1C", "max_discharge")),
        ({**PULSES, "levels": ["9C"]}, {"max_burst": "40 A for 5 s"}, "max burst 40 A", ()),
        (LADDER, {}, "max burst of 5 A", ("as max discharge", "max_burst")),
        ({"do": "charge", "current": "1C", "taper": "0.05C"}, {}, "max charge 2.5 A", ("half of C", "max_charge")),
        ({"do": "discharge", "power": "7C", "stop_at": CUT_OFF}, {"max_discharge": "30 A"}, "discharge 30 A", ()),
    ],
)
def test_a_refusal_says_where_a_limit_is_only_a_default_and_which_key_says_it(
    step: Any, given: Any, words: str, default: tuple[str, ...]
) -> None:
    """A pack file of four lines, as `pack new` writes it where nothing else is answered."""
    told = "\n".join(reasons(one(step), heron(**{**LEAST, **given})))
    assert words in told
    if default:
        assert f"which is a default ({default[0]}); right would be {default[1]} in the pack file" in told
    else:
        assert "default" not in told
