"""The rules of a waiting list: tables of what is refused, and invariants over any sequence of what can happen."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.daemon.running.bay_off import BayOff
from benchwarden.daemon.safety import Heat
from benchwarden.daemon.serving import waiting_list
from benchwarden.daemon.serving.waiting_list import GOING_ON, Entry, Fate, Refused, Stand, WaitingList
from benchwarden.profiles.profile import read_profile

UTC = "2026-11-25T21:04:11Z"
CHARGE = Entry(0, "capacity", "Capacity", "c0ffee", 3600.0, charges=True)
DRAW = Entry(0, "draw.toml", "Short draw", "beef", 120.0)


def listed(*tests: Entry) -> WaitingList:
    return waiting_list.add(WaitingList("left"), "/packs/heron.toml", "Heron", tests or (CHARGE, DRAW, DRAW))


def running() -> WaitingList:
    return waiting_list.begun(waiting_list.start(listed()), 1, UTC)


def over(found: WaitingList, fate: Fate, *, off: bool = True) -> WaitingList:
    return waiting_list.ended(found, fate, "why", run="/runs/heron/1", off_confirmed=off, utc=UTC)


def numbers(found: WaitingList) -> list[int]:
    return [test.number for test in found.waiting]


def test_tests_are_numbered_on_and_nothing_starts() -> None:
    found = listed()
    assert numbers(found) == [1, 2, 3]
    assert (found.stand, waiting_list.next_up(found)) == (Stand.IDLE, None)
    more = waiting_list.add(found, "/packs/heron.toml", "Heron", [DRAW])
    assert numbers(more) == [1, 2, 3, 4]


def test_a_test_that_did_not_begin_waits_again_whatever_happened_meanwhile() -> None:
    stopped = waiting_list.stopped(running(), "by a person")
    found = waiting_list.not_begun(stopped, 1)
    assert (found.stand, found.why, numbers(found), found.running) == (Stand.STOPPED, "by a person", [1, 2, 3], None)
    assert found.tests[0].began_utc is None
    assert waiting_list.not_begun(found, 1) == found
    assert waiting_list.not_begun(stopped, 2) == stopped


@pytest.mark.parametrize(
    ("pack", "name"),
    [("/packs/plover.toml", "Plover"), ("/packs/plover.toml", "Heron"), ("/packs/heron.toml", "Plover")],
)
@pytest.mark.parametrize("found", [listed(), running(), waiting_list.stopped(running(), "by a person")])
def test_another_pack_is_refused_while_a_list_is_not_finished(found: WaitingList, pack: str, name: str) -> None:
    with pytest.raises(Refused, match=r"Heron's \(/packs/heron.toml\) and is not finished.*drop left all"):
        waiting_list.add(found, pack, name, [DRAW])


def test_a_finished_list_makes_room_for_another_pack() -> None:
    found = over(waiting_list.begun(waiting_list.start(listed(DRAW)), 1, UTC), Fate.FINISHED)
    assert (found.stand, found.finished) == (Stand.IDLE, True)
    other = waiting_list.add(found, "/packs/plover.toml", "Plover", [DRAW])
    assert (other.pack_name, numbers(other), len(other.tests)) == ("Plover", [1], 1)
    assert not waiting_list.cools_first(other)


def test_another_pack_is_refused_before_a_trip_is_acknowledged() -> None:
    found = over(waiting_list.begun(waiting_list.start(listed(DRAW)), 1, UTC), Fate.TRIPPED)
    with pytest.raises(Refused, match=r"left tripped: test 1 .Short draw. tripped: why; `acknowledge left`"):
        waiting_list.add(found, "/packs/plover.toml", "Plover", [DRAW])


@pytest.mark.parametrize(
    ("number", "where", "after"),
    [
        (2, "up", [2, 1, 3]),
        (1, "down", [2, 1, 3]),
        (3, "first", [3, 1, 2]),
        (2, "first", [2, 1, 3]),
        (3, "up", [1, 3, 2]),
    ],
)
def test_moving_changes_the_order_of_what_waits(number: int, where: str, after: list[int]) -> None:
    assert numbers(waiting_list.move(listed(), number, where)) == after


@pytest.mark.parametrize(
    ("number", "where", "why"),
    [
        (1, "up", "test 1 is already first"),
        (1, "first", "test 1 is already first"),
        (3, "down", "test 3 is already last"),
        (9, "up", "no test 9; waiting: 1, 2, 3"),
        (2, "sideways", "found 'sideways'; right would be up, down or first"),
    ],
)
def test_a_move_that_makes_no_sense_is_refused(number: int, where: str, why: str) -> None:
    with pytest.raises(Refused, match=why):
        waiting_list.move(listed(), number, where)


def test_what_runs_is_neither_moved_nor_dropped() -> None:
    with pytest.raises(Refused, match="test 1 is running; only what waits"):
        waiting_list.move(running(), 1, "down")
    with pytest.raises(Refused, match="test 1 is running; only what waits"):
        waiting_list.drop(running(), 1)
    assert numbers(waiting_list.drop(running(), None)) == []
    assert waiting_list.drop(running(), None).running is not None
    with pytest.raises(Refused, match="nothing waits that could be dropped"):
        waiting_list.drop(WaitingList("left"), None)


def test_the_next_test_follows_only_a_finished_one() -> None:
    found = over(running(), Fate.FINISHED)
    following = waiting_list.next_up(found)
    assert following is not None
    assert following.number == 2
    assert waiting_list.cools_first(found)
    for fate in (Fate.STOPPED, Fate.TRIPPED):
        assert waiting_list.next_up(over(running(), fate)) is None
    assert over(running(), Fate.STOPPED).stand is Stand.STOPPED
    assert over(running(), Fate.TRIPPED).stand is Stand.TRIPPED


def test_off_that_is_not_confirmed_is_a_trip_whatever_the_test_says() -> None:
    found = over(running(), Fate.FINISHED, off=False)
    assert (found.stand, "OFF NOT CONFIRMED" in found.why) == (Stand.TRIPPED, True)
    cooled = waiting_list.cooled(waiting_list.cooling(found), Fate.STOPPED, "asked", off_confirmed=False)
    assert cooled.stand is Stand.TRIPPED


@pytest.mark.parametrize(
    ("fate", "marked", "off", "every"),
    [
        (Fate.FINISHED, False, True, False),
        (Fate.TRIPPED, False, True, False),
        (Fate.TRIPPED, True, True, True),
        (Fate.TRIPPED, False, False, True),
        (Fate.STOPPED, False, False, True),
        (Fate.FINISHED, True, True, False),
    ],
)
def test_what_reaches_every_bay(fate: Fate, marked: bool, off: bool, every: bool) -> None:
    """A trip by temperature rate or smoke is marked; off that is not confirmed reaches every bay by itself."""
    assert waiting_list.reaches_every_bay(fate, marked, off) is every


def test_a_pack_that_does_not_cool_stops_its_list() -> None:
    found = waiting_list.cooling(over(running(), Fate.FINISHED))
    hot = waiting_list.cooled(found, Fate.STOPPED, "rest expired after 3 h", off_confirmed=True)
    assert (hot.stand, hot.why) == (Stand.STOPPED, "cooling stopped: rest expired after 3 h")
    assert numbers(hot) == [2, 3]
    cool = waiting_list.cooled(found, Fate.FINISHED, "", off_confirmed=True)
    assert waiting_list.next_up(cool) is not None


def test_the_worst_that_a_trip_said_of_heat_stays_until_somebody_has_acknowledged() -> None:
    hot = waiting_list.ended(running(), Fate.TRIPPED, "hot", run=None, off_confirmed=True, utc=UTC, heat=Heat.HOT)
    assert hot.heat is Heat.HOT
    for after in (
        waiting_list.tripped(hot, "a current flowed again"),
        waiting_list.tripped(hot, "not seen", Heat.UNKNOWN),
        waiting_list.after_restart(hot),
        waiting_list.stopped(hot, "stopped by a person"),
    ):
        assert after.heat is Heat.HOT
    assert waiting_list.acknowledged(hot).heat is Heat.NO
    unknown = waiting_list.cooled(
        waiting_list.cooling(running()), Fate.TRIPPED, "not seen", off_confirmed=True, heat=Heat.UNKNOWN
    )
    assert unknown.heat is Heat.UNKNOWN
    assert waiting_list.tripped(unknown, "rose", Heat.HOT).heat is Heat.HOT
    assert over(running(), Fate.TRIPPED).heat is Heat.NO


def test_start_is_refused_where_it_must_not_be() -> None:
    for found, why in (
        (WaitingList("left"), "nothing waits"),
        (running(), "is running already"),
        (over(running(), Fate.TRIPPED), "tripped.*acknowledge left"),
    ):
        with pytest.raises(Refused, match=why):
            waiting_list.start(found)
    with pytest.raises(Refused, match="has changed since it was shown"):
        waiting_list.start(listed(), [1, 2])


def test_a_trip_needs_a_person_twice() -> None:
    tripped = over(running(), Fate.TRIPPED)
    seen = waiting_list.acknowledged(tripped)
    assert (seen.stand, waiting_list.next_up(seen)) == (Stand.STOPPED, None)
    assert waiting_list.next_up(waiting_list.start(seen)) is not None
    with pytest.raises(Refused, match="no trip to acknowledge"):
        waiting_list.acknowledged(seen)


def test_after_a_restart_nothing_goes_on_and_what_ran_was_interrupted() -> None:
    found = waiting_list.after_restart(running())
    assert found.stand is Stand.INTERRUPTED
    assert found.tests[0].fate is Fate.INTERRUPTED
    assert "the service ended while test 1 (Capacity) ran" in found.why
    assert numbers(found) == [2, 3]
    assert waiting_list.after_restart(waiting_list.cooling(listed())).stand is Stand.INTERRUPTED
    assert waiting_list.after_restart(listed()) == listed()
    tripped = waiting_list.tripped(running(), "too hot")
    assert waiting_list.after_restart(tripped).stand is Stand.TRIPPED
    assert "too hot" in waiting_list.after_restart(tripped).why


def test_a_second_trip_keeps_the_first_reason() -> None:
    twice = waiting_list.tripped(waiting_list.tripped(listed(), "too hot"), "not off")
    assert twice.why == "too hot; not off"


def not_off(current_a: float, why: str = "left load: no answer") -> str:
    return BayOff(False, {"load": current_a, "supply": None}, why).in_words()


def test_what_was_found_at_this_start_takes_the_place_of_an_earlier_start_s() -> None:
    found = waiting_list.tripped(listed(), "too hot")
    for why in ("left load: no answer", "left load: no answer; left supply: refused", "left load: gone"):
        found = waiting_list.tripped(found, waiting_list.AT_START + not_off(0.001, why))
        assert found.why == f"too hot; at the start: {not_off(0.001, why)}"
    found = waiting_list.tripped(found, "smoke")
    found = waiting_list.tripped(found, waiting_list.AT_START + not_off(0.1))
    assert found.why == f"too hot; smoke; at the start: {not_off(0.1)}"
    alone = waiting_list.tripped(listed(), waiting_list.AT_START + not_off(0.1))
    assert waiting_list.tripped(alone, waiting_list.AT_START + not_off(8.1)).why == f"at the start: {not_off(8.1)}"


REASONS: dict[str, Callable[[float], str]] = {
    "start": lambda value: waiting_list.AT_START + not_off(value),
    "stop": not_off,
    "load": lambda value: not_off(value, "left load: refused; left supply: refused"),
    "limit": lambda value: f"cells group_3_v is {value:.3f}, allowed 2.5 to 4.25",
    "neighbour": lambda value: f"cells group_4_v is {value:.3f}, allowed 2.5 to 4.25",
}


@given(
    st.lists(
        st.tuples(st.sampled_from(sorted(REASONS)), st.floats(-100.0, 100.0), st.booleans()), min_size=1, max_size=60
    )
)
def test_a_reason_does_not_grow_with_every_start_and_stop(found: list[tuple[str, float, bool]]) -> None:
    """It stands in one line of `status` and in the list's file: each reason once, however it flickers, none lost."""
    tripped, seen = listed(), set[str]()
    for kind, value, restart in found:
        if restart:
            tripped = waiting_list.after_restart(tripped)
        tripped = waiting_list.tripped(tripped, REASONS[kind](value))
        seen.add(kind)
        assert tripped.stand is Stand.TRIPPED
        counts = {one: tripped.why.count(one) for one in ("at the start: ", "group_3_v", "group_4_v")}
        assert max(counts.values()) <= 1
        assert len(tripped.why) <= sum(len(make(-100.0)) + 2 for make in REASONS.values())
        # A stop finds what the start has found already.
        assert ("no answer" in tripped.why) is bool(seen & {"start", "stop"})
        assert ("left load: refused" in tripped.why) is ("load" in seen)
        assert ("group_3_v" in tripped.why, "group_4_v" in tripped.why) == ("limit" in seen, "neighbour" in seen)


def test_the_cautions_name_the_pack_the_first_charge_and_what_went_wrong() -> None:
    said = "\n".join(waiting_list.cautions(waiting_list.after_restart(running())))
    assert "is Heron" in said
    assert "Test 1 (Capacity) was interrupted" in said
    assert "first charge is attended" not in said  # what charges was test 1, and it does not wait any more
    assert "first charge is attended" in "\n".join(waiting_list.cautions(listed()))


@pytest.mark.parametrize(("sensor", "ambient"), [(True, True), (True, False), (False, True), (False, False)])
def test_the_rest_between_tests_is_a_profile(sensor: bool, ambient: bool) -> None:
    """Below 35 °C, as the standard test cools; bounded in time: no wait without an end."""
    [step] = read_profile(waiting_list.cooling_profile(pack_sensor=sensor, ambient=ambient), "cooling").steps
    assert step.do == "rest"
    assert (step.until_below_c, step.at_most_s) == ((35.0, 3 * 3600.0) if sensor else (None, None))
    assert (step.until_within_k is not None) is (sensor and ambient)


EVENTS: dict[str, Callable[[WaitingList], WaitingList]] = {
    "add": lambda found: waiting_list.add(found, "/packs/heron.toml", "Heron", [DRAW]),
    "add other": lambda found: waiting_list.add(found, "/packs/plover.toml", "Plover", [DRAW]),
    "start": waiting_list.start,
    "begin": lambda found: waiting_list.begun(found, waiting_list.next_up(found).number, UTC),  # type: ignore[union-attr]
    "cool": waiting_list.cooling,
    "cooled": lambda found: waiting_list.cooled(found, Fate.FINISHED, "", off_confirmed=True),
    "finished": lambda found: over(found, Fate.FINISHED),
    "stopped": lambda found: over(found, Fate.STOPPED),
    "tripped": lambda found: over(found, Fate.TRIPPED),
    "not off": lambda found: over(found, Fate.FINISHED, off=False),
    "stop": lambda found: waiting_list.stopped(found, "by a person"),
    "drop": lambda found: waiting_list.drop(found, None),
    "acknowledge": waiting_list.acknowledged,
    "restart": waiting_list.after_restart,
}


def possible(found: WaitingList, event: str) -> bool:
    """Whether the service would let this happen."""
    if event == "begin":
        return waiting_list.next_up(found) is not None
    if event == "cool":
        return waiting_list.next_up(found) is not None
    if event == "cooled":
        return found.stand is Stand.COOLING and found.running is None
    return True


@given(st.lists(st.sampled_from(sorted(EVENTS)), max_size=40))
def test_whatever_happens_only_a_person_lets_a_list_go_on(events: list[str]) -> None:
    found = WaitingList("left")
    for event in events:
        if not possible(found, event):
            continue
        before = found
        try:
            found = EVENTS[event](found)
        except Refused:
            continue
        assert len([test for test in found.tests if test.fate is Fate.RUNNING]) <= 1
        assert len({test.number for test in found.tests}) == len(found.tests)
        if found.stand in GOING_ON and before.stand not in GOING_ON:
            assert event == "start"
        if before.stand is Stand.TRIPPED and found.stand is not Stand.TRIPPED:
            assert event == "acknowledge"
        if event == "restart":
            assert found.stand not in GOING_ON
            assert found.running is None
        if found.running and before.pack_name:
            assert found.pack_name == before.pack_name


def test_the_number_given_by_the_caller_is_ignored() -> None:
    assert numbers(listed(replace(DRAW, number=7, fate=Fate.FINISHED))) == [1]
