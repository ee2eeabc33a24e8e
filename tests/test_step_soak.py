"""The soak: everything off until the pack is as warm as its surroundings, or as a target."""

import math
from dataclasses import replace
from typing import Any

import pytest

from benchwarden.profiles.plan import PlanRefused, work_out
from benchwarden.profiles.profile import Profile
from benchwarden.profiles.steps import OFF, PlannedSoak, Seen, begin, decide
from tests.pretend_pack import PretendPack, heron, left_bay, play

CALM = Seen(0.0, 24.0, 0.0, (4.0,) * 6, 23.0, 23.0, 0.0, 0.0, "off", None, None)
SOAK = {"do": "soak", "within": "2 K", "at_most": "3 h", "hold": "5 min"}


def planned(bay: Any = None, **changes: Any) -> PlannedSoak:
    profile = Profile.model_validate({"title": "t", "step": [{**SOAK, **changes}]})
    step = work_out(profile, heron(), bay or left_bay()).steps[0]
    assert isinstance(step, PlannedSoak)
    return step


def test_it_soaks_as_long_as_newton_says_and_then_its_hold() -> None:
    # Newton's law of cooling, any heat-transfer text: t = τ ln(ΔT0 / ΔT), here 600 s × ln(20 / 2); then 300 s.
    played = play(planned(), PretendPack([2.0] * 6, temperature_c=43.0))
    assert played.time_s == pytest.approx(600 * math.log(10) + 300, abs=3)
    assert played.last.ended_by == "done"
    assert played.wants == [OFF]


def test_a_target_counts_from_both_sides() -> None:
    cold = PretendPack([2.0] * 6, temperature_c=5.0, ambient_c=20.0)
    played = play(planned(to="20 °C", within="1 K", hold="1 s"), cold)
    assert played.time_s == pytest.approx(600 * math.log(15), abs=3)


def test_what_leaves_the_range_begins_its_hold_anew() -> None:
    step = planned()
    state: Any = begin(step)
    for time_s, hottest_c in ((0.0, 24.0), (299.0, 26.0), (300.0, 24.0), (599.0, 24.0)):
        decision = decide(step, state, replace(CALM, step_time_s=time_s, hottest_c=hottest_c))
        assert decision.finished is None
        state = decision.state
    assert decide(step, state, replace(CALM, step_time_s=600.0)).finished is not None


@pytest.mark.parametrize(
    ("seen", "words"),
    [
        ({"hottest_c": 30.0}, "soak expired after 3 h: 7.0 K above ambient"),
        ({"hottest_c": 10.0}, "soak expired after 3 h: 13.0 K below ambient"),
        ({"hottest_c": None}, "soak expired after 3 h: no temperature of the pack"),
        ({"ambient_c": None}, "soak expired after 3 h: no temperature of the pack"),
    ],
)
def test_on_expiry_the_run_ends_safe(seen: Any, words: Any) -> None:
    step = planned()
    late = decide(step, begin(step), replace(CALM, step_time_s=3 * 3600.0, **seen))
    assert late.final
    assert late.flags == (words,)
    assert late.want == OFF


@pytest.mark.parametrize(
    ("bay", "words"),
    [
        (left_bay(temperature_places=("ambient",)), "has no sensor on it"),
        (left_bay(has_ambient=False, temperature_places=("middle",)), 'to = "ambient" needs a sensor at ambient'),
    ],
)
def test_a_bay_that_cannot_feel_it_is_refused(bay: Any, words: Any) -> None:
    with pytest.raises(PlanRefused, match=words):
        planned(bay)
