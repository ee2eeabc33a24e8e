"""What the page says in words of plans that this program makes and of events that it writes."""

import json
from typing import Any

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.front.page_words import event_words, limits_of, protections_of
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import plan_as_data, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.shipped import library_names, library_text
from benchwarden.results.procedure import steps_of, what_ends
from tests.test_bench import BENCH

PACK = """
name = "Heron"
chemistry = "li-ion"
series = 6
rated_capacity = "5.0 Ah"
max_charge = "5 A"
max_discharge = "50 A"
max_burst = "90 A for 5 s"
"""


def plan_of(profile: str) -> dict[str, Any]:
    """Return a plan as it stands in run.json."""
    bay = read_bench(BENCH, "bench.toml").bay[0].abilities()
    plan = work_out(read_profile(library_text(profile), profile), read_pack(PACK, "heron.toml"), bay)
    found: dict[str, Any] = json.loads(json.dumps(plan_as_data(plan)))
    return found


@pytest.mark.parametrize("profile", library_names())
def test_every_step_of_every_shipped_profile_says_what_ends_it(profile: str) -> None:
    steps = steps_of(plan_of(profile))
    assert steps
    assert all(step["ends"] for step in steps)


def test_what_ends_a_step_is_what_the_plan_says() -> None:
    words = {step["kind"]: step["ends"] for step in steps_of(plan_of("standard"))}
    assert words["charge"] == "highest group at 4.20 V and less than 0.25 A; at most 6 h"
    assert words["discharge"] == "lowest group at 2.50 V, or hottest sensor at 75 °C; at most 12 h"
    assert words["store"] == "every group at 3.65 V at rest; at most 6 h"


@pytest.mark.parametrize("step", [{}, {"kind": "dance"}, {"kind": "charge"}, {"kind": "rest", "at_least_s": "long"}])
def test_a_step_that_is_not_known_says_nothing(step: dict[str, Any]) -> None:
    assert what_ends(step) == ""


def test_limits_and_protections_are_the_run_s_own() -> None:
    plan = plan_of("standard")
    assert ("group", "2.20 to 4.25 V") in limits_of(plan)
    assert limits_of({}) == []
    info = {
        "plan": plan,
        "instruments": {"load": {"limits": {"voltage": 150.0, "current": 120.0}}, "supply": {"isolation": "relay"}},
        "lacks": ["load: no timer of its own"],
    }
    found = protections_of(info, [{"event": "unprotected", "instrument": "supply", "names": ["over-voltage"]}])
    assert found == [
        "the load's own trip at 13.2 V, and its timer in each step that draws",
        "between supply and pack: relay",
        "load rated 150 V, 120 A",
        "load: no timer of its own",
        "supply does not protect by itself: over-voltage",
    ]


def test_events_become_sentences() -> None:
    assert event_words({"event": "started"}) is None
    assert event_words({"event": "output_on", "output": "load", "quantity": "power", "level": 540.0}) == (
        "load on: 540 W"
    )
    off = {"event": "output_off", "confirmed": False, "current_a": {"load": 3.2, "supply": None}}
    assert event_words(off) == "off NOT CONFIRMED (load 3.2 A measured)"
    assert event_words({"event": "ended", "how": "tripped", "why": "hot", "off_confirmed": True}) == (
        "tripped: hot; off confirmed"
    )
    assert event_words({"event": "lacks", "instruments": ["load: no timer", "supply: no timer"]}) == (
        "the bench lacks: load: no timer; supply: no timer"
    )
    pulse = {"event": "test_pulse", "set_a": 1.0, "before_v": 21.84, "in_v": 21.77, "resistance_ohm": 0.07393}
    assert event_words(pulse) == "test pulse of 1.0 A: 21.84 V before, 21.77 V in it, 73.9 mΩ"
    assert event_words({"event": "test_pulse"}) is not None, "a record from elsewhere may lack all of it"
    assert event_words({"event": "tripped", "reason": "joint at 81 °C"}) == "tripped: joint at 81 °C"
    assert event_words({"event": "some_thing", "seq": 3, "utc": "x", "value": 1.23456}) == "some thing: value 1.235"
