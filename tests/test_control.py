"""The command line's side of the service: what it asks, what it prints, and how it ends when nobody answers well."""

import contextlib
import io
import json
import socket
import threading
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.commands.control import list_lines, list_words, status_lines, waits_for
from benchwarden.daemon.guard.instrument_lock import InstrumentsTaken
from benchwarden.daemon.guard.state_folder import GUARDIAN_SOCKET, LOCK_FILE, WORKER_SOCKET
from benchwarden.daemon.main import main
from benchwarden.daemon.serving.asking import STOP_IDLE_S, NoAnswer, ask, ask_both, stop_outcome

OFF = {"words": "off confirmed (load 0.002 A)", "confirmed": True, "utc": "2026-11-25T21:04:11Z"}
ON = {"words": "OFF NOT CONFIRMED (load 8.1 A): unplug it", "confirmed": False}
BY_WORKER = {"ok": True, "off": True, "by": "worker", "bays": {"left": OFF}}
NOT_BY_WORKER = {"ok": True, "off": False, "by": "worker", "bays": {"left": ON}}
DISARMED = {"off": True, "by": "worker"}
TOOK_OVER = {"off": True, "by": "guardian", "outcomes": {"left load": "off, 0.001 A"}}
TOOK_OVER_IN_VAIN = {"off": False, "by": "guardian", "outcomes": {"left load": "no answer"}}


@pytest.mark.parametrize(
    ("worker", "guardian", "off"),
    [
        (BY_WORKER, DISARMED, True),
        (f"no answer within {STOP_IDLE_S:g} s, and nothing is armed", DISARMED, None),
        (BY_WORKER, "no service runs there", True),
        (NOT_BY_WORKER, DISARMED, False),
        (NOT_BY_WORKER, TOOK_OVER, True),  # the worker could not, the guardian did and measured
        (NOT_BY_WORKER, TOOK_OVER_IN_VAIN, False),
        ("no answer (timed out)", TOOK_OVER, True),
        ("no answer (timed out)", TOOK_OVER_IN_VAIN, False),
        ("no answer (timed out)", DISARMED, None),  # nobody measured anything
        ("no service runs there", "no service runs there", None),
        ({"error": "there is no bay 'top'"}, DISARMED, None),
    ],
)
def test_who_confirmed_off(worker: Any, guardian: Any, off: bool | None) -> None:
    lines, found = stop_outcome({"worker": worker, "guardian": guardian})
    assert found is off
    assert lines[0].startswith("worker: ")
    assert any(line.startswith("guardian: ") for line in lines)
    if isinstance(worker, str):
        assert worker in lines[0]


class Answering:
    """A Unix socket that gives one answer to everything, and keeps what it was asked."""

    def __init__(self, path: Path, answer: Mapping[str, Any] | bytes | None) -> None:
        self.asked: list[dict[str, Any]] = []
        self._answer = answer if isinstance(answer, bytes) or answer is None else json.dumps(answer).encode() + b"\n"
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.bind(str(path))
        self._socket.listen(4)
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                client, _ = self._socket.accept()
            except OSError:
                return
            with client, client.makefile("rb") as lines:
                self.asked.append(json.loads(lines.readline()))
                if self._answer is not None:
                    client.sendall(self._answer)

    def close(self) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()


@pytest.mark.parametrize("answer", [None, b"", b"half an ans", b"[1]\n", b"\xff\n"])
def test_an_answer_that_is_none_is_said(tmp_path: Path, answer: bytes | None) -> None:
    there = Answering(tmp_path / "w", answer)
    with pytest.raises(NoAnswer, match="answer"):
        ask(tmp_path / "w", {"do": "status"}, 2.0)
    there.close()
    with pytest.raises(NoAnswer, match="no service runs there"):
        ask(tmp_path / "w", {"do": "status"}, 2.0)  # a socket that a dead service left


def test_a_full_queue_is_waited_in(tmp_path: Path) -> None:
    """unix(7) is silent on it, connect(2) is not: EAGAIN where a non-blocking Unix socket finds the backlog full."""
    with socket.socket(socket.AF_UNIX) as listening, contextlib.ExitStack() as others:
        listening.bind(str(tmp_path / "w"))
        listening.listen(0)
        waits = others.enter_context(socket.socket(socket.AF_UNIX))
        waits.connect(str(tmp_path / "w"))
        with pytest.raises(NoAnswer, match="no answer"):
            ask(tmp_path / "w", {"do": "status"}, 0.2)

        def serve() -> None:
            listening.accept()[0].close()
            client, _ = listening.accept()
            with client, client.makefile("rb") as lines:
                lines.readline()
                client.sendall(b"{}\n")

        serving = threading.Timer(0.3, serve)
        serving.start()
        assert ask(tmp_path / "w", {"do": "status"}, 10.0) == {}
        serving.join(60.0)


def command(tmp_path: Path, *arguments: str) -> int:
    try:
        return main([*arguments, "--bench", str(tmp_path / "bench.toml"), "--state", str(tmp_path)])
    except SystemExit as ended:
        return int(str(ended.code))


@pytest.mark.parametrize(
    "arguments",
    [
        ["status"],
        ["list"],
        ["add", "left=pack.toml", "capacity"],
        ["move", "left", "1", "up"],
        ["drop", "left", "all"],
        ["start", "left"],
        ["acknowledge", "left"],
        ["answer", "left", "yes"],
    ],
)
def test_without_a_service_every_command_says_so(
    tmp_path: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert command(tmp_path, *arguments) == 2
    assert "no service runs there; `benchwarden serve` starts one" in capsys.readouterr().err


def test_while_the_guardian_acts_nobody_is_told_to_start_a_service(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    guardian = Answering(tmp_path / GUARDIAN_SOCKET, TOOK_OVER)
    assert command(tmp_path, "status") == 1
    assert capsys.readouterr().err.splitlines() == [
        "the worker has gone, and its guardian has taken over: off confirmed",
        "  left load: off, 0.001 A",
        "its guardian holds off until two minutes are over and then ends; wait, and do not end it; after that "
        "`benchwarden serve` starts idle",
    ]
    assert command(tmp_path, "start", "left") == 2
    assert "has taken over" in capsys.readouterr().err
    guardian.close()
    (tmp_path / GUARDIAN_SOCKET).unlink()
    guardian = Answering(tmp_path / GUARDIAN_SOCKET, {"armed": {}})  # there, but it has nothing to do with it
    assert command(tmp_path, "status") == 2
    assert "no service runs there" in capsys.readouterr().err
    guardian.close()


def test_whoever_finds_the_instruments_taken_is_not_told_to_end_a_guardian_that_holds_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def taken(*_: object) -> int:
        raise InstrumentsTaken("process 4711 since 2026-11-25T21:04:11Z (benchwarden serve) holds left load")

    monkeypatch.setattr("benchwarden.daemon.serving.serve.serve", taken)
    monkeypatch.setattr("benchwarden.daemon.commands.drill.drill", taken)
    monkeypatch.setattr("benchwarden.daemon.serving.asking.clock.unix_s", lambda: 1_795_640_651.0)
    (tmp_path / "state").mkdir()
    guardian = Answering(tmp_path / "state" / GUARDIAN_SOCKET, TOOK_OVER | {"left_s": 61.5})
    ends = datetime.fromtimestamp(1_795_640_712.5).astimezone().strftime("%H:%M:%S")
    for arguments in (["serve"], ["drill", "left"]):
        assert main([*arguments, "--bench", str(tmp_path / "bench.toml")]) == 2
        said = capsys.readouterr().err
        assert said.startswith("process 4711 since ")
        assert f"its guardian holds off until {ends} and then ends; wait, and do not end it" in said
        assert "end that one first" not in said
    guardian.close()
    assert main(["serve", "--bench", str(tmp_path / "bench.toml")]) == 2
    assert "end that one first" in capsys.readouterr().err


def test_stop_asks_both_and_prints_what_each_answered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    worker = Answering(tmp_path / WORKER_SOCKET, BY_WORKER)
    guardian = Answering(tmp_path / GUARDIAN_SOCKET, DISARMED)
    assert command(tmp_path, "stop", "left") == 0
    assert command(tmp_path, "stop", "--all") == 0
    assert worker.asked == guardian.asked == [{"do": "stop", "bay": "left"}, {"do": "stop"}]
    assert "worker: left: off confirmed (load 0.002 A)" in capsys.readouterr().out
    worker.close()
    guardian.close()


class Silent:
    """A Unix socket of a frozen process: whoever connects hears nothing, until it ends."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.bind(str(path))
        self._socket.listen(16)

    def close(self) -> None:
        self._socket.close()


def test_a_frozen_worker_holds_no_stop_up_where_nothing_is_armed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker, guardian = Silent(tmp_path / WORKER_SOCKET), Answering(tmp_path / GUARDIAN_SOCKET, DISARMED)
    answers = ask_both(tmp_path, {"do": "stop"}, idle_s=0.1)
    assert answers == {"worker": "no answer within 0.1 s, and nothing is armed", "guardian": DISARMED}
    monkeypatch.setattr("benchwarden.daemon.serving.asking.STOP_S", 0.5)
    guardian.close()
    (tmp_path / GUARDIAN_SOCKET).unlink()
    guardian = Answering(tmp_path / GUARDIAN_SOCKET, TOOK_OVER)  # it acts: what the worker says meanwhile is waited for
    answers = ask_both(tmp_path, {"do": "stop"}, idle_s=0.1)
    assert answers["guardian"] == TOOK_OVER
    assert "no answer (timed out)" in str(answers["worker"])
    worker.close()
    guardian.close()


def test_a_worker_that_does_not_answer_is_not_one_that_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A second service would be refused; what helps is said instead."""
    (tmp_path / LOCK_FILE).write_text("process 4711 since 2026-11-25T21:04:11Z, bench /srv/shed/bench.toml\n")
    worker, guardian = Silent(tmp_path / WORKER_SOCKET), Answering(tmp_path / GUARDIAN_SOCKET, {"armed": {}})
    monkeypatch.setattr("benchwarden.daemon.commands.control.STATUS_S", 0.1)
    assert command(tmp_path, "status") == 2
    said = capsys.readouterr().err.splitlines()
    assert said[0].endswith("worker.sock: no answer (timed out)")
    assert said[1:] == [
        "the worker does not answer; a frozen one is killed by its guardian within half a minute",
        "`benchwarden stop --all` switches off without it; to be rid of it end process 4711, its guardian, then "
        "`benchwarden serve`",
    ]
    (tmp_path / LOCK_FILE).write_text("")
    assert command(tmp_path, "status") == 2
    assert "to be rid of it end its guardian, then" in capsys.readouterr().err
    guardian.close()
    (tmp_path / GUARDIAN_SOCKET).unlink()
    guardian = Answering(tmp_path / GUARDIAN_SOCKET, {"armed": {}, "frozen": "no sign of life from the service"})
    assert command(tmp_path, "status") == 1
    assert capsys.readouterr().err.splitlines() == [
        "the worker froze with nothing switched on, and its guardian has killed it: no sign of life from the service",
        "the guardian ends once people have been told; after that `benchwarden serve` starts idle",
    ]
    worker.close()
    guardian.close()


def test_stop_with_nobody_there_switches_off_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The bench file is missing here, so that the way that needs no service is seen to be gone."""
    assert command(tmp_path, "stop", "--all") == 2
    said = capsys.readouterr()
    assert "nobody has confirmed off: switching off from here" in said.out
    assert "bench.toml: the bench file cannot be read" in said.err


def test_stop_is_never_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A worker that is too busy, or broken, has switched nothing off."""
    worker = Answering(tmp_path / WORKER_SOCKET, {"error": "16 clients are served at once; try again"})
    guardian = Answering(tmp_path / GUARDIAN_SOCKET, DISARMED)
    assert command(tmp_path, "stop", "--all") == 2  # there is no bench file to switch off by
    said = capsys.readouterr()
    assert "worker: 16 clients are served at once" in said.out
    assert "switching off from here" in said.out
    assert "bench.toml: the bench file cannot be read" in said.err
    worker.close()
    guardian.close()


@pytest.mark.parametrize("arguments", [["stop"], ["stop", "left", "--all"]])
def test_stop_wants_a_bay_or_all(tmp_path: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert command(tmp_path, *arguments) == 2
    assert "right would be `stop --all`, or `stop BAY`" in capsys.readouterr().err


LIST: dict[str, Any] = {
    "bay": "left",
    "pack_name": "Heron",
    "stand": "idle",
    "why": "",
    "cautions": ["The pack in bay left is Heron"],
    "tests": [
        {"number": 1, "title": "Capacity", "fate": "finished", "why": "", "run": "/runs/heron/1", "estimate_s": 9.0},
        {"number": 2, "title": "Burst", "fate": "waiting", "why": "", "run": None, "estimate_s": 7500.0},
    ],
}


@pytest.mark.parametrize(("typed", "code"), [("yes\n", 0), ("no\n", 2), ("", 2)])
def test_a_list_starts_only_when_a_person_has_said_yes(
    tmp_path: Path, typed: str, code: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    there = Answering(tmp_path / WORKER_SOCKET, {"ok": True, "bays": {"left": LIST}, "list": LIST})
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    assert command(tmp_path, "start", "left") == code
    assert "- The pack in bay left is Heron" in capsys.readouterr().out
    started = [request for request in there.asked if request["do"] == "start"]
    assert started == ([{"do": "start", "bay": "left", "numbers": [2]}] if code == 0 else [])
    there.close()


@pytest.mark.parametrize("stand", ["running", "cooling", "tripped"])
def test_nobody_is_asked_for_a_yes_that_would_start_nothing(
    tmp_path: Path, stand: str, capsys: pytest.CaptureFixture[str]
) -> None:
    there = Answering(tmp_path / WORKER_SOCKET, {"ok": True, "bays": {"left": LIST | {"stand": stand}}})
    assert command(tmp_path, "start", "left") == 2
    said = capsys.readouterr()
    assert "Only you can check" not in said.out
    assert said.err.startswith(f"bay left is {stand}: ")
    assert [request["do"] for request in there.asked] == ["list"]
    there.close()


def test_paths_are_made_whole_before_they_are_sent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The service has a working directory of its own; a shipped name and a wrong word stay as they are."""
    there = Answering(tmp_path / WORKER_SOCKET, {"ok": True, "list": LIST})
    monkeypatch.chdir(tmp_path)
    assert command(tmp_path, "add", "left=heron.toml", "capacity", "draw.toml", "nonsense") == 0
    assert there.asked == [
        {
            "do": "add",
            "bay": "left",
            "pack": str(tmp_path / "heron.toml"),
            "profiles": ["capacity", str(tmp_path / "draw.toml"), "nonsense"],
        }
    ]
    assert "nothing starts by itself: `benchwarden start left`" in capsys.readouterr().out
    assert command(tmp_path, "add", "heron.toml", "capacity") == 2
    there.close()


def test_what_the_service_refuses_is_printed_line_by_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    there = Answering(tmp_path / WORKER_SOCKET, {"error": "refused", "mistakes": ["one", "two"]})
    assert command(tmp_path, "drop", "left", "1") == 2
    assert capsys.readouterr().err == "one\ntwo\n"
    assert command(tmp_path, "drop", "left", "one") == 2
    there.close()


NOW = {
    "step": 3, "steps": 9, "kind": "discharge", "output": "load", "voltage_v": 21.07, "current_a": -10.25,
    "groups_v": [3.512, None, 3.6], "temperatures_c": {"middle": 31.04, "ambient": None}, "left_s": 7500.0,
}  # fmt: skip


def status(stand: str, now: dict[str, Any] | None, question: dict[str, Any] | None = None) -> dict[str, Any]:
    bay = {"list": LIST | {"stand": stand}, "now": now, "question": question, "off": None if now else OFF}
    return {"bench": "shed", "utc": "2026-11-25T21:04:11Z", "bays": {"left": bay}}


def test_a_status_for_people() -> None:
    asks = {"text": "Is the lid on?", "answers": ["yes", "no"]}
    lines = status_lines(status("running", NOW, asks) | {"guardian": {"armed": {"left": {"on": True}}}})
    assert lines[1:] == [
        "left: running, pack Heron, 1 waiting",
        "  step 3 of 9 (discharge), load on; about 2 h 05 min left",
        "  21.07 V, -10.25 A, lowest group 3.512 V, highest 3.600 V, middle 31.0 °C, ambient - °C",
        "  asks: Is the lid on? (benchwarden answer left …: yes or no)",
        "  guardian armed: output on by its last sign of life",
    ]
    assert "  guardian not armed" in status_lines(status("running", NOW) | {"guardian": {"armed": {}}})
    begins = status("running", None)
    begins["bays"]["left"] |= {"off": None, "checking": True}
    assert "  the checks before the first step, with a test pulse: no reading yet" in status_lines(
        begins | {"guardian": {"armed": {}}}
    )
    idle = status_lines(status("idle", None) | {"guardian": {"error": "no service runs there"}})
    assert idle[1:] == [
        "left: idle, pack Heron, 1 waiting",
        "  waits for a person: benchwarden start left",
        "  off confirmed (load 0.002 A), 2026-11-25T21:04:11Z",
        "guardian: NO ANSWER: no service runs there",
    ]
    later = status("idle", None) | {"utc": "2026-11-25T23:09:12Z", "guardian": {"armed": {}}}
    assert status_lines(later)[-2:] == [
        "  off confirmed (load 0.002 A), 2026-11-25T21:04:11Z (2 h 05 min ago)",
        "guardian: there; nothing is switched on",
    ]


@pytest.mark.parametrize(
    ("stand", "left", "words"),
    [
        ("idle", 1, "waits for a person: benchwarden start left"),
        ("stopped", 1, "waits for a person: benchwarden start left"),
        ("interrupted", 0, "nothing waits"),
        ("tripped", 1, "waits for a person who has looked at it: benchwarden acknowledge left"),
        ("cooling", 1, "waits until the pack is cool, then test 2"),
        ("running", 1, ""),
    ],
)
def test_what_a_bay_waits_for(stand: str, left: int, words: str) -> None:
    assert waits_for(LIST | {"stand": stand, "tests": LIST["tests"][: 1 + left]}) == words


def test_a_test_is_counted_among_its_list() -> None:
    tests = [dict(test) for test in LIST["tests"]]
    tests[1]["fate"] = "running"
    assert (
        list_words(LIST | {"stand": "running", "tests": tests}) == "running, pack Heron, test 2 of 2 (Burst), 0 waiting"
    )


@pytest.mark.parametrize(("stand", "code"), [("idle", 0), ("tripped", 1)])
def test_the_exit_code_of_status_tells_of_a_trip(
    tmp_path: Path, stand: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    there = Answering(tmp_path / WORKER_SOCKET, status(stand, None))
    assert command(tmp_path, "status", "--json") == code
    assert json.loads(capsys.readouterr().out)["bays"]["left"]["list"]["stand"] == stand
    there.close()


def test_a_list_for_people() -> None:
    assert list_lines("left", LIST) == [
        "left: idle, pack Heron, 1 waiting",
        "  1. Capacity: finished",
        "     /runs/heron/1",
        "  2. Burst: waiting, about 2 h 05 min",
    ]
