"""The table of states and events walked whole, and the judgement of readings: what is not a number is never fine."""

import math
from dataclasses import FrozenInstanceError, fields
from itertools import product

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from benchwarden.daemon.safety import (
    BURST_BLIND_S,
    SOFT_S,
    TABLE,
    VANISHED_S,
    Breach,
    Event,
    Heat,
    Limit,
    State,
    Watch,
    follow,
    is_off,
    judge,
    overdue,
    tightened,
    vanished,
    watch_from,
)
from benchwarden.results.sample import Reading

# Written out once more by hand: a pair that slips into the table must be added here, too.
NAMED = {
    (State.IDLE, Event.BEGIN): State.CHECKING,
    (State.CHECKING, Event.CHECKED): State.READY,
    (State.READY, Event.DRAW): State.DRAWING,
    (State.READY, Event.FEED): State.FEEDING,
    (State.DRAWING, Event.OPEN): State.OPENING,
    (State.FEEDING, Event.OPEN): State.OPENING,
    (State.OPENING, Event.OFF_CONFIRMED): State.READY,
    (State.READY, Event.FINISH): State.IDLE,
    (State.TRIPPED, Event.ACKNOWLEDGE): State.IDLE,
}
KEY = ("load", "voltage_v")
HARD = {KEY: Limit(13.2, 25.5, blind_s=3.0)}
SOFT = {KEY: Limit(13.2, 25.5, blind_s=3.0, hard=False)}
FINE = 21.6

numbers = st.floats(allow_nan=False, allow_infinity=False, width=32)
times = st.floats(0.0, 1e6)
# What instruments send where they have no value; SCPI-1999 7.2.1.4 names the two large ones.
NO_NUMBERS = [math.nan, math.inf, -math.inf, 9.9e37, -9.9e37, 9.91e37]


def reading(value: float | None, asked_s: float = 100.0) -> Reading:
    return Reading("load", asked_s, {"voltage_v": value})


@pytest.mark.parametrize(("state", "event"), list(product(State, Event)), ids=lambda one: one.name)
def test_every_pair_that_is_not_named_trips(state: State, event: Event) -> None:
    assert follow(state, event) is NAMED.get((state, event), State.TRIPPED)


def test_the_table_is_the_one_written_here() -> None:
    assert dict(TABLE) == NAMED


def test_on_is_reached_only_from_ready_and_left_only_by_off() -> None:
    for on, by in ((State.DRAWING, Event.DRAW), (State.FEEDING, Event.FEED)):
        assert [pair for pair, after in TABLE.items() if after is on] == [(State.READY, by)]
        assert {after for (state, _), after in TABLE.items() if state is on} == {State.OPENING}
    assert {after for (state, _), after in TABLE.items() if state is State.OPENING} == {State.READY}


def test_tripped_is_left_only_by_a_person() -> None:
    assert [event for event in Event if follow(State.TRIPPED, event) is not State.TRIPPED] == [Event.ACKNOWLEDGE]


@given(st.lists(st.sampled_from(Event), max_size=30))
def test_load_and_supply_are_never_neighbours(events: list[Event]) -> None:
    states = [State.IDLE]
    for event in events:
        states.append(follow(states[-1], event))
    for place, state in enumerate(states):
        if state is State.FEEDING:
            before = [one for one in states[:place] if one in (State.DRAWING, State.FEEDING, State.READY)]
            assert before[-1] is State.READY


@given(st.floats(13.2, 25.5), times)
def test_inside_is_fine_and_is_remembered(value: float, now_s: float) -> None:
    after, reason = judge(HARD, watch_from(HARD, 0.0), reading(value, now_s))
    assert reason is None
    assert after == {KEY: Watch(now_s)}


@pytest.mark.parametrize("value", [13.2, 25.5])
def test_the_limit_itself_is_fine(value: float) -> None:
    assert judge(HARD, watch_from(HARD, 99.0), reading(value))[1] is None


@given(numbers)
def test_a_hard_limit_trips_on_one_reading(value: float) -> None:
    assume(not 13.2 <= value <= 25.5)
    _, reason = judge(HARD, watch_from(HARD, 99.0), reading(value))
    assert reason == Breach(f"load voltage_v is {value:.4g}, allowed 13.2 to 25.5")


@pytest.mark.parametrize("value", [value for value in NO_NUMBERS if value == value])
@pytest.mark.parametrize("limits", [HARD, SOFT])
def test_an_overload_value_is_never_fine(value: float, limits: dict[tuple[str, str], Limit]) -> None:
    after, reason = judge(limits, watch_from(limits, 99.0), reading(value))
    assert reason is not None or after[KEY].outside_since_s is not None
    assert judge(limits, after, reading(value, 100.1))[1] is not None


@pytest.mark.parametrize("value", [None, math.nan])
@pytest.mark.parametrize("limits", [HARD, SOFT])
def test_what_is_missing_is_not_compared_and_runs_its_clock(
    value: float | None, limits: dict[tuple[str, str], Limit]
) -> None:
    watches = watch_from(limits, 100.0)
    after, reason = judge(limits, watches, reading(value, 103.0))
    assert (after, reason) == (watches, None)
    after, reason = judge(limits, after, reading(value, 103.1))
    assert after == watches  # never counted as seen
    assert reason == Breach("load voltage_v has not been seen for 3.1 s, allowed 3 s")
    assert overdue(limits, after, 103.0) is None
    assert overdue(limits, after, 103.1) == reason


@given(
    st.lists(st.sampled_from([None, math.nan, FINE]), min_size=1, max_size=60),
    st.floats(0.05, 2.0),
)
def test_blind_is_the_time_since_the_last_valid_value(values: list[float | None], every_s: float) -> None:
    watches, seen_s = watch_from(HARD, 0.0), 0.0
    for number, value in enumerate(values, start=1):
        now_s = number * every_s
        watches, reason = judge(HARD, watches, reading(value, now_s))
        if value == FINE:
            seen_s = now_s
            assert reason is None
        assert (reason is not None) == (now_s - seen_s > 3.0)
        assert (overdue(HARD, watches, now_s) is not None) == (now_s - seen_s > 3.0)


def test_a_soft_limit_trips_on_the_second_reading() -> None:
    after, reason = judge(SOFT, watch_from(SOFT, 99.0), reading(26.0, 100.0))
    assert reason is None
    assert after[KEY] == Watch(100.0, outside_since_s=100.0)
    assert judge(SOFT, after, reading(26.0, 100.1))[1] == Breach("load voltage_v is 26, allowed 13.2 to 25.5")


def test_a_soft_limit_forgives_a_single_reading() -> None:
    after, _ = judge(SOFT, watch_from(SOFT, 99.0), reading(26.0, 100.0))
    after, reason = judge(SOFT, after, reading(FINE, 100.5))
    assert (after[KEY], reason) == (Watch(100.5), None)
    assert judge(SOFT, after, reading(26.0, 101.0))[1] is None


@pytest.mark.parametrize("value", [None, math.nan])
def test_a_missing_value_does_not_wash_a_soft_excursion_away(value: float | None) -> None:
    after, _ = judge(SOFT, watch_from(SOFT, 99.0), reading(26.0, 100.0))
    after, reason = judge(SOFT, after, reading(value, 100.4))
    assert reason is None
    assert judge(SOFT, after, reading(26.0, 100.8))[1] is not None


@given(st.floats(0.0, 5.0))
def test_a_soft_excursion_without_a_second_reading_trips_after_a_second(later_s: float) -> None:
    after, _ = judge(SOFT, watch_from(SOFT, 0.0), reading(26.0, 0.0))
    reason = overdue(SOFT, after, later_s)
    assert (reason is not None) == (later_s >= SOFT_S)
    if reason:
        assert reason == Breach(f"load voltage_v has been outside its limit for {later_s:.1f} s")


def test_a_second_is_a_second_whatever_the_clock_shows() -> None:
    after, _ = judge(SOFT, watch_from(SOFT, 100.0), reading(26.0, 100.0))
    assert overdue(SOFT, after, 100.99) is None
    assert overdue(SOFT, after, 101.0) == Breach("load voltage_v has been outside its limit for 1.0 s")


def test_the_times_are_the_ones_written_here() -> None:
    assert (SOFT_S, VANISHED_S, BURST_BLIND_S) == (1.0, 1.0, 0.5)


@pytest.mark.parametrize("one", [HARD[KEY], Watch(1.0)], ids=["limit", "watch"])
def test_nobody_changes_a_limit_or_what_is_remembered(one: Limit | Watch) -> None:
    with pytest.raises(FrozenInstanceError):
        setattr(one, fields(one)[0].name, 0.0)


def test_of_two_missing_values_the_first_is_the_reason() -> None:
    limits = {("cells", f"group_{n}_v"): Limit(2.2, 4.25, 3.0) for n in (1, 2)}
    _, reason = judge(limits, watch_from(limits, 99.0), Reading("cells", 103.0, {"group_1_v": None, "group_2_v": None}))
    assert reason == Breach("cells group_1_v has not been seen for 4.0 s, allowed 3 s")


def test_every_quantity_of_a_reading_is_judged_and_the_first_reason_is_kept() -> None:
    limits = {("cells", f"group_{n}_v"): Limit(2.2, 4.25, 3.0) for n in (1, 2, 3)}
    after, reason = judge(
        limits,
        watch_from(limits, 99.0),
        Reading("cells", 100.0, {"group_1_v": 3.6, "group_2_v": 4.3, "group_3_v": 1.9, "group_4_v": 99.0}),
    )
    assert reason == Breach("cells group_2_v is 4.3, allowed 2.2 to 4.25")
    assert [after[key].outside_since_s for key in limits] == [None, 100.0, 100.0]
    assert ("cells", "group_4_v") not in after  # no limit, no memory


def test_the_memory_before_is_left_alone() -> None:
    before = watch_from(HARD, 99.0)
    judge(HARD, before, reading(FINE))
    assert before == {KEY: Watch(99.0)}


def test_what_has_no_limit_any_more_is_not_overdue() -> None:
    assert overdue({}, {KEY: Watch(0.0)}, 1e6) is None
    assert overdue(HARD, {KEY: Watch(100.0)}, 103.0) is None


def test_a_quantity_that_is_never_reported_is_overdue() -> None:
    """A reading that simply leaves a value out does not stop that value's clock."""
    watches, reason = judge(HARD, watch_from(HARD, 0.0), Reading("load", 10.0, {"current_a": -1.0}))
    assert reason is None
    assert overdue(HARD, watches, 10.0) == Breach("load voltage_v has not been seen for 10.0 s, allowed 3 s")


@given(st.floats(0.0, 20.0), st.floats(0.0, 20.0))
def test_tightened_never_widens(blind_s: float, before_s: float) -> None:
    limits = {KEY: Limit(1.0, 2.0, before_s, hard=False), ("cells", "group_1_v"): Limit(2.2, 4.25, before_s)}
    after = tightened(limits, "load", blind_s)
    assert after[KEY] == Limit(1.0, 2.0, min(blind_s, before_s), hard=False)
    assert after["cells", "group_1_v"] == limits["cells", "group_1_v"]
    assert limits[KEY].blind_s == before_s


@given(st.floats(-200.0, 200.0) | st.sampled_from([math.inf, -math.inf]), st.floats(0.05, 1.0))
def test_a_current_above_the_threshold_has_not_vanished(current_a: float, threshold_a: float) -> None:
    found = vanished(current_a, threshold_a, 5.0, 6.0)
    assert found == (None if abs(current_a) > threshold_a else 5.0)


def test_vanished_since_the_first_such_reading() -> None:
    assert vanished(-0.01, 0.05, None, 7.0) == 7.0
    assert vanished(0.05, 0.05, 7.0, 8.0) == 7.0
    assert vanished(None, 0.05, 7.0, 8.0) is None  # not known: its own blind clock runs


@given(st.dictionaries(st.sampled_from(["load", "supply"]), st.none() | st.floats(), min_size=1))
def test_off_is_measured_on_every_instrument_and_never_assumed(currents_a: dict[str, float | None]) -> None:
    thresholds_a = {"load": 0.12, "supply": 0.05}
    small = all(
        current is not None and math.isfinite(current) and abs(current) <= thresholds_a[name]
        for name, current in currents_a.items()
    )
    assert is_off(currents_a, thresholds_a) is small


@pytest.mark.parametrize("current_a", [0.12, -0.12])
def test_the_threshold_itself_is_off(current_a: float) -> None:
    assert is_off({"load": current_a}, {"load": 0.12})
    assert not is_off({"load": math.nextafter(current_a, math.copysign(1.0, current_a))}, {"load": 0.12})


@pytest.mark.parametrize("value", [None, *NO_NUMBERS])
def test_no_number_is_not_off(value: float | None) -> None:
    assert not is_off({"load": 0.0, "supply": value}, {"load": 0.12, "supply": 0.05})


# What a verdict says of heat: by this mark people are told to keep away, and never by words.

MIDDLE, ROOM = ("temperature", "middle_c"), ("temperature", "ambient_c")
PROBES = {MIDDLE: Limit(-20.0, 80.0, 10.0), ROOM: Limit(-20.0, 60.0, 10.0)}


def probes(asked_s: float, **values: float | None) -> Reading:
    return Reading("temperature", asked_s, values)


@pytest.mark.parametrize(
    ("limits", "seen", "heat"),
    [
        (PROBES, probes(100.0, middle_c=80.1), Heat.HOT),
        (PROBES, probes(100.0, ambient_c=60.1), Heat.HOT),
        (PROBES, probes(100.0, middle_c=9.9e37), Heat.HOT),  # drivers make a missing value of it
        (PROBES, probes(100.0, middle_c=-20.1), Heat.UNKNOWN),  # no pack: a broken probe
        (PROBES, probes(109.1, middle_c=None), Heat.UNKNOWN),
        (PROBES, probes(109.1, middle_c=math.nan), Heat.UNKNOWN),
        (PROBES, probes(109.1, ambient_c=None, middle_c=80.1), Heat.HOT),
        (PROBES, probes(109.1, middle_c=80.1, ambient_c=None), Heat.HOT),
        (PROBES, probes(100.0, middle_c=-20.1, ambient_c=60.1), Heat.HOT),
        (HARD, reading(25.6), Heat.NO),
        (HARD, reading(13.1), Heat.NO),
        (HARD, reading(None, 102.1), Heat.NO),
        (HARD, reading(math.nan, 102.1), Heat.NO),
    ],
)
def test_every_verdict_on_a_reading_says_whether_it_is_heat(
    limits: dict[tuple[str, str], Limit], seen: Reading, heat: Heat
) -> None:
    _, breach = judge(limits, watch_from(limits, 99.0), seen)
    assert breach is not None
    assert breach.heat is heat


def test_of_several_reasons_a_hot_one_is_told_and_else_the_first() -> None:
    seen = probes(109.1, ambient_c=None, middle_c=81.25)
    _, breach = judge(PROBES, watch_from(PROBES, 99.0), seen)
    assert breach == Breach("temperature middle_c is 81.25, allowed -20 to 80", Heat.HOT)
    _, breach = judge(PROBES, watch_from(PROBES, 99.0), probes(109.1, ambient_c=None, middle_c=None))
    assert breach == Breach("temperature ambient_c has not been seen for 10.1 s, allowed 10 s", Heat.UNKNOWN)
    assert judge(PROBES, watch_from(PROBES, 99.0), probes(100.0, middle_c=80.0, ambient_c=60.0))[1] is None


@pytest.mark.parametrize(
    ("limits", "watch", "heat"),
    [
        (PROBES, {MIDDLE: Watch(99.0)}, Heat.UNKNOWN),
        (PROBES, {MIDDLE: Watch(109.0, outside_since_s=108.0)}, Heat.HOT),  # above or below is not remembered
        (HARD, {KEY: Watch(99.0)}, Heat.NO),
        (HARD, {KEY: Watch(109.0, outside_since_s=108.0)}, Heat.NO),
    ],
)
def test_every_verdict_on_what_is_overdue_says_whether_it_is_heat(
    limits: dict[tuple[str, str], Limit], watch: dict[tuple[str, str], Watch], heat: Heat
) -> None:
    breach = overdue(limits, watch, 109.5)
    assert breach is not None
    assert breach.heat is heat
