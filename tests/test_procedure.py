"""A plan as it stands in run.json, in words: what it draws."""

from typing import Any

import pytest

from benchwarden.profiles.shipped import library_names
from benchwarden.results.procedure import draws_of
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
