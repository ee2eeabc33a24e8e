"""The morning's report, from lists and run folders as a night leaves them."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.guard.state_folder import (
    GUARDIAN_LOG,
    GUARDIAN_LOG_BEFORE,
    GUARDIAN_SOCKET,
    WORKER_SOCKET,
    append_line,
)
from benchwarden.daemon.main import main
from benchwarden.daemon.serving import waiting_list
from benchwarden.daemon.serving.list_file import list_path, write_list
from benchwarden.daemon.serving.waiting_list import Entry, Fate, WaitingList
from benchwarden.results.folder import utc_text
from tests.synthetic_run import STARTED_UNIX_S, Writer, discharge_run
from tests.test_bench import BENCH, SECOND
from tests.test_control import Answering, Silent

UTC = utc_text(STARTED_UNIX_S)
VALUES = {"series": 6, "full_v": 4.2, "storage_v": 3.65, "storage_fraction": None, "chargeable": True}


@pytest.fixture
def shed(tmp_path: Path) -> Path:
    """A bench of two bays, left and right, and the folder of a service that does not run now."""
    (tmp_path / "bench.toml").write_text(BENCH + "[[bay]]" + SECOND)
    (tmp_path / "state").mkdir()
    return tmp_path


def left_run(shed: Path, how: str | None) -> Path:
    """Put a run of Heron in bay left below `runs`; `how` None is a run whose end nobody wrote."""
    writer: Writer = discharge_run()
    info = writer.info(bay="left", started_utc=UTC)
    info["plan"] = dict(info.get("plan") or {}) | {"pack": VALUES, "limits": {"temperature_high_c": 80.0}}
    folder = shed / "runs" / "heron" / "2026-11-25T21-04-11Z_capacity"
    folder.mkdir(parents=True)
    return writer.finish(folder, info, how)


def listed(*titles: str) -> WaitingList:
    tests = [Entry(0, title.lower(), title, "c0ffee") for title in titles]
    found = waiting_list.add(WaitingList("left"), "/packs/heron.toml", "Heron", tests)
    return waiting_list.begun(waiting_list.start(found), 1, UTC)


def report(shed: Path, capsys: pytest.CaptureFixture[str], code: int) -> tuple[str, dict[str, Any]]:
    bench = ["--bench", str(shed / "bench.toml")]
    assert main(["morning", *bench]) == code
    text = capsys.readouterr().out
    assert main(["morning", *bench, "--json"]) == code
    return text, json.loads(capsys.readouterr().out)


def test_a_night_that_went_well(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = left_run(shed, "finished")
    done = waiting_list.ended(listed("Capacity"), Fate.FINISHED, "", run=str(run), off_confirmed=True, utc=UTC)
    write_list(shed / "state", done)
    text, data = report(shed, capsys, 0)
    assert "the service does not run" in text
    assert "left, Heron: idle" in text
    assert "  off confirmed" in text
    assert "  1. Capacity: finished" in text
    assert "     delivered, Ah: " in text
    assert "  the pack now: empty; " in text
    assert "  within 24 h: charge it to storage (3.65 V per group at rest)" in text
    assert "right: idle" in text
    left = data["bays"]["left"]
    assert (left["fine"], left["off"], left["not_run"]) == (True, True, [])
    assert left["tests"][0]["result"]["figures"]["delivered_ah"]["value"] > 0.0
    assert len(left["pack_now"]["groups_v"]) == 6


def test_a_trip_and_what_did_not_run(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = left_run(shed, "tripped")
    found = listed("Capacity", "Burst")
    write_list(
        shed / "state",
        waiting_list.ended(found, Fate.TRIPPED, "group 3 is 2.1 V", run=str(run), off_confirmed=False, utc=UTC),
    )
    text, data = report(shed, capsys, 1)
    assert "left, Heron: tripped: test 1 (Capacity) tripped: group 3 is 2.1 V; OFF NOT CONFIRMED" in text
    assert "  OFF NOT CONFIRMED: look at it, unplug it" in text
    assert "  did not run: 2. Burst: waits" in text
    assert data["bays"]["left"]["not_run"] == [{"number": 2, "title": "Burst", "why": "waits"}]
    assert not data["bays"]["left"]["fine"]
    assert data["bays"]["right"]["fine"]


def test_a_night_that_a_crash_ended(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody wrote an end: the run is found by when its test began, and the guardian's words are there."""
    run = left_run(shed, None)
    write_list(shed / "state", waiting_list.after_restart(listed("Capacity")))
    append_line(shed / "state" / GUARDIAN_LOG, f"{UTC} the worker ended; taking over bays left")
    append_line(shed / "state" / GUARDIAN_LOG, f"{UTC} left load at TCPIP::192.0.2.7::5025::SOCKET: off, 0.001 A")
    text, data = report(shed, capsys, 1)
    assert data["guardian_why"] == f"{UTC} the worker ended; taking over bays left"
    assert "the guardian had to act; that is over, and no service runs:" in text
    assert "taking over bays left" in text
    assert "  1. Capacity: interrupted: the service ended while it ran" in text
    assert "  off: nobody has confirmed it" in text
    assert "flag: partial: the run was interrupted" in text
    [test] = data["bays"]["left"]["tests"]
    assert (test["run"], test["result"]["partial"]) == (str(run), True)


def test_a_list_that_went_on_when_everything_died_is_not_said_to_go_on(
    shed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As it lies on disk: cooling after a test that ended well. Nobody has looked at the bay since."""
    run = left_run(shed, "finished")
    found = waiting_list.ended(
        listed("Capacity", "Burst"), Fate.FINISHED, "", run=str(run), off_confirmed=True, utc=UTC
    )
    write_list(shed / "state", waiting_list.cooling(found))
    text, data = report(shed, capsys, 1)
    assert "left, Heron: interrupted: the service ended while its list was on its way" in text
    assert "  off: nobody has confirmed it" in text
    assert (data["bays"]["left"]["off"], data["bays"]["left"]["fine"]) == (None, False)


def test_what_the_guardian_did_in_an_earlier_night_is_no_news(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = left_run(shed, "finished")
    done = waiting_list.ended(listed("Capacity"), Fate.FINISHED, "", run=str(run), off_confirmed=True, utc=UTC)
    write_list(shed / "state", done)
    append_line(shed / "state" / GUARDIAN_LOG_BEFORE, f"{utc_text(STARTED_UNIX_S - 3600)} the worker ended")
    assert "the guardian had to act" not in report(shed, capsys, 0)[0]


def test_while_the_guardian_acts_its_answers_are_taken(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    left_run(shed, None)
    write_list(shed / "state", listed("Capacity"))
    append_line(shed / "state" / GUARDIAN_LOG, f"{UTC} the worker ended; taking over bays left")
    outcomes = {"left load": "off, read back; 0.00 A measured", "left supply": "off, read back; 0.00 A measured"}
    guardian = Answering(shed / "state" / GUARDIAN_SOCKET, {"by": "guardian", "off": True, "outcomes": outcomes})
    text, data = report(shed, capsys, 1)
    assert "the guardian acts now, in the worker's place:" in text
    assert (
        "  off confirmed (the guardian: left load: off, read back; 0.00 A measured; left supply: off, read back; "
        "0.00 A measured)" in text
    )
    assert (data["bays"]["left"]["off"], data["bays"]["right"]["off"]) == (True, None)
    guardian.close()
    (shed / "state" / GUARDIAN_SOCKET).unlink()
    outcomes["left supply"] = "NOT CONFIRMED (no answer): unplug it"
    guardian = Answering(shed / "state" / GUARDIAN_SOCKET, {"by": "guardian", "off": False, "outcomes": outcomes})
    text, data = report(shed, capsys, 1)
    assert "  OFF NOT CONFIRMED: look at it, unplug it (the guardian: left load: off" in text
    assert data["bays"]["left"]["off"] is False
    guardian.close()


def test_a_bay_that_cools_is_watched(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = left_run(shed, "finished")
    done = waiting_list.ended(listed("Capacity", "Burst"), Fate.FINISHED, "", run=str(run), off_confirmed=True, utc=UTC)
    write_list(shed / "state", waiting_list.cooling(done))
    for output, words in (("off", "  cools, all off and watched"), ("load", "  off: nobody has confirmed it")):
        live = {"off": None, "now": {"output": output}}
        worker = Answering(shed / "state" / WORKER_SOCKET, {"ok": True, "bays": {"left": live}})
        assert words in report(shed, capsys, 0)[0]
        worker.close()
        (shed / "state" / WORKER_SOCKET).unlink()


def test_a_run_without_a_sample_says_nothing_of_its_pack(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = left_run(shed, None)
    samples = run / "samples-001.csv"
    samples.write_text(samples.read_text().splitlines(keepends=True)[0])
    write_list(shed / "state", waiting_list.after_restart(listed("Capacity")))
    text, data = report(shed, capsys, 1)
    assert "  the pack now: not known, its last run left no sample; measure it" in text
    assert "within 24 h" not in text
    assert "None" not in text
    assert data["bays"]["left"]["pack_now"]["utc"] is None


def later(found: WaitingList, number: int) -> WaitingList:
    """The list once a person has let it go on, an hour after the guardian's words."""
    return waiting_list.begun(waiting_list.start(found), number, utc_text(STARTED_UNIX_S + 3600))


def test_a_takeover_before_the_restart_is_said_to_be_over_and_is_no_news_after_newer_runs(
    shed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    left_run(shed, None)
    interrupted = waiting_list.after_restart(listed("Capacity", "Burst"))
    write_list(shed / "state", interrupted)
    append_line(shed / "state" / GUARDIAN_LOG_BEFORE, f"{utc_text(STARTED_UNIX_S + 60)} the worker ended; taking over")
    text = report(shed, capsys, 1)[0]
    assert "the guardian of the service before had to act; that is over:" in text
    assert "the worker ended; taking over" in text
    write_list(shed / "state", later(interrupted, 2))
    worker = Answering(shed / "state" / WORKER_SOCKET, {"ok": True, "bays": {}})
    text = report(shed, capsys, 1)[0]
    assert "had to act" not in text
    assert "the worker ended" not in text
    # The other bay's test was interrupted then, and nobody has seen to it.
    other = replace(interrupted, bay="right")
    write_list(shed / "state", other)
    assert "that is over:" in report(shed, capsys, 1)[0]
    append_line(shed / "state" / GUARDIAN_LOG, f"{utc_text(STARTED_UNIX_S + 7200)} contactor of bay left: it opens")
    assert "the guardian had to act:" in report(shed, capsys, 1)[0]
    worker.close()


def test_a_service_that_does_not_answer_is_not_said_to_be_gone(
    shed: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchwarden.daemon.serving.asking.STATUS_S", 0.1)
    worker = Silent(shed / "state" / WORKER_SOCKET)
    assert "the service does not answer: " in report(shed, capsys, 0)[0]
    worker.close()
    assert "the service does not run: " in report(shed, capsys, 0)[0]


def test_one_bay_only(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = ["--bench", str(shed / "bench.toml")]
    assert main(["morning", "right", *bench]) == 0
    assert "left" not in capsys.readouterr().out
    assert main(["morning", "top", *bench]) == 2
    assert "there is no bay top; known: left, right" in capsys.readouterr().err


def test_a_test_that_never_began_borrows_no_figures(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = left_run(shed, "finished")
    found = waiting_list.ended(
        listed("Capacity", "Burst"), Fate.FINISHED, "", run=str(run), off_confirmed=True, utc=UTC
    )
    found = waiting_list.refused(found, 2, "its plan is no longer the one that was added")
    first = replace(found.tests[0], fate=Fate.STOPPED, why="stopped before it began", run=None)
    write_list(shed / "state", replace(found, tests=(first, found.tests[1])))
    text, data = report(shed, capsys, 1)
    assert data["bays"]["left"]["tests"][0]["result"] is None
    assert "did not run: 2. Burst: its plan is no longer the one that was added" in text


def test_a_list_that_cannot_be_read_is_no_good_morning(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    list_path(shed / "state", "left").write_text("{")
    text, _ = report(shed, capsys, 1)
    assert "left: not known: " in text
    assert "not JSON" in text


def test_no_service_was_ever_there(shed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shed / "state").rmdir()
    assert main(["morning", "--bench", str(shed / "bench.toml")]) == 2
    assert "the folder of a service would be right (--state)" in capsys.readouterr().err
