"""What waits for the broker: decided by tables, without any broker."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import paho.mqtt.client
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.daemon.front.mqtt_back_off import LONGEST_S, SHORTEST_S, BackOff
from benchwarden.daemon.front.mqtt_events import GIVE_UP_S, HELD, Track
from benchwarden.daemon.front.mqtt_guardian import facts
from benchwarden.daemon.front.mqtt_queue import Outbox, Outgoing, Thinner
from benchwarden.daemon.front.mqtt_results import GIVE_UP_S as RESULT_S
from benchwarden.daemon.front.mqtt_results import NONE_CAME, Ended, read_result, result_of
from benchwarden.daemon.front.mqtt_topics import REFUSED, Topics
from benchwarden.results.folder import FolderError


def one(topic: str, number: int = 0) -> Outgoing:
    return Outgoing(topic, {"n": number}, 1)


def event(seq: int, name: str = "flag") -> dict[str, Any]:
    return {"seq": seq, "event": name}


def test_topics_name_the_bench_as_a_path_would() -> None:
    topics = Topics.of("Möwe & Co, Shed 2", ["left", "B_2"])
    assert topics.status == "benchwarden/mowe-co-shed-2/status"
    assert topics.of_bay("B_2", "sample") == "benchwarden/mowe-co-shed-2/B_2/sample"
    assert topics.stops() == {
        "benchwarden/mowe-co-shed-2/stop": None,
        "benchwarden/mowe-co-shed-2/left/stop": "left",
        "benchwarden/mowe-co-shed-2/B_2/stop": "B_2",
    }
    assert topics.answer(None) == "benchwarden/mowe-co-shed-2/stop/answer"
    assert topics.answer("left") == "benchwarden/mowe-co-shed-2/left/stop/answer"
    assert topics.alarm("") == "benchwarden/mowe-co-shed-2/alarm"


@pytest.mark.parametrize(
    ("topic", "bay"),
    [
        ("left/stop", None),
        ("stop", None),
        ("nowhere/stop", "nowhere"),
        ("Left/stop", "Left"),
        ("stop/stop", "stop"),
        ("/stop", None),
        ("a b/stop", None),
        ("left/left/stop", None),
        (f"{'x' * 41}/stop", None),
        ("left/start", None),
    ],
)
def test_a_stop_for_a_bay_that_is_not_there(topic: str, bay: str | None) -> None:
    assert Topics.of("Bird Shed", ["left", "right"]).wrong_bay(f"benchwarden/bird-shed/{topic}") == bay


def test_what_is_listened_for_holds_every_order_and_nothing_that_is_published() -> None:
    topics = Topics.of("Bird Shed", ["left", "right"])
    patterns = topics.heard() + topics.refused()

    def comes(topic: str) -> bool:
        return any(paho.mqtt.client.topic_matches_sub(pattern, topic) for pattern in patterns)

    kinds = ("state", "sample", "event", "result", "alarm", "stop/answer")
    ours = [topics.status, topics.alarm(""), topics.answer(None)]
    ours += [topics.of_bay(bay, kind) for bay in topics.bays for kind in kinds]
    assert not any(map(comes, ours))
    words = ("stop", *REFUSED)
    assert all(comes(f"benchwarden/bird-shed/{place}{word}") for place in ("", "left/", "right/") for word in words)
    assert comes("benchwarden/bird-shed/nowhere/stop")
    assert not comes("benchwarden/boat-shed/left/stop")


def test_a_bench_without_a_letter_has_no_topics() -> None:
    with pytest.raises(FolderError, match="no letter"):
        Topics.of("♜", ["left"])


def test_samples_are_thinned_to_the_newest_of_each_topic() -> None:
    thinner = Thinner(1.0)
    out: list[tuple[float, str, int]] = []
    for tenth in range(25):
        now_s = 100.0 + tenth / 10
        for topic in ("left", "right") if tenth < 20 else ("left",):
            thinner.offer(one(topic, tenth))
        out += [(now_s, sent.topic, sent.message["n"]) for sent in thinner.due(now_s)]
    assert [(topic, number) for _, topic, number in out if topic == "right"] == [
        ("right", 0),
        ("right", 1),
        ("right", 10),
    ]
    # Each is as new as can be: it goes when it comes.
    assert [(now_s, number) for now_s, topic, number in out if topic == "left"] == [
        (100.0 + number / 10, number) for number in (0, 1, 10, 20)
    ]
    # The newest goes out although no other follows.
    assert [sent.message["n"] for sent in thinner.due(102.6)] == [19]
    assert thinner.next_s() == pytest.approx(103.5)
    assert [sent.message["n"] for sent in thinner.due(103.6)] == [24]
    assert thinner.next_s() is None


def test_samples_at_the_rate_that_is_wanted_are_never_held_back() -> None:
    """An edge brings one in between and moves all that follow; none of them may wait for a turn."""
    thinner = Thinner(1.0)
    times = [100.0, 100.3, *(101.3 + number + 0.01 * (-1) ** number for number in range(20))]
    for number, now_s in enumerate(times):
        thinner.offer(one("left", number))
        assert [sent.message["n"] for sent in thinner.due(now_s)] == [number], now_s


@given(st.lists(st.floats(0.001, 3.0), max_size=200))
def test_on_average_no_more_than_wanted_and_the_newest_always_comes(apart_s: list[float]) -> None:
    thinner, now_s, sent = Thinner(1.0), 100.0, 0
    last = None
    for number, by_s in enumerate(apart_s):
        now_s += by_s
        thinner.offer(one("left", number))
        for found in thinner.due(now_s):
            sent, last = sent + 1, found.message["n"]
    assert sent <= now_s - 100.0 + 2.0
    for found in thinner.due(now_s + 2.0):
        last = found.message["n"]
    assert last == (len(apart_s) - 1 if apart_s else None)


def test_the_oldest_live_sample_makes_room_and_is_counted() -> None:
    box = Outbox(live_at_most=3)
    for number in range(5):
        box.live(one("sample", number))
    assert box.dropped == 2
    found: list[object] = []
    while first := box.last():
        found.append(first.message["n"])
        box.sent(first)
    assert found == [2, 3, 4]


def test_of_a_document_only_the_newest_waits_and_alarms_go_first() -> None:
    box = Outbox()
    for number in range(3):
        box.document(one("left/state", number))
    box.document(one("status"))
    box.urgent(one("left/alarm"))
    order = []
    while first := box.first():
        order.append((first.topic, first.message["n"]))
        box.sent(first)
    assert order == [("left/alarm", 0), ("left/state", 2), ("status", 0)]


def test_what_is_replaced_while_it_is_under_way_is_sent_again() -> None:
    box = Outbox()
    box.document(one("left/state", 1))
    under_way = box.first()
    assert under_way
    box.document(one("left/state", 2))
    box.sent(under_way)
    again = box.first()
    assert again
    assert again.message["n"] == 2


def test_alarms_are_bounded_too() -> None:
    box = Outbox(urgent_at_most=2)
    for number in range(3):
        box.urgent(one("left/alarm", number))
    first = box.first()
    assert first
    assert first.message["n"] == 1


def test_json_has_no_word_for_what_is_not_a_number() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        _ = Outgoing("left/sample", {"voltage_v": float("nan")}, 0).payload
    assert json.loads(Outgoing("left/sample", {"why": "über 60 °C"}, 0).payload) == {"why": "über 60 °C"}


@pytest.mark.parametrize(("draw", "expected"), [(0.0, [1, 2, 4, 8, 15, 15]), (1.0, [2, 4, 8, 16, 30, 30])])
def test_back_off_grows_from_one_second_to_thirty(draw: float, expected: list[float]) -> None:
    back_off = BackOff(lambda: draw)
    assert [back_off.next_s() for _ in expected] == expected
    assert all(SHORTEST_S <= s <= LONGEST_S for s in expected)


def test_back_off_begins_anew_only_after_a_connection_that_lived() -> None:
    back_off = BackOff(lambda: 0.0)
    assert [back_off.next_s(lived_s) for lived_s in (0.0, 0.1, 0.1, 60.0, 0.0)] == [1, 2, 4, 1, 2]


def drained(track: Track) -> list[int]:
    found = []
    while said := track.next():
        found.append(said["seq"])
        track.sent(said)
    return found


def test_events_go_out_in_order_and_gaps_come_from_the_record() -> None:
    track = Track("left", "run")
    track.told(event(3))
    assert track.missing
    assert track.next() is None
    track.filled([event(1), event(2), event(3)], 0.0)
    assert drained(track) == [1, 2, 3]
    track.told(event(2))  # again
    assert drained(track) == []
    track.told(event(4, "ended"))
    assert drained(track) == [4]
    assert track.done


def test_more_events_than_are_held_come_from_the_record_bit_by_bit() -> None:
    track, record = Track("left", "run"), [event(number) for number in range(1, 3 * HELD)]
    for said in record:
        track.told(said)
    found: list[int] = drained(track)
    while track.missing:
        assert len(track._waiting) <= HELD
        track.filled(record, 0.0)
        found += drained(track)
    assert found == list(range(1, 3 * HELD))


def test_an_event_that_is_nowhere_is_said_and_passed_over_in_the_end() -> None:
    track = Track("left", "run")
    track.told(event(4))
    assert track.filled([event(1)], 100.0) == ""
    assert drained(track) == [1]
    assert track.filled([event(1)], 101.0) == ""
    words = track.filled([event(1)], 100.0 + GIVE_UP_S + 1.1)
    assert words == "run: events 2 to 3 are nowhere, and were not published"
    assert drained(track) == [4]


def test_a_result_is_waited_for_and_then_left_open_in_words(tmp_path: Path) -> None:
    ended = Ended("left", "sanderling/one", "finished", "", 100.0)
    assert result_of(ended, None, 100.0 + RESULT_S - 1) is None
    late = result_of(ended, None, 100.0 + RESULT_S)
    assert late
    assert (late["result"], late["flag"]) == ({}, NONE_CAME)
    there = result_of(ended, {"a": 1}, 101.0)
    assert there
    assert (there["result"], there["flag"]) == ({"a": 1}, "")

    folder = tmp_path / "sanderling" / "one"
    folder.mkdir(parents=True)
    for text, expected in (("{", None), ("[]", None), ('{"a": 1}', {"a": 1})):
        (folder / "result.json").write_text(text)
        assert read_result(tmp_path, ended.run) == expected


LOG = "2026-11-25T21:04:11Z no sign of life from bay left for 5.0 s; taking over bays left, right\n…\n"
OFF = "off, read back and measured: 0.001 A"
STATES: dict[str, dict[str, Any]] = {
    "left": {"run": "a", "pack": "Heron"},
    "right": {"run": "b", "pack": "Tern"},
    "third": {"run": None},
}


@pytest.mark.parametrize(
    ("answer", "log", "expected"),
    [
        ({}, LOG, []),
        ({"armed": {}}, LOG, []),
        (
            {
                "by": "guardian",
                "off": False,
                "outcomes": {"left load": OFF, "right load": "no answer"},
            },
            LOG,
            [("left", "Heron", True), ("right", "Tern", False)],
        ),
        ({"by": "guardian", "off": True, "outcomes": {}}, "", [("left", "Heron", False), ("right", "Tern", False)]),
    ],
)
def test_a_guardian_that_took_over_is_told_of(
    answer: Mapping[str, Any], log: str, expected: list[tuple[str, str, bool]]
) -> None:
    found = facts(answer, STATES, log)
    assert [(fact.bay, fact.pack, fact.off) for fact in found] == expected
    assert all(fact.why == ("no sign of life from bay left for 5.0 s" if log else "") for fact in found)
