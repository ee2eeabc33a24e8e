"""What `watch` draws: pure functions, checked without a terminal."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.daemon.commands.watch_view import (
    POINTS,
    History,
    Point,
    Told,
    chart,
    event_line,
    joined,
    last_events,
    number,
    one_bay,
    overview,
    scale,
    wrapped,
)

RUN = "heron/2026-11-25T21-04-11Z_standard"


def state(**changes: Any) -> dict[str, Any]:
    test = {"number": 1, "title": "Standard test", "fate": "running"}
    waits = {"number": 2, "title": "Burst ladder", "fate": "waiting"}
    found: dict[str, Any] = {
        "kind": "state",
        "bay": "left",
        "stand": "running",
        "why": "",
        "pack": "Heron",
        "run": RUN,
        "tests": [test, waits],
        "question": None,
        "off": None,
    }
    return found | changes


def sample(seq: int = 1, **changes: Any) -> dict[str, Any]:
    found: dict[str, Any] = {
        "kind": "sample",
        "bay": "left",
        "run": RUN,
        "seq": seq,
        "utc": "2026-11-25T21:05:11.250Z",
        "test_time_s": float(seq),
        "step": 2,
        "steps": 10,
        "step_kind": "discharge",
        "voltage_v": 21.5,
        "current_a": -25.1,
        "power_w": -540.0,
        "groups_v": [3.6, 3.5, None],
        "temperatures_c": {"middle": 31.2, "ambient": 60.0, "joint": None},
        "charging_ah": 0.0,
        "discharging_ah": 0.5,
        "discharging_wh": 10.5,
        "left_s": 3900.0,
    }
    return found | changes


def told(*messages: dict[str, Any], now_s: float = 0.0) -> Told:
    found = Told()
    for message in ({"kind": "found"}, *messages):
        found.take(message, now_s)
    return found


def test_the_overview_says_what_a_bay_does() -> None:
    assert overview(told(state(), sample()), 1.0, 80, 22) == [
        "left: running, Heron, test 1 of 2: Standard test, 1 waiting",
        "  step 2/10 discharge  21.50 V  -25.10 A  -540 W  1 h 05 left",
        "  lowest group 3.500 V  31.2 °C  out 0.500 Ah 10.5 Wh",
    ]


@pytest.mark.parametrize(
    ("later_s", "words"), [(2.0, None), (4.0, "4 s old"), (11.0, "OLD: nothing was heard for 11 s")]
)
def test_what_is_old_says_so(later_s: float, words: str | None) -> None:
    lines = overview(told(state(), sample()), later_s, 80, 22)
    assert lines[3:] == ([f"  {words}"] if words else [])


def test_a_lost_connection_is_said_at_once() -> None:
    found = told(state(), sample(), {"kind": "lost"})
    assert "  NO CONNECTION to the worker: this is old" in overview(found, 0.1, 80, 22)


def test_an_idle_bay_says_that_it_is_off_and_a_question_how_it_is_answered() -> None:
    off = {"words": "off confirmed (load 0.001 A)", "utc": "2026-11-25T21:00:00Z"}
    asked = {"text": "Is it full?", "answers": ["done", "no"]}
    found = told(state(stand="tripped", why="group 2 fell", run=None, off=off, question=asked))
    assert overview(found, 0.0, 200, 22) == [
        "left: TRIPPED (group 2 fell), Heron, test 1 of 2: Standard test, 1 waiting",
        "  ASKS: Is it full?",
        "  answer with: benchwarden answer left … (done or no)",
        "  off confirmed (load 0.001 A), 2026-11-25T21:00:00Z",
    ]


LONG = (
    "Is the charger set to 4.20 V per cell and 2.5 A, are its leads and the balance lead plugged in, and has it begun? "
    "Type charged once it says that it is done"
)
WHY = (
    "load: its own under-voltage trip is latched though the highest group stands at 3.912 V: reset it at the "
    "instrument, and find out first why it tripped"
)


def test_a_question_and_a_reason_are_whole_in_80_columns() -> None:
    asked = {"text": LONG, "answers": ["charged", "give up"]}
    events = [
        {"kind": "event", "bay": "left", "run": RUN, "seq": 1, "utc": "2026-11-25T21:00:00Z"}
        | {"event": "tripped", "reason": WHY}
    ]
    found = told(state(stand="tripped", why=WHY, question=asked), sample(), *events)
    for lines in (overview(found, 0.0, 80, 22), one_bay(found, "left", 0.0, 80, 22)):
        assert max(map(len, lines)) < 80
        assert len(lines) <= 22
        text = " ".join(line.strip() for line in lines)
        assert f"ASKS: {LONG}" in text
        assert f"left: TRIPPED ({WHY})" in text
        assert "  answer with: benchwarden answer left … (charged or give up)" in lines
    assert " ".join(line.strip() for line in last_events(events, 80, 5)) == f"21:00:00 left: tripped: reason {WHY}"
    assert last_events(events, 80, 2) == []


def test_bays_that_need_a_person_come_first_where_not_all_find_room() -> None:
    names = [f"bay-{number}" for number in range(8)]
    states = [state(bay=name) for name in names]
    states[6] = state(bay="bay-6", stand="tripped", why="group 2 fell")
    states[7] = state(bay="bay-7", question={"text": "Is it full?", "answers": ["done"]})
    found = told(*states, *(sample(bay=name) for name in names))
    assert overview(found, 0.0, 80, 99)[0].startswith("bay-0")
    lines = overview(found, 0.0, 80, 22)
    assert len(lines) == 22
    assert lines[0].startswith("bay-6: TRIPPED")
    assert any("ASKS: Is it full?" in line for line in lines[:8])
    assert lines[-1] == "(5 lines more: a higher window, or `benchwarden watch BAY`)"


@given(st.text(st.characters(codec="utf-8", exclude_categories=["C"]), min_size=1), st.integers(20, 200))
def test_wrapped_text_is_narrower_than_its_width_and_loses_no_word(text: str, width: int) -> None:
    lines = wrapped(f"left: {text}", width)
    assert max(map(len, lines)) <= max(width - 1, 20)
    assert "".join("".join(lines).split()) == "".join(f"left: {text}".split())


def test_a_state_without_a_run_takes_its_last_sample_off_the_screen() -> None:
    found = told(state(), sample(), state(run=None))
    assert found.samples == {}


@pytest.mark.parametrize("height", [6, 12, 22, 40])
def test_one_bay_keeps_to_its_height(height: int) -> None:
    events = [
        {"kind": "event", "bay": "left", "run": RUN, "seq": n, "utc": "2026-11-25T21:00:00Z", "event": "flag"}
        for n in range(40)
    ]
    found = told(state(), *(sample(n) for n in range(1, 100)), *events)
    lines = one_bay(found, "left", 0.0, 80, height)
    assert len(lines) <= height
    if height >= 22:
        assert any(line.startswith("voltage") for line in lines)
        assert any("groups  1 3.600  2 3.500  3 -" in line for line in lines)
        assert lines[-1] == "21:00:00 left: flag"


def test_what_was_measured_before_anybody_watched_is_in_the_chart_and_no_event_is_shown_twice() -> None:
    event = {"kind": "event", "bay": "left", "run": RUN, "seq": 2, "utc": "2026-11-25T21:00:00Z", "event": "flag"}
    found = told(state(), event)
    record = [
        {"seq": 1, "utc": "2026-11-25T20:59:00Z", "event": "started"},
        {k: event[k] for k in ("seq", "utc", "event")},
    ]
    found.begin("left", RUN, [Point(0.0, (25.0, 25.0), (0.0, 0.0), None)], record)
    found.take(sample(5), 0.0)
    assert [point.time_s for point in found.histories["left"].points] == [0.0, 5.0]
    assert sorted(one["seq"] for one in found.events) == [1, 2]


def test_what_several_runs_told_before_anybody_watched_stands_by_its_time() -> None:
    """And of many it is the newest that are kept, whichever bay is read last."""
    found = Told()
    for bay, late in (("left", 1), ("right", 0)):
        record = [{"seq": n, "utc": f"2026-11-25T21:{n // 30:02}:{2 * n % 60 + late:02}.000Z"} for n in range(300)]
        found.begin(bay, f"heron/{bay}", [], record)
    times = [event["utc"] for event in found.events]
    assert times == sorted(times)
    assert [event["bay"] for event in found.events][-4:] == ["right", "left", "right", "left"]


@given(st.lists(st.tuples(st.floats(0, 60), st.floats(-90, 10)), min_size=1, max_size=5 * POINTS))
def test_thinning_keeps_the_extremes_and_an_even_number_of_points(values: list[tuple[float, float]]) -> None:
    history = History()
    for place, (voltage_v, current_a) in enumerate(values):
        history.add(Point(float(place), (voltage_v, voltage_v), (current_a, current_a), None))
    assert len(history.points) < 2 * POINTS
    points = [*history.points, *history._pending]
    whole = joined(points)
    assert whole.voltage_v == (min(v for v, _ in values), max(v for v, _ in values))
    assert whole.current_a == (min(a for _, a in values), max(a for _, a in values))


@given(st.lists(st.floats(-1000, 1000), min_size=1, max_size=300), st.integers(1, 100), st.booleans())
def test_a_chart_is_two_lines_of_its_width(values: list[float], width: int, plain: bool) -> None:
    band = [(value, value) for value in values]
    upper, lower = chart(band, min(values), max(values), width, "top", "bottom", plain=plain)
    assert upper[width:] == " top"
    assert lower[width:] == " bottom"
    assert upper.isascii() == lower.isascii() == plain or not plain


def test_noise_at_rest_does_not_fill_a_chart_and_zero_has_no_sign() -> None:
    noise = (sample(seq, voltage_v=24.1 + 0.001 * (seq % 3), current_a=-0.004 + 0.003 * (seq % 2)) for seq in range(99))
    lines = one_bay(told(state(), *noise), "left", 0.0, 80, 22)
    place = next(place for place, line in enumerate(lines) if line.startswith("current"))
    upper, lower = lines[place][8:64], lines[place + 1][8:64]
    assert {*upper} <= {" ", "▁"}
    assert len({*lower}) == 1, "it stands in the middle"
    assert lines[place].endswith(" 0.5 A")
    assert "-0.0" not in "\n".join(lines)
    assert [number(value, 1) for value in (-0.04, 0.0, -0.05, None)] == ["0.0", "0.0", "-0.1", "-"]


@given(st.lists(st.floats(-1000, 1000), min_size=1), st.floats(0.01, 100))
def test_a_scale_holds_everything_and_is_as_wide_as_asked(values: list[float], least: float) -> None:
    low, high = scale([(value, value) for value in values], least)
    assert low <= min(values) <= max(values) <= high
    assert high - low >= least * (1.0 - 1e-9) - 1e-9


def test_a_short_burst_is_seen_in_a_narrow_chart() -> None:
    band = [(0.0, 0.0)] * 100 + [(-80.0, 0.0)] + [(0.0, 0.0)] * 99
    upper, _ = chart(band, -80.0, 0.0, 20, "0.0 A", "-80.0")
    assert upper[:20].count(" ") == 1


def test_an_event_in_one_line() -> None:
    event = {
        "kind": "event",
        "bench": "boat shed",
        "bay": "left",
        "run": RUN,
        "seq": 7,
        "utc": "2026-11-25T21:06:40Z",
        "test_time_s": 150.0,
        "event": "output_on",
        "output": "load",
        "quantity": "current",
        "level": 25.12345678,
        "current_a": {"load": -0.001, "supply": None},
        "flags": [],
        "why": None,
    }
    words = "output load, quantity current, level 25.12 A, current load -0.001 A supply -"
    assert event_line(event) == f"21:06:40 left: output on: {words}"


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"voltage_v": 25.2}, "voltage 25.2 V"),
        ({"charge_ah": 4.91234, "energy_wh": 105}, "charge 4.912 Ah, energy 105 Wh"),
        ({"temperature_c": 31.25, "resistance_ohm": 0.0461}, "temperature 31.25 °C, resistance 0.0461 Ω"),
        ({"groups_v": [3.6, None]}, "groups 3.6 V -"),
        ({"quantity": "power", "level": 100.0}, "quantity power, level 100 W"),
        ({"level": 100.0}, "level 100"),
        ({"counters": {"charge_ah": 1.5}}, "counters charge 1.5 Ah"),
        ({"confirmed": True, "off_s": "soon"}, "confirmed True, off s soon"),
    ],
)
def test_an_event_s_values_have_their_units(said: dict[str, Any], words: str) -> None:
    assert (
        event_line({"utc": "2026-11-25T21:06:40Z", "bay": "left", "event": "x"} | said) == f"21:06:40 left: x: {words}"
    )
