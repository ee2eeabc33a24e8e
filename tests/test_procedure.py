"""A plan as it stands in run.json, in words: what it draws, and its repeats folded."""

from typing import Any

import pytest

from benchwarden.profiles.shipped import library_names
from benchwarden.results.procedure import draws_of, folded_steps, steps_of
from tests.test_page_words import plan_of


@pytest.mark.parametrize(
    ("profile", "drawn"),
    [
        ("standard", ["540 W (5C)", "bursts of 25 A (5C) to 55 A (11C)"]),
        ("resistance", ["1 A (0.2C)", "1 A (0.2C), at once 5 A (1C)"]),
        ("pulse-power", ["pulses of 5 A (1C), 15 A (3C)"]),
        ("flight", ["power as recorded, at most 475.2 W (4.4C)"]),
        ("cycle-life", ["5 A (1C)"]),
        ("storage", []),
    ],
)
def test_what_a_plan_draws_is_told_in_units_and_relative_to_the_pack(profile: str, drawn: list[str]) -> None:
    assert draws_of(plan_of(profile)) == drawn


@pytest.mark.parametrize("profile", library_names())
def test_every_shipped_profile_that_draws_for_a_figure_says_so(profile: str) -> None:
    plan = plan_of(profile)
    assert bool(draws_of(plan)) == any(step["kind"] in ("discharge", "ladder", "pulse") for step in plan["steps"])


@pytest.mark.parametrize(
    "plan",
    [{}, {"steps": "none"}, {"steps": [{"kind": "discharge"}, {"kind": "ladder", "rungs": []}, {"kind": "pulse"}, 7]}],
)
def test_a_plan_changed_by_hand_says_nothing(plan: dict[str, Any]) -> None:
    assert draws_of(plan) == []


def test_without_a_nominal_voltage_there_is_no_multiple() -> None:
    step = {"kind": "discharge", "quantity": "power", "level": 555.0}
    assert draws_of({"steps": [step], "pack": {"rated_capacity_ah": 5.0}}) == ["555 W"]


def test_of_a_repeat_only_the_first_cycle_is_told_and_how_often() -> None:
    plan = plan_of("cycle-life")
    steps = folded_steps(plan)
    assert len(steps_of(plan)) == 402
    assert [step["number"] for step in steps] == [1, 2, 3, 4, 401, 402]
    assert [step["number"] for step in steps if step["repeated"]] == [4]
    assert steps[3]["repeated"] == (
        "steps 1 to 4 are done 100 times (to step 400), no cycle begins after 672 h, or once the last discharge "
        "delivered below 80 % of the first cycle's"
    )


@pytest.mark.parametrize("profile", library_names())
def test_a_plan_without_a_repeat_is_told_whole(profile: str) -> None:
    plan = plan_of(profile)
    assert (len(folded_steps(plan)) < len(steps_of(plan))) == bool(plan["repeats"])


@pytest.mark.parametrize("repeats", [None, 7, [7], [{"place": 2}], [{"place": 1, "times": 3}]])
def test_a_repeat_that_says_nothing_of_itself_is_folded_without_words(repeats: Any) -> None:
    steps = [{"number": number, "kind": "rest", "cycle": [1, number]} for number in (1, 2)]
    assert [step["repeated"] for step in folded_steps({"steps": steps, "repeats": repeats})] == [""]
