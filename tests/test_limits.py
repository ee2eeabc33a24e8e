"""What may flow in each state of a bay: drawing while it should rest is as wrong as drawing too much."""

import pytest

from benchwarden.daemon.running.limits import limits_by_state
from benchwarden.daemon.safety import Limits, State, judge, watch_from
from benchwarden.profiles.plan import PlanLimits
from benchwarden.results.sample import Reading

PLAN = PlanLimits(
    group_low_v=2.2,
    group_high_v=4.25,
    pack_low_v=13.2,
    pack_high_v=25.5,
    max_draw_a=16.6,
    max_feed_a=2.75,
    temperature_high_c=80.0,
    temperature_low_c=-20.0,
)
ROLES = ("load", "supply", "cells", "temperature", "voltmeter")
BY_STATE = limits_by_state(PLAN, 6, ("middle", "ambient"), ROLES, {"load": 0.12, "supply": 0.05})


def verdict(limits: Limits, role: str, **values: float) -> str | None:
    breach = judge(limits, watch_from(limits, 0.0), Reading(role, 0.0, values))[1]
    return breach.why if breach else None


@pytest.mark.parametrize(
    ("state", "load_a", "supply_a", "fine"),
    [
        (State.READY, -0.1, 0.04, True),
        (State.READY, -0.2, 0.0, False),
        (State.READY, 0.0, 0.1, False),
        (State.DRAWING, -16.5, 0.0, True),
        (State.DRAWING, -16.7, 0.0, False),
        (State.DRAWING, 0.2, 0.0, False),  # a load that charges: its sign, or its wiring, is wrong
        (State.DRAWING, -10.0, 0.1, False),
        (State.DRAWING, -10.0, -0.1, False),  # the pack feeds back into the supply
        (State.FEEDING, 0.0, 2.7, True),
        (State.FEEDING, 0.0, 2.8, False),
        (State.FEEDING, 0.0, -0.1, False),
        (State.FEEDING, -0.2, 2.0, False),
    ],
)
def test_what_may_flow(state: State, load_a: float, supply_a: float, fine: bool) -> None:
    limits = BY_STATE[state]
    load = verdict(limits, "load", voltage_v=21.6, current_a=load_a)
    supply = verdict(limits, "supply", voltage_v=21.6, current_a=supply_a)
    assert (load is None and supply is None) is fine


def test_voltages_and_temperatures_are_the_same_in_every_state() -> None:
    assert set(BY_STATE) == {State.READY, State.DRAWING, State.FEEDING}
    rest = [{key: limit for key, limit in limits.items() if key[1] != "current_a"} for limits in BY_STATE.values()]
    assert rest[0] == rest[1] == rest[2]
    assert {key for key in rest[0] if key[0] == "cells"} == {("cells", f"group_{n}_v") for n in range(1, 7)}
    assert rest[0]["cells", "group_3_v"].blind_s == 3.0
    assert rest[0]["temperature", "middle_c"].blind_s == 10.0
    assert rest[0]["temperature", "ambient_c"].high == 60.0


def test_every_limit_is_hard_and_finite() -> None:
    for limits in BY_STATE.values():
        for limit in limits.values():
            assert limit.hard
            assert -1e6 < limit.low < limit.high < 1e6
            assert 0.0 < limit.blind_s <= 10.0


def test_a_bay_with_a_load_alone_has_the_load_s_limits_alone() -> None:
    by_state = limits_by_state(PLAN, 6, (), ("load",), {"load": 0.12})
    assert set(by_state[State.DRAWING]) == {("load", "voltage_v"), ("load", "current_a")}
    assert by_state[State.FEEDING] == by_state[State.READY]
