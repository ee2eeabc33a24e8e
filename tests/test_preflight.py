from typing import Any

import pytest

from benchwarden.profiles.plan import Plan, work_out
from benchwarden.profiles.preflight import (
    Meter,
    Pulse,
    check,
    check_probes,
    check_pulse,
    meters_agree,
    pulse_current_a,
    ratings_fit,
    too_low_for_a_pulse,
)
from benchwarden.profiles.profile import Profile, read_profile
from benchwarden.profiles.quantity import Accuracy
from benchwarden.profiles.shipped import library_text
from tests.pretend_pack import heron, left_bay


def plan(**bay: object) -> Plan:
    return work_out(read_profile(library_text("capacity")), heron(), left_bay(**bay))


GOOD = (3.7, 3.71, 3.7, 3.69, 3.7, 3.7)


def test_a_good_pack_has_no_problem() -> None:
    assert check(GOOD, sum(GOOD), plan()) == []
    assert check(GOOD, sum(GOOD), plan(taps="cumulative")) == []


@pytest.mark.parametrize(("off_v", "bad"), [(0.110, False), (0.113, True), (-0.113, True)])
def test_the_sum_of_groups_is_the_pack(off_v: Any, bad: Any) -> None:
    # max(0.5 % of 22.2 V, 30 mV) = 111 mV, by hand.
    problems = check(GOOD, sum(GOOD) + off_v, plan())
    assert any("sum of groups" in words for words in problems) is bad


@pytest.mark.parametrize(
    ("groups_v", "pack_v", "words"),
    [
        ((*GOOD[:5], None), 22.2, "group 6: no reading"),
        ((*GOOD[:5], 0.02), 22.2, "group 6: 0.020 V; its tap is not connected"),
        ((*GOOD[:5], -3.7), 22.2, "group 6: -3.700 V; its taps are the wrong way round"),
        ((*GOOD[:5], 4.26), 22.7, "group 6: 4.260 V, outside 2.20 to 4.25 V"),
        ((*GOOD[:5], 2.19), 20.6, "group 6: 2.190 V, outside"),
        (GOOD[:4], 14.8, "taps: 4 groups answer; pack Heron has 6"),
        ((*GOOD, 3.7), 25.9, "taps: 7 groups answer"),
        (GOOD, -22.2, "the wrong way round"),
        (GOOD, 0.01, "no pack is connected"),
        (GOOD, None, "pack voltage: no reading"),
        (GOOD, 30.0, "right would be 13.20 to 25.50 V for 6 groups"),
        ((3.7, 7.4, 11.1, 14.8, 18.5, 22.2), 22.2, "the taps look cumulative"),
    ],
)
def test_problems_are_told_in_words(groups_v: Any, pack_v: Any, words: Any) -> None:
    problems = check(groups_v, pack_v, plan())
    assert any(words in problem for problem in problems), problems


def test_cumulative_taps_must_step_up() -> None:
    problems = check((3.7, 3.7, -0.2, 7.6, 3.7, 3.7), 22.2, plan(taps="cumulative"))
    assert any("group 3: tap 3 is -0.200 V above the one below it; taps must step up" in words for words in problems)


def test_nan_is_outside_every_range() -> None:
    assert check((*GOOD[:5], float("nan")), 22.2, plan())
    assert check(GOOD, float("nan"), plan())


def test_without_a_meter_for_groups_only_the_pack_is_judged() -> None:
    bay = {"group_channels": 0, "charge": "operator"}
    assert check((), 22.2, plan(**bay)) == []
    assert len(check((), 5.0, plan(**bay))) == 1


# Several meters on one pack, ratings, probes.

LOAD = Accuracy(0.0005, 0.030, "V")


@pytest.mark.parametrize(
    ("other_v", "accuracy", "problem"),
    [
        # 20 mV, the load's 0.05 % of 22.2 V + 30 mV, the voltmeter's 0.01 % + 2 mV: 65.3 mV, by hand.
        (22.265, Accuracy(0.0001, 0.002, "V"), False),
        (22.266, Accuracy(0.0001, 0.002, "V"), True),
        (22.134, Accuracy(0.0001, 0.002, "V"), True),
        # Without an accuracy 0.5 % + 30 mV stand in: 61.1 + 141 mV more or less.
        (22.400, None, False),
        (22.410, None, True),
        (None, None, True),
    ],
)
def test_meters_on_one_pack_agree(other_v: Any, accuracy: Any, problem: Any) -> None:
    problems = meters_agree([Meter("load", 22.2, LOAD), Meter("voltmeter", other_v, accuracy)])
    assert bool(problems) is problem
    assert all("voltmeter" in words for words in problems)


def test_a_supply_behind_an_open_relay_sees_nothing_and_is_not_judged() -> None:
    load = Meter("load", 22.2, LOAD)
    assert meters_agree([load, Meter("supply", 0.01, None, isolated=True)]) == []
    assert meters_agree([load, Meter("supply", None, None, isolated=True)]) == []
    assert len(meters_agree([load, Meter("supply", 19.0, None, isolated=True)])) == 1


def test_along_the_path_a_current_drops_voltage() -> None:
    meters = [Meter("load", 22.0, LOAD), Meter("voltmeter", 22.110, LOAD)]
    assert len(meters_agree(meters)) == 1
    assert meters_agree(meters, -10.0, 0.005) == []


def test_what_the_bench_file_promises_the_instrument_can_do() -> None:
    stated = {"current_a": 120.0, "power_w": 3000.0, "voltage_v": 150.0}
    assert ratings_fit("left load", stated, {}) == []
    assert ratings_fit("left load", stated, {"current_a": 120.0, "power_w": 5000.0}) == []
    assert ratings_fit("left load", {"current_a": 60.0, "power_w": None}, {"current_a": 120.0, "power_w": 1.0}) == []
    [words] = ratings_fit("left load", stated, {"current_a": 60.0, "power_w": 3000.0})
    assert words == "left load: the bench file says 120 A, the instrument itself 60 A at most"


@pytest.mark.parametrize(
    ("probes_c", "words"),
    [
        ({"middle": 23.0, "joint": 24.0, "ambient": 22.0}, None),
        ({"middle": 25.0, "ambient": 22.0}, None),
        ({"middle": 25.1, "ambient": 22.0}, "probe middle: 25.1 °C, ambient 22.0 °C"),
        ({"middle": 18.9, "ambient": 22.0}, "probe middle: 18.9 °C"),
        ({"middle": 23.0, "joint": 27.0}, "probe joint: 27.0 °C, the coolest probe 23.0 °C"),
        ({"middle": None, "ambient": 22.0}, "probe middle: no value; it is open or shorted"),
        ({"middle": float("nan"), "ambient": 22.0}, "probe middle: no value"),
        ({"middle": -127.0, "ambient": 22.0}, "probe middle: -127 °C; it is open or shorted"),
        ({"middle": 151.0, "ambient": 22.0}, "probe middle: 151 °C; it is open or shorted"),
        ({"middle": 85.0, "ambient": 22.0}, "probe middle: 85.0 °C exactly"),
        ({"ambient": 22.0}, "none is on the pack"),
        ({}, "none is on the pack"),
    ],
)
def test_probes_of_a_rested_pack(probes_c: Any, words: Any) -> None:
    """Fault 67; 85.0 and -127 are what a common digital sensor answers without a measurement (from memory)."""
    problems = check_probes(probes_c)
    if words is None:
        assert problems == []
    else:
        assert any(words in problem for problem in problems), problems


def test_every_bad_probe_is_named_at_once() -> None:
    assert len(check_probes({"middle": None, "joint": -127.0, "connector": 85.0, "ambient": 22.0})) == 3


# The test pulse.


@pytest.mark.parametrize(
    ("step", "expected_a"),
    [
        ({"do": "discharge", "current": "20 A"}, 2.0),
        ({"do": "discharge", "power": "432 W"}, 2.0),  # 432 W / 21.6 V = 20 A
        ({"do": "discharge", "resistance": "1.08 ohm"}, 2.0),  # 21.6 V / 1.08 Ω = 20 A
        ({"do": "discharge", "current": "2 A"}, 0.5),
        ({"do": "discharge", "current": "0.3 A"}, 0.33),  # its own ceiling
        ({"do": "ladder", "from": "5C", "step": "1C", "to": "8C", "hold": "5 s", "rest": "120 s"}, 4.0),
        ({"do": "store"}, 0.5),
        ({"do": "charge", "current": "0.5C", "taper": "0.05C"}, None),
        ({"do": "rest", "at_least": "5 s"}, None),
    ],
)
def test_a_pulse_is_a_tenth_of_the_largest_draw(step: Any, expected_a: Any) -> None:
    if step["do"] == "discharge":
        step = {**step, "stop_at": {"group_voltage": "discharge cut-off"}}
    found = pulse_current_a(work_out(Profile.model_validate({"title": "t", "step": [step]}), heron(), left_bay()))
    assert found == (None if expected_a is None else pytest.approx(expected_a))


def test_an_empty_pack_is_not_drawn_from_for_a_test() -> None:
    # li-ion: 2.5 V and 0.2 V of margin.
    assert too_low_for_a_pulse((2.7,) * 6, 16.2, plan()) == ""
    assert "a group rests at 2.690 V" in too_low_for_a_pulse((2.69, *(3.0,) * 5), 17.69, plan())
    assert "2.667 V" in too_low_for_a_pulse((), 16.0, plan())
    assert too_low_for_a_pulse((), None, plan())


def pulse(**changes: Any) -> Pulse:
    # 2.5 A from 6 groups of 10 mΩ.
    values: dict[str, Any] = {
        "set_a": 2.5,
        "before_v": 22.2,
        "in_v": 22.05,
        "in_a": -2.5,
        "groups_before_v": (3.7,) * 6,
        "groups_in_v": (3.675,) * 6,
        **changes,
    }
    return Pulse(**values)


def test_a_good_pulse_tells_the_resistance() -> None:
    assert check_pulse(pulse(), plan(), 0.12) == []
    assert pulse().ohm == pytest.approx(0.060)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"in_a": -2.68}, "2.5 A were set, measured 2.680 A"),  # 2 % and 0.12 A: 2.67 A at most
        ({"in_a": -2.32}, "2.5 A were set, measured 2.320 A"),
        ({"in_a": 2.5}, "measured -2.500 A"),
        ({"in_a": -0.0025}, "measured 0.003 A"),  # milliamperes taken for amperes
        ({"in_v": 22.25}, "the pack rose by 50.0 mV under load"),
        ({"in_v": 20.6}, "the pack's resistance is 640.0 mΩ; right would be 1.2 to 600 mΩ for 6 groups"),
        ({"before_v": 22.2, "in_v": 22.1999, "set_a": 10.0, "in_a": -10.0}, "resistance is 0.0 mΩ"),
        ({"groups_in_v": (*(3.675,) * 5, 3.7)}, "group 6 went from 3.7000 to 3.7000 V; it must sag"),
        ({"groups_in_v": (*(3.675,) * 5, None)}, "group 6 could not be read"),
        ({"in_v": None}, "could not be read"),
        ({"in_a": None}, "could not be read"),
        ({"voltmeter_v": 22.2}, "the voltmeter reads 22.200 V, the load 22.050 V"),
    ],
)
def test_what_a_pulse_shows(changes: Any, words: Any) -> None:
    """Fault 66; 0.2 to 100 mΩ for each group: common practice, no source."""
    problems = check_pulse(pulse(**changes), plan(), 0.12, (LOAD, Accuracy(0.0001, 0.002, "V")), 0.005)
    assert any(words in problem for problem in problems), problems


def test_a_pack_of_little_resistance_may_sag_less_than_its_meters_jitter() -> None:
    small = pulse(set_a=0.5, in_a=-0.5, in_v=22.199, groups_in_v=(3.7002,) * 6)  # 1.2 mΩ in all: 0.6 mV
    assert check_pulse(small, plan(), 0.12) == []
