import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.pack import Pack
from benchwarden.profiles.plan import work_out
from benchwarden.profiles.profile import Profile
from benchwarden.profiles.step_charge import governed_v
from benchwarden.profiles.steps import (
    OFF,
    Draw,
    Feed,
    Off,
    PlannedAsk,
    PlannedCharge,
    PlannedDischarge,
    PlannedLadder,
    PlannedRest,
    PlannedStep,
    PlannedStore,
    Question,
    Seen,
    begin,
    decide,
)
from tests.pretend_pack import PretendPack, heron, left_bay, play


def planned(step: Mapping[str, object], bay: BayAbilities | None = None, pack: Pack | None = None) -> PlannedStep:
    profile = Profile.model_validate({"title": "t", "ambient": "23 ± 5 °C", "step": [step]})
    return work_out(profile, pack or heron(), bay or left_bay()).steps[0]


REST = {"do": "rest", "at_least": "30 min", "until_within": "2 K", "at_most": "3 h"}
DISCHARGE = {"do": "discharge", "power": "5C", "stop_at": {"group_voltage": "discharge cut-off"}}
LADDER = {"do": "ladder", "from": "5C", "step": "1C", "hold": "5 s", "rest": "120 s"}
CHARGE = {"do": "charge", "current": "0.5C", "taper": "0.05C"}
STORE = {"do": "store"}
ASK = {"do": "ask", "text": "Is the pack strapped down?", "answers": ["yes"]}

CALM = Seen(0.0, 24.0, 0.0, (4.0,) * 6, 23.0, 23.0, 0.0, 0.0, "off", None, None)


# Rest and ask


def test_rest_waits_for_its_time_and_then_for_the_temperature() -> None:
    step = planned(REST)
    assert isinstance(step, PlannedRest)
    early = decide(step, begin(step), replace(CALM, step_time_s=1799.5))
    assert early.finished is None
    assert early.next_s == pytest.approx(0.5), "the next beat is the end of the time asked"
    warm = decide(step, begin(step), replace(CALM, step_time_s=1800.0, hottest_c=25.1))
    assert warm.finished is None
    done = decide(step, begin(step), replace(CALM, step_time_s=1800.0, hottest_c=25.0))
    assert done.finished == "rested 30 min, hottest sensor at 25.0 °C"
    assert not done.final


def test_rest_cools_as_newton_says() -> None:
    pack = PretendPack([2.0] * 6, temperature_c=63.0)
    played = play(planned({**REST, "at_least": "60 s"}), pack)
    # Newton's law of cooling, any heat-transfer text: t = τ ln(ΔT0 / ΔT).
    assert played.time_s == pytest.approx(600 * math.log(40 / 2), abs=2)


def test_rest_that_expires_ends_the_run_safe_and_says_how_far_it_was() -> None:
    step = planned(REST)
    late = decide(step, begin(step), replace(CALM, step_time_s=3 * 3600.0, hottest_c=27.1))
    assert late.final
    assert late.flags == ("rest expired after 3 h: pack still 4.1 K above ambient",)
    blind = decide(step, begin(step), replace(CALM, step_time_s=3 * 3600.0, hottest_c=None))
    assert blind.final
    assert "no temperature" in blind.flags[0]


def test_a_missing_temperature_never_ends_a_rest_before_its_time() -> None:
    step = planned(REST)
    for seen in (replace(CALM, hottest_c=None), replace(CALM, ambient_c=None)):
        assert decide(step, begin(step), replace(seen, step_time_s=7200.0)).finished is None


def test_a_pack_colder_than_ambient_is_not_ready_either() -> None:
    step = planned(REST)
    cold = replace(CALM, step_time_s=3 * 3600.0, hottest_c=19.0)
    assert decide(step, begin(step), cold).flags == ("rest expired after 3 h: pack still 4.0 K below ambient",)


def test_rest_until_below() -> None:
    step = planned({"do": "rest", "at_least": "60 s", "until_below": "35 °C", "at_most": "1 h"})
    assert decide(step, begin(step), replace(CALM, step_time_s=60.0, hottest_c=35.0)).finished is None
    assert decide(step, begin(step), replace(CALM, step_time_s=60.0, hottest_c=34.9)).finished is not None


def test_ask_waits_for_one_of_its_answers() -> None:
    step = planned(ASK)
    assert isinstance(step, PlannedAsk)
    first = decide(step, begin(step), CALM)
    assert first.want == Question("Is the pack strapped down?", ("yes",))
    assert decide(step, begin(step), replace(CALM, answer="no")).finished is None
    assert decide(step, begin(step), replace(CALM, answer="yes")).finished is not None


# Discharge


def test_discharge_at_constant_current_delivers_what_the_arithmetic_says() -> None:
    step = planned({"do": "discharge", "current": "1C", "stop_at": {"group_voltage": "3.3 V"}})
    assert isinstance(step, PlannedDischarge)
    pack = PretendPack([5.0] * 6, warm_k_per_joule=0.0)
    played = play(step, pack)
    # V = 3 + 1.2 q/5 - I (R + Rslow) = 3.3 at I = 5 A: q = 5 × (0.3 + 0.025) / 1.2, by hand.
    assert played.discharging_ah == pytest.approx(5.0 - 5 * (0.3 + 5 * 0.005) / 1.2, abs=5 / 3600 * 1.5)
    assert played.last.ended_by == "cut-off"
    assert played.last.finished is not None
    assert played.last.finished.startswith("lowest group 1 at 3.")
    # 5 Ah at 5 A last an hour; the load's own timer ends it after one and a half, and a minute.
    assert played.wants == [Draw("current", 5.0, 5.5, 13.2, 1.5 * 3600 + 60), OFF]


def test_discharge_stops_at_the_weak_group_and_names_it() -> None:
    pack = PretendPack([5.0, 5.0, 4.7, 5.0, 5.0, 5.0])
    played = play(planned({**DISCHARGE, "stop_at": {"group_voltage": "3.2 V"}}), pack)
    assert played.last.finished is not None
    assert played.last.finished.startswith("lowest group 3 at ")
    assert "cut-off 3.200 V" in played.last.finished
    assert played.lowest_v > 3.19, "one second at this current is less than 10 mV"


def test_power_discharge_has_its_ceiling_by_the_rule() -> None:
    step = planned(DISCHARGE)
    assert isinstance(step, PlannedDischarge)
    assert step.level == pytest.approx(5 * 5 * 6 * 3.6)
    assert step.ceiling_a == pytest.approx(1.1 * 540 / 15)


def test_discharge_ended_by_temperature_reads_at_least() -> None:
    played = play(planned(DISCHARGE), PretendPack([5.0] * 6, warm_k_per_joule=0.02))
    assert played.last.ended_by == "temperature"
    assert any("at least" in flag for flag in played.flags)


def test_a_missing_value_ends_no_discharge() -> None:
    step = planned(DISCHARGE)
    on = replace(CALM, output="load", since_on_s=5.0, step_time_s=5.0, current_a=-25.0)
    for seen in (
        replace(on, groups_v=(None,) * 6, voltage_v=9.0),
        replace(on, voltage_v=None, current_a=None, hottest_c=None),
    ):
        assert decide(step, begin(step), seen).finished is None


def test_without_group_channels_the_mean_group_decides() -> None:
    step = planned(DISCHARGE, left_bay(group_channels=0))
    on = replace(CALM, output="load", since_on_s=5.0, step_time_s=5.0, groups_v=())
    assert decide(step, begin(step), replace(on, voltage_v=15.01)).finished is None
    ended = decide(step, begin(step), replace(on, voltage_v=15.0)).finished
    assert ended == "mean group at 2.500 V, discharge cut-off 2.500 V"


@pytest.mark.parametrize(
    ("low_v", "flagged", "refused"), [(4.16, True, False), (4.18, False, False), (4.05, True, True)]
)
@pytest.mark.parametrize("what", [DISCHARGE, LADDER])
def test_groups_that_rest_apart_are_flagged_or_refused(what: Any, low_v: Any, flagged: Any, refused: Any) -> None:
    step = planned(what)
    first = decide(step, begin(step), replace(CALM, groups_v=(4.2, 4.2, 4.2, low_v, 4.2, 4.2)))
    assert any("group 4 was not full" in flag for flag in first.flags) is flagged
    assert first.final is refused
    assert isinstance(first.want, Draw) is not refused


@pytest.mark.parametrize("what", [DISCHARGE, LADDER])
def test_nothing_is_drawn_before_the_groups_are_read_at_rest(what: Any) -> None:
    step = planned(what)
    first = decide(step, begin(step), replace(CALM, groups_v=(4.2, 4.2, None, 4.05, 4.2, 4.2)))
    assert (first.want, first.finished) == (OFF, None)
    second = decide(step, first.state, replace(CALM, groups_v=(4.2, 4.2, 4.2, 4.05, 4.2, 4.2)))
    assert second.final
    assert "group 4 was not full" in second.flags[0]


def test_ambient_outside_the_profile_is_flagged_once() -> None:
    step = planned(DISCHARGE)
    first = decide(step, begin(step), replace(CALM, ambient_c=31.0))
    assert first.flags == ("ambient 31.0 °C is outside 18 to 28 °C",)
    assert decide(step, first.state, replace(CALM, ambient_c=31.0)).flags == ()


def test_a_discharge_that_takes_too_long_reads_at_least() -> None:
    step = planned({**DISCHARGE, "at_most": "10 min"})
    near = decide(step, begin(step), replace(CALM, output="load", since_on_s=599.8, step_time_s=599.8))
    assert near.next_s == pytest.approx(0.2), "the next beat is the end of the time allowed"
    late = decide(step, begin(step), replace(CALM, output="load", since_on_s=600.0, step_time_s=600.0))
    assert late.ended_by == "time"
    assert late.finished == "not at its cut-off after 10 min"
    assert "at least" in late.flags[0]


def test_a_pack_that_is_already_empty_is_not_drawn_from() -> None:
    step = planned(DISCHARGE)
    first = decide(step, begin(step), replace(CALM, groups_v=(2.45,) * 6))
    assert (first.want, first.ended_by) == (OFF, "not possible")
    assert "before the load went on" in first.flags[0]


@pytest.mark.parametrize(("quantity", "level"), [("power", "540 W"), ("resistance", "1 ohm")])
def test_the_other_quantities_reach_the_cut_off_too(quantity: str, level: str) -> None:
    pack = PretendPack([5.0] * 6)
    played = play(planned({"do": "discharge", quantity: level, "stop_at": {"group_voltage": "3.2 V"}}), pack)
    assert played.last.ended_by == "cut-off"
    assert len(played.wants) == 2, "one set-point, then off"


# Ladder


def test_ladder_holds_each_burst_exactly_and_rests_between() -> None:
    step = planned({**LADDER, "to": "7C"})
    assert isinstance(step, PlannedLadder)
    played = play(step, PretendPack([5.0] * 6))
    assert played.phases == ["burst 1: 25.0 A", "rest 1", "burst 2: 30.0 A", "rest 2", "burst 3: 35.0 A"]
    assert played.time_s == pytest.approx(3 * 5 + 2 * 120, abs=1e-6)
    # Coulombs by hand: (25 + 30 + 35) A × 5 s.
    assert played.discharging_ah * 3600 == pytest.approx(450, rel=1e-9)
    records = played.last.state.records  # type: ignore[attr-defined]
    assert [record.held for record in records] == [True] * 3
    assert [record.mean_current_a for record in records] == pytest.approx([25, 30, 35])
    assert played.last.ended_by == "bound"
    assert "at least: the ladder was bounded by profile" in played.flags
    assert played.wants[0] == Draw("current", 25.0, 27.5, 13.2, 6.0)


def test_a_hold_that_is_no_multiple_of_the_beat_is_held_exactly() -> None:
    played = play(planned({**LADDER, "to": "5C", "hold": "1.25 s"}), PretendPack([5.0] * 6))
    assert played.time_s == pytest.approx(1.25, abs=1e-9)


def test_ladder_ends_at_the_floor_and_that_burst_is_not_held() -> None:
    played = play(planned({**LADDER, "floor": "3.3 V"}), PretendPack([5.0] * 6, ohm=0.015))
    records = played.last.state.records  # type: ignore[attr-defined]
    # 4.2 - I × (15 mΩ + what the slow pair adds in 5 s) meets 3.3 V between 50 and 60 A, by hand.
    assert records[-1].held is False
    assert all(record.held for record in records[:-1])
    assert 50 <= records[-1].current_a <= 60
    assert played.last.ended_by == "cut-off"
    assert not any("at least" in flag for flag in played.flags)


def test_ladder_without_group_voltage_in_the_last_second_is_not_judged() -> None:
    step = planned({**LADDER, "to": "6C"})
    state = decide(step, begin(step), CALM).state
    burst = replace(CALM, output="load", since_on_s=1.0, step_time_s=1.0, current_a=-25.0, voltage_v=23.0)
    state = decide(step, state, burst).state
    blind = replace(burst, since_on_s=5.0, step_time_s=5.0, groups_v=(None,) * 6)
    decision = decide(step, state, blind)
    assert decision.finished is None
    assert decision.state.records[0].held is False  # type: ignore[attr-defined]
    assert "no group voltage" in decision.flags[0]


def test_a_ladder_that_gets_too_warm_reads_at_least() -> None:
    played = play(planned(LADDER), PretendPack([5.0] * 6, warm_k_per_joule=0.03))
    assert played.last.ended_by == "temperature"
    assert "at least: the ladder was ended by temperature" in played.flags


# Charge


def test_supply_charge_of_an_even_pack_against_the_closed_form() -> None:
    step = planned({"do": "charge", "current": "1C", "taper": "0.05C"})
    assert isinstance(step, PlannedCharge)
    pack = PretendPack([0.0] * 6, ohm=0.03, slow_ohm=0.0, warm_k_per_joule=0.0)
    played = play(step, pack)
    # CC-CV into a straight open-circuit voltage, closed form: V0 3.0 V, 1.2 V over 5 Ah, R 30 mΩ, 5 A to 4.2 V, taper
    # 0.25 A: 3150 s + 450 s × ln 20 and 4.96875 Ah.
    assert played.charging_ah == pytest.approx(4.96875, rel=2e-3)
    assert played.time_s == pytest.approx(3150 + 450 * math.log(20), rel=0.02)
    assert played.highest_v <= 4.2 + 0.001
    assert played.last.ended_by == "done"
    assert played.set_points < 20, "the supply is not written to at every beat"


def test_charge_is_governed_by_the_highest_group() -> None:
    pack = PretendPack([1.0, 1.0, 1.3, 1.0, 1.0, 1.0])
    played = play(planned(CHARGE), pack)
    assert played.highest_v <= 4.2 + 0.002
    assert played.last.finished is not None
    assert played.last.finished.startswith("highest group 3 at 4.")
    assert pack.open_v(2) == pytest.approx(4.2, abs=0.02)
    assert pack.open_v(0) == pytest.approx(4.2 - 0.3 * 1.2 / 5, abs=0.02)


def test_the_set_point_follows_the_highest_group_near_full_and_stays_put_before() -> None:
    def seen(voltage_v: float, highest_v: float) -> Seen:
        return replace(CALM, voltage_v=voltage_v, groups_v=(highest_v,) + (4.0,) * 5)

    assert governed_v(seen(24.0, 4.0), 6, 4.2, None) == 25.2
    # By hand: 24.19 V + 6 × (4.2 - 4.19) V = 24.25 V.
    assert governed_v(seen(24.19, 4.19), 6, 4.2, 25.2) == 24.25
    assert governed_v(seen(24.19, 4.19), 6, 4.2, 24.2559) == 24.2559, "within a millivolt per group"
    assert governed_v(seen(24.1, 4.1), 6, 4.2, 25.2) == 25.2, "far from full the current governs"
    assert governed_v(seen(24.1, 4.1), 6, 4.2, 24.3) == 24.7, "but a set-point that is too low is raised"
    assert governed_v(seen(25.3, 4.0), 6, 4.2, None) == 25.2, "never above six full groups"
    assert governed_v(seen(-30.0, 4.0), 6, 4.2, None) is None


def test_one_beat_at_the_taper_is_not_enough() -> None:
    step = planned(CHARGE)
    full = replace(
        CALM, output="supply", since_on_s=50.0, step_time_s=50.0, current_a=0.2, groups_v=(4.2,) * 6, voltage_v=25.2
    )
    one = decide(step, decide(step, begin(step), CALM).state, full)
    assert one.finished is None
    back = decide(step, one.state, replace(full, current_a=0.3))
    assert decide(step, back.state, full).finished is None
    assert decide(step, one.state, full).finished == (
        "highest group 1 at 4.200 V and the current below the taper 0.25 A"
    )


def test_a_pack_around_fifteen_degrees_does_not_flap() -> None:
    step = planned({"do": "charge", "current": "1C", "taper": "0.05C"})
    currents = []
    state: object = begin(step)
    for degrees_c in (14.9, 15.5, 14.9, 16.1, 15.5, 15.1):
        decision = decide(step, state, replace(CALM, hottest_c=degrees_c))
        state = decision.state
        assert isinstance(decision.want, Feed)
        currents.append(decision.want.current_a)
    assert currents == [2.5, 2.5, 2.5, 5.0, 5.0, 5.0]


def test_charge_waits_for_the_temperature_and_goes_slowly_in_the_cold() -> None:
    step = planned({"do": "charge", "current": "1C", "taper": "0.05C"})
    hot = decide(step, begin(step), replace(CALM, hottest_c=41.0))
    assert (hot.want, hot.phase) == (OFF, "waiting: pack at 41.0 °C; charges from 10 to 40 °C")
    assert decide(step, begin(step), replace(CALM, hottest_c=None)).want == OFF
    cold = decide(step, begin(step), replace(CALM, hottest_c=12.0)).want
    assert isinstance(cold, Feed)
    assert cold.current_a == 2.5
    warm = decide(step, begin(step), replace(CALM, hottest_c=20.0)).want
    assert isinstance(warm, Feed)
    assert warm.current_a == 5.0


def test_a_charge_that_never_gets_into_its_temperature_ends_the_run() -> None:
    pack = PretendPack([3.0] * 6, temperature_c=45.0, ambient_c=45.0)
    played = play(planned({**CHARGE, "at_most": "1 h"}), pack)
    assert played.last.final
    assert played.time_s == pytest.approx(3600)
    assert played.wants == [OFF]


def test_without_a_pack_voltage_nothing_is_fed() -> None:
    step = planned(CHARGE)
    first = decide(step, begin(step), replace(CALM, voltage_v=None))
    assert first.want == OFF
    assert first.finished is None


def test_missing_values_neither_end_a_charge_nor_move_its_set_point() -> None:
    step = planned(CHARGE)
    first = decide(step, begin(step), CALM)
    gone = replace(
        CALM,
        output="supply",
        since_on_s=9.0,
        step_time_s=9.0,
        voltage_v=None,
        current_a=None,
        groups_v=(None,) * 6,
        hottest_c=None,
    )
    decision = first
    for _ in range(100):
        decision = decide(step, decision.state, gone)
        assert (decision.want, decision.finished) == (first.want, None)


def test_charge_pauses_when_too_warm() -> None:
    step = planned(CHARGE)
    state = decide(step, begin(step), CALM).state
    on = replace(CALM, output="supply", since_on_s=100.0, step_time_s=100.0, current_a=2.5)
    assert isinstance(decide(step, state, replace(on, hottest_c=44.9)).want, Feed)
    paused = decide(step, state, replace(on, hottest_c=45.1))
    assert paused.want == OFF
    assert paused.flags == ("charge paused at 45.1 °C",)
    assert decide(step, paused.state, replace(CALM, hottest_c=41.0)).want == OFF
    assert isinstance(decide(step, paused.state, replace(CALM, hottest_c=39.0)).want, Feed)


def test_an_overcharge_ends_the_run() -> None:
    step = planned(CHARGE)
    state = decide(step, begin(step), CALM).state
    on = replace(CALM, output="supply", since_on_s=100.0, step_time_s=100.0, current_a=2.5, charging_ah=5.51)
    decision = decide(step, state, on)
    assert decision.final
    assert decision.want == OFF
    assert "1.1 × 5 Ah rated" in decision.flags[0]


def a_charge(*, there: bool) -> PlannedCharge:
    step = planned(CHARGE)
    assert isinstance(step, PlannedCharge)
    return replace(step, may_recover=there)


def test_a_group_that_is_too_low_is_charged_slowly_for_half_an_hour_at_most() -> None:
    step = a_charge(there=True)
    low = replace(CALM, groups_v=(3.0, 2.4, 3.0, 3.0, 3.0, 3.0), voltage_v=17.4)
    first = decide(step, begin(step), low)
    assert isinstance(first.want, Feed)
    assert first.want.current_a == 0.5
    assert "lowest group 2 rests at 2.400 V" in first.flags[0]
    on = replace(low, output="supply", since_on_s=1799.0, step_time_s=1799.0, current_a=0.5)
    assert decide(step, first.state, on).finished is None
    assert decide(step, first.state, replace(on, step_time_s=1801.0)).final
    well = decide(step, first.state, replace(on, groups_v=(3.0, 2.6, 3.0, 3.0, 3.0, 3.0), voltage_v=17.6)).want
    assert isinstance(well, Feed)
    assert well.current_a == 2.5


@pytest.mark.parametrize(
    ("lowest_v", "there", "charged", "words"),
    [
        (2.60, False, True, ""),
        (2.49, False, False, "below 2.50 V it is charged only while somebody is beside it"),
        (2.00, False, False, "somebody is beside it"),
        (2.00, True, True, ""),
        (1.99, True, False, "below 2.00 V it is never charged"),
        (1.99, False, False, "below 2.00 V it is never charged"),
    ],
)
def test_who_may_charge_a_group_that_rests_too_low(lowest_v: float, there: bool, charged: bool, words: str) -> None:
    step = a_charge(there=there)
    low = replace(CALM, groups_v=(3.0, lowest_v, 3.0, 3.0, 3.0, 3.0), voltage_v=15.0 + lowest_v)
    decision = decide(step, begin(step), low)
    assert isinstance(decision.want, Feed) == charged
    assert decision.final != charged
    assert words in (decision.finished or "")


def test_a_supply_that_stops_short_of_full_is_told() -> None:
    step = planned(CHARGE)
    decision = decide(step, begin(step), CALM)
    for second in range(3, 200):
        seen = replace(
            CALM,
            output="supply",
            since_on_s=float(second),
            step_time_s=float(second),
            current_a=0.0,
            groups_v=(3.9,) * 6,
            voltage_v=23.4,
        )
        decision = decide(step, decision.state, seen)
        if decision.finished is not None:
            break
    assert decision.final
    assert "highest group 1 at 3.900 V of 4.20 V" in decision.flags[0]


def test_operator_charge_is_accepted_only_when_every_group_is_full() -> None:
    step = planned(CHARGE, left_bay(charge="operator", has_supply=False, supply_max_current_a=None))
    first = decide(step, begin(step), CALM)
    assert isinstance(first.want, Question)
    assert "4.20 V per group" in first.want.text
    early = decide(step, first.state, replace(CALM, groups_v=(4.2, 4.2, 4.2, 4.2, 4.2, 4.16), answer="done"))
    assert early.finished is None
    assert early.flags == ("answered done, but group 6 is at 4.160 V, not within 30 mV of 4.20 V",)
    assert early.want != first.want, "a new question, so that the old answer does not count"
    blind = decide(step, early.state, replace(CALM, groups_v=(4.2, None, 4.2, 4.2, 4.2, 4.2), answer="done"))
    assert blind.finished is None
    good = decide(step, early.state, replace(CALM, groups_v=(4.19,) * 6, answer="done"))
    assert good.ended_by == "done"


# Store


@pytest.mark.parametrize("charge_ah", [0.3, 1.5, 2.7, 4.9])
def test_store_leaves_the_pack_at_its_rest_voltage_from_either_side(charge_ah: Any) -> None:
    pack = PretendPack([charge_ah] * 6, ohm=0.01, slow_ohm=0.01, slow_s=120.0)
    played = play(planned(STORE), pack)
    pack.wait(3600)
    assert played.last.ended_by == "done"
    assert pack.open_v(0) == pytest.approx(3.65, abs=0.03)
    assert played.time_s < 1.5 * 3600, "a few approaches, not dozens"
    kinds = {type(want) for want in played.wants} - {Off}
    assert kinds <= ({Draw} if charge_ah > 2.7 else {Feed}), "never drawn too far, never charged too far"


def test_store_without_a_supply_flags_a_pack_that_is_too_low() -> None:
    step = planned(STORE, left_bay(charge="operator", has_supply=False, supply_max_current_a=None))
    played = play(step, PretendPack([1.0] * 6))
    assert "the bay has no supply" in played.flags[0]
    assert played.wants == [OFF]


IRON = {"chemistry": "lifepo4"}


@pytest.mark.parametrize(("since_full_ah", "charge_ah"), [(0.0, 5.0), (1.0, 4.0), (4.5, 0.5)])
def test_store_by_counted_charge(since_full_ah: Any, charge_ah: Any) -> None:
    pack = PretendPack([charge_ah] * 6, low_v=2.9, high_v=3.4)
    played = play(planned(STORE, pack=heron(**IRON)), pack, since_full_ah=since_full_ah)
    assert played.last.ended_by == "done"
    assert pack.charge_ah[0] == pytest.approx(2.0, abs=0.01)


def test_store_stops_at_the_cut_off_and_at_its_time() -> None:
    step = planned(STORE, pack=heron(**IRON))
    low = decide(step, begin(step, 0.0), replace(CALM, groups_v=(3.3, 2.4, 3.3, 3.3, 3.3, 3.3)))
    assert (low.want, low.ended_by) == (OFF, "cut-off")
    late = decide(step, begin(step, 0.0), replace(CALM, step_time_s=6 * 3600.0))
    assert late.flags == ("not at storage after 6 h",)


def test_store_waits_with_a_charge_until_the_pack_is_warm_enough() -> None:
    played = play(planned({**STORE, "at_most": "1 h"}), PretendPack([1.0] * 6, temperature_c=5.0, ambient_c=5.0))
    assert any("pack at 5.0 °C; charges from 10 to 40" in phase for phase in played.phases)
    assert played.wants == [OFF]


def test_store_by_counted_charge_without_a_count_does_nothing() -> None:
    played = play(planned(STORE, pack=heron(**IRON)), PretendPack([5.0] * 6, low_v=2.9, high_v=3.4))
    assert "not known" in played.flags[0]
    assert played.wants == [OFF]


def test_storing_never_charges_a_group_that_rests_too_low_nor_too_much_nor_too_warm() -> None:
    step = planned(STORE)
    state: object = begin(step)
    low = replace(CALM, groups_v=(3.0, 2.4, 3.0, 3.0, 3.0, 3.0), voltage_v=17.4, step_time_s=60.0)
    refused = decide(step, state, low)
    assert (refused.want, refused.ended_by) == (OFF, "not possible")
    assert "lowest group 2 rests at 2.400 V, too low to be charged here" in refused.flags[0]
    fine = replace(low, groups_v=(3.0,) * 6, voltage_v=18.0)
    feeding = decide(step, state, fine)
    assert isinstance(feeding.want, Feed)
    on = replace(fine, output="supply", since_on_s=60.0, step_time_s=120.0, current_a=2.5)
    # Started at 40 °C at most, it goes on to 45 °C, and pauses above.
    assert isinstance(decide(step, feeding.state, replace(on, hottest_c=45.0)).want, Feed)
    paused = decide(step, feeding.state, replace(on, hottest_c=45.1))
    assert (paused.want, paused.finished) == (OFF, None)
    over = decide(step, feeding.state, replace(on, charging_ah=5.51))
    assert (over.want, over.final) == (OFF, True)
    assert "1.1 × 5 Ah rated" in over.flags[0]


# Any sight


EVERY = [
    planned(what, bay, pack)
    for what in (REST, DISCHARGE, LADDER, CHARGE, STORE, ASK)
    for bay in (left_bay(), left_bay(charge="operator", has_supply=False, supply_max_current_a=None))
    for pack in (heron(), heron(**IRON))
]
VOLTS = st.one_of(st.none(), st.floats(-1.0, 5.0))
DEGREES = st.one_of(st.none(), st.floats(-40.0, 120.0))


@st.composite
def sights(draw: st.DrawFn) -> Seen:
    output = draw(st.sampled_from(["off", "load", "supply"]))
    return Seen(
        draw(st.floats(0, 50_000)),
        draw(st.one_of(st.none(), st.floats(-1, 40))),
        draw(st.one_of(st.none(), st.floats(-100, 20))),
        draw(st.one_of(st.just(()), st.tuples(*[VOLTS] * 6))),
        draw(DEGREES),
        draw(DEGREES),
        draw(st.floats(0, 10)),
        draw(st.floats(0, 10)),
        output,
        None if output == "off" else draw(st.floats(0, 500)),
        draw(st.sampled_from([None, "done", "yes", "stop"])),
    )


@given(st.sampled_from(EVERY), st.lists(sights(), min_size=1, max_size=12), st.one_of(st.none(), st.floats(-5, 10)))
@settings(max_examples=300)
def test_no_sight_breaks_a_step_and_none_draws_from_an_empty_pack(
    step: Any, seen_one_after_another: Any, since_full_ah: Any
) -> None:
    state: object = begin(step, since_full_ah)
    for seen in seen_one_after_another:
        decision = decide(step, state, seen)
        assert 0 < decision.next_s <= 1.0
        known = [value for value in seen.groups_v if value is not None]
        match step:
            case PlannedDischarge() | PlannedStore():
                floor_v = step.cut_off_v
            case PlannedLadder():
                floor_v = step.floor_v
            case _:
                floor_v = math.inf
        if isinstance(decision.want, Draw):
            assert not known or min(known) > floor_v
            assert decision.want.level <= decision.want.ceiling_a or decision.want.quantity != "current"
            assert seen.hottest_c is None or seen.hottest_c < step.temperature_cut_off_c
        if isinstance(decision.want, Feed):
            assert 0 < decision.want.voltage_v <= step.series * step.full_v
        if decision.finished is not None:
            assert decision.want == OFF
            assert decision.ended_by
            return
        assert not decision.final
        state = decision.state


def test_a_state_of_another_kind_is_refused() -> None:
    rest, ladder = planned(REST), planned(LADDER)
    with pytest.raises(TypeError, match=r"step 1 \(ladder\)"):
        decide(ladder, begin(rest), CALM)
