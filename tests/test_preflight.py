from typing import Any

import pytest

from benchwarden.profiles.plan import Plan, work_out
from benchwarden.profiles.preflight import check
from benchwarden.profiles.profile import read_profile
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
