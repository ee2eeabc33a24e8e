"""What `watch` prints into a pipe: where each bay stands, at the start and at each change, and samples between."""

from typing import Any

import pytest

from benchwarden.daemon.commands.watch_lines import Lines
from tests.test_watch_view import RUN, sample, state, told

NOW = "2026-11-25T21:05:12Z"
OFF = {"words": "off confirmed (load 0.001 A)", "utc": "2026-11-25T21:00:00Z", "confirmed": True}
ASKED = {"text": "Is it\n full?", "answers": ["done", "no"]}


def said(lines: Lines, **changes: Any) -> list[str]:
    return lines.take(state(utc="2026-11-25T21:05:11.250Z") | changes, NOW)


def test_a_state_is_printed_at_the_start_and_then_what_changes() -> None:
    lines = Lines(None)
    waits = "idle, Heron, 2 waiting"
    tests = [{"number": number, "title": "Rest", "fate": "waiting"} for number in (1, 2)]
    idle = {"stand": "idle", "tests": tests, "run": None, "off": OFF}
    assert said(lines, **idle) == [f"21:05:11 left: {waits}", "21:05:11 left: off confirmed (load 0.001 A)"]
    assert said(lines, **idle) == [], "told again every twenty seconds"
    running = "running, Heron, test 1 of 2: Standard test, 1 waiting"
    assert said(lines) == [f"21:05:11 left: {running}"]
    assert said(lines, question=ASKED) == [
        "21:05:11 left: ASKS: Is it full?",
        "21:05:11 left: answer with: benchwarden answer left … (done or no)",
    ]
    assert said(lines, question=ASKED) == []
    assert said(lines) == ["21:05:11 left: asks nothing any more"]
    assert said(lines, stand="tripped", why="group 2 fell", tests=[], off=OFF) == [
        "21:05:11 left: TRIPPED (group 2 fell), Heron",
        "21:05:11 left: off confirmed (load 0.001 A)",
    ]


@pytest.mark.parametrize("bay", [None, "left", "right"])
def test_only_the_bay_that_is_meant(bay: str | None) -> None:
    lines = Lines(bay)
    event = {"kind": "event", "bay": "left", "run": RUN, "seq": 1, "utc": NOW, "event": "flag"}
    found = told(state(), sample())
    for new in (said(lines), lines.take(event, NOW), lines.samples(found, 1.0)):
        assert bool(new) == (bay != "right")


def test_a_lost_connection_is_said_once_and_no_old_sample_is_printed_meanwhile() -> None:
    lines, found = Lines(None), told(state(), sample())
    assert lines.take({"kind": "found"}, NOW) == []
    assert lines.samples(found, 1.0)[0].startswith("21:05:11 left: step 2/10 discharge  21.50 V")
    assert lines.take({"kind": "lost"}, NOW) == ["21:05:12 NO CONNECTION to the worker: what was said before is old"]
    assert lines.take({"kind": "lost"}, NOW) == []
    found.take({"kind": "lost"}, 1.0)
    assert lines.samples(found, 6.0) == []
    assert lines.take({"kind": "found"}, NOW) == ["21:05:12 connected to the worker again"]
