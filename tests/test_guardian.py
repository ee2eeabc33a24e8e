"""The guardian with real processes, sockets and seconds: tiny workers in place of the real one, and instruments
that keep the bytes that they were sent.
"""

import base64
import json
import os
import pty
import re
import signal
import socket
import subprocess
import sys
import textwrap
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon import guardian
from benchwarden.daemon.commands import install
from benchwarden.daemon.guard import raw_wire
from benchwarden.profiles.plan import PlanLimits
from tests.shed import wait_for

pytestmark = pytest.mark.realtime

OFF, QUESTION, CURRENT = b"SYST:REM\nINP OFF\n", b"INP?\n", b"MEAS:VOLT?;:MEAS:CURR?\n"
ANSWERS = {"INP?": "0", "MEAS:VOLT?;:MEAS:CURR?": "21.6;0.004"}


class Box:
    """An instrument on a socket: answers from a table, and keeps every line. `sent_to` tells what it got."""

    def __init__(self, answers: dict[str, str | None] | None = None, end: str = "\n") -> None:
        self.answers: dict[str, str | None] = {**ANSWERS, **(answers or {})}
        self.end = end
        self.lines: list[str] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                line, _ = self._server.accept()
            except OSError:
                return
            with line, line.makefile("r", newline="\n") as messages:
                for message in messages:
                    self.lines.append(message.strip())
                    answer = self.answers.get(self.lines[-1])
                    if answer is not None:
                        line.sendall((answer + self.end).encode())

    def close(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(60.0)


@pytest.fixture
def make_box() -> Iterator[Callable[..., Box]]:
    made: list[Box] = []

    def make(*args: Any) -> Box:
        made.append(Box(*args))
        return made[-1]

    yield make
    for box in made:
        box.close()


def entry(address: str, **other: object) -> dict[str, object]:
    """What the guardian is handed over for one instrument, as JSON data."""
    coded = {"off": OFF, "question": QUESTION, "current_question": CURRENT, "reply_end": b"\n"}
    return {
        "name": "left load",
        "address": address,
        "off_replies": ["0", "OFF"],
        "current_field": 1,
        "current_separator": ";",
        "current_unit": "",
        "current_factor": 1.0,
        "baud": 9600,
        "threshold_a": 0.12,
        **{name: base64.b64encode(value).decode() for name, value in coded.items()},
        **other,
    }


# What one instrument answers after off.


def test_off_is_sent_read_back_and_measured(make_box: Callable[..., Box]) -> None:
    box = make_box()
    assert raw_wire.switch_off(entry(box.address)) == "off, read back; 0.00 A measured"
    assert box.lines == ["SYST:REM", "INP OFF", "INP?", "MEAS:VOLT?;:MEAS:CURR?"]


@pytest.mark.parametrize(
    ("answers", "outcome"),
    [
        ({"INP?": "1"}, "NOT CONFIRMED (answers '1' after off): unplug it"),
        ({"INP?": "0;0"}, "NOT CONFIRMED (answers '0;0' after off): unplug it"),
        (
            {"MEAS:VOLT?;:MEAS:CURR?": "21.6;10.5"},
            "NOT CONFIRMED (reads back off, but measures 10.50 A): unplug it",
        ),
        (
            {"MEAS:VOLT?;:MEAS:CURR?": "21.6;-10.5"},
            "NOT CONFIRMED (reads back off, but measures -10.50 A): unplug it",
        ),
        ({"MEAS:VOLT?;:MEAS:CURR?": "21.6;nan"}, "NOT CONFIRMED (reads back off, but measures nan A): unplug it"),
        (
            {"MEAS:VOLT?;:MEAS:CURR?": "9.9E37;9.9E37"},
            f"NOT CONFIRMED (reads back off, but measures {9.9e37:.2f} A): unplug it",
        ),
        ({"MEAS:VOLT?;:MEAS:CURR?": "21.6"}, "NOT CONFIRMED (list index out of range): unplug it"),
        (
            {"MEAS:VOLT?;:MEAS:CURR?": "21.6;much"},
            "NOT CONFIRMED (could not convert string to float: 'much'): unplug it",
        ),
        ({"INP?": None}, "NOT CONFIRMED (no answer): unplug it"),
    ],
)
def test_everything_else_is_not_confirmed(
    make_box: Callable[..., Box], answers: dict[str, str | None], outcome: str
) -> None:
    box = make_box(answers)
    assert raw_wire.switch_off(entry(box.address), timeout_s=0.3) == outcome
    assert box.lines[:2] == ["SYST:REM", "INP OFF"]  # off went out first, whatever came back


def test_half_an_answer_is_none(make_box: Callable[..., Box]) -> None:
    box = make_box(None, "")
    outcome = raw_wire.switch_off(entry(box.address), timeout_s=0.3)
    assert outcome.startswith("NOT CONFIRMED (")
    assert "INP OFF" in box.lines


def test_a_closed_line_in_the_middle_of_an_answer_is_none() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def half() -> None:
            line, _ = server.accept()
            with line:
                line.recv(100)
                line.sendall(b"0")

        thread = threading.Thread(target=half)
        thread.start()
        outcome = raw_wire.switch_off(entry(f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"), timeout_s=1.0)
        thread.join()
    assert outcome in (
        "NOT CONFIRMED (half an answer, b'0'): unplug it",
        "NOT CONFIRMED ([Errno 104] Connection reset by peer): unplug it",
    )


def test_a_refused_connection_is_said() -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        outcome = raw_wire.switch_off(entry(f"TCPIP::127.0.0.1::{nobody.getsockname()[1]}::SOCKET"))
    assert outcome == "NOT CONFIRMED ([Errno 111] Connection refused): unplug it"


def test_an_ipv6_host_keeps_its_colons() -> None:
    outcome = raw_wire.switch_off(entry("TCPIP::[::1]::1::SOCKET"))
    assert re.fullmatch(r"NOT CONFIRMED \(\[Errno \d+\] .+\): unplug it", outcome)  # refused, or no IPv6 here


@pytest.mark.parametrize("address", ["USB::1::2::INSTR", "GPIB0::5::INSTR", "MEMORY::left/load", ""])
def test_an_address_that_it_cannot_reach_is_said(address: str) -> None:
    outcome = raw_wire.switch_off(entry(address))
    assert outcome == (
        "NOT CONFIRMED (only TCPIP…::SOCKET and ASRL…::INSTR can be reached without a driver, "
        f"not {address}): unplug it"
    )


def test_an_entry_that_lacks_something_does_not_stop_the_guardian() -> None:
    broken = entry("TCPIP::127.0.0.1::1::SOCKET")
    del broken["reply_end"]
    assert raw_wire.switch_off(broken) == "NOT CONFIRMED ('reply_end'): unplug it"


def test_the_word_for_off_in_any_case_and_a_unit_behind_the_current(make_box: Callable[..., Box]) -> None:
    box = make_box({"INP?": "off", "MEAS:VOLT?;:MEAS:CURR?": "21.6;0.05A"})
    assert raw_wire.switch_off(entry(box.address, current_unit="A")) == "off, read back; 0.05 A measured"


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [
        ("21.6;100mA", "off, read back; 0.10 A measured"),
        ("21.6;-4500mA", "NOT CONFIRMED (reads back off, but measures -4.50 A): unplug it"),
    ],
)
def test_a_current_in_milliamperes_is_held_against_amperes(
    make_box: Callable[..., Box], answer: str, outcome: str
) -> None:
    box = make_box({"MEAS:VOLT?;:MEAS:CURR?": answer})
    assert raw_wire.switch_off(entry(box.address, current_unit="mA", current_factor=0.001)) == outcome


def test_a_serial_port_is_reached_by_raw_bytes() -> None:
    near, far = pty.openpty()
    tty.setraw(far)
    got: list[bytes] = []

    def instrument() -> None:
        pending = b""
        while True:
            try:
                block = os.read(near, 100)
            except OSError:
                return
            *lines, pending = (pending + block).split(b"\n")
            for line in lines:
                got.append(line)
                if line.decode() in ANSWERS:
                    os.write(near, ANSWERS[line.decode()].encode() + b"\n")

    thread = threading.Thread(target=instrument, daemon=True)
    thread.start()
    try:
        outcome = raw_wire.switch_off(entry(f"ASRL{os.ttyname(far)}::INSTR"))
    finally:
        os.close(far)
        os.close(near)
    assert outcome == "off, read back; 0.00 A measured"
    assert got == [b"SYST:REM", b"INP OFF", b"INP?", b"MEAS:VOLT?;:MEAS:CURR?"]


def test_a_serial_port_that_is_not_there_is_said(tmp_path: Path) -> None:
    outcome = raw_wire.switch_off(entry(f"ASRL{tmp_path}/ttyUSB9::INSTR"))
    assert outcome.startswith("NOT CONFIRMED (")
    assert "ttyUSB9" in outcome


# A whole guardian, in a process of its own, over a worker that does what the test says.

WORKER = """
import json, os, signal, socket, sys, time
line = socket.socket(fileno=int(sys.argv[-1]))
def send(message): line.sendall(json.dumps(message).encode() + b"\\n")
def arm(bay="left"):
    send({{"arm": bay, "off": OFF}})
    heard = b""
    while b"armed" not in heard or not heard.endswith(b"\\n"): heard += line.recv(1000)
    said = [json.loads(one) for one in heard.splitlines()]
    assert [one for one in said if "alive" not in one] == [{{"armed": bay}}]
def beat(n=1, bay="left"): send({{"beat": bay, "n": n, "on": True}})
def alive(): send({{"alive": 1}})
def disarm(bay="left"): send({{"disarm": bay, "current_a": {{}}}})
print(os.getpid(), flush=True)
OFF = {off!r}
{body}
"""
GUARDIAN = """
import sys
from pathlib import Path
from benchwarden.daemon import guardian
from benchwarden.daemon.guard import raw_wire
TELL = "import sys; lines = sys.stdin.read(); open(sys.argv[1], 'a').write(lines)"
sys.exit(guardian.Guardian([sys.executable, sys.argv[1]], silence_s=float(sys.argv[4]), assert_off_s=float(sys.argv[2]),
                           worker_silence_s=1.5,
                           bench_inside_worker=sys.argv[3] == "inside", control=Path(sys.argv[1] + ".sock"),
                           alarm=[sys.executable, "-c", TELL, sys.argv[1] + ".told"]).run())
"""
SILENT = r"no sign of life from bay left for \d+\.\d s"
ENVIRONMENT = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1] / "src")}


class Guarded:
    """A guardian at work over a worker with this body; `silence_s` only matters where silence is what is looked at."""

    def __init__(
        self,
        folder: Path,
        body: str,
        *boxes: Box,
        assert_off_s: float = 0.0,
        silence_s: float = 60.0,
        inside: bool = False,
    ) -> None:
        off = [entry(box.address, name=f"box {number}") for number, box in enumerate(boxes, start=1)]
        path = folder / "worker.py"
        path.write_text(WORKER.format(off=off, body=textwrap.dedent(body)))
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-c", GUARDIAN, str(path)),
                *(str(assert_off_s), "inside" if inside else "apart", str(silence_s)),
            ],
            env=ENVIRONMENT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.worker = int(self.process.stdout.readline())

    def end(self, timeout_s: float = 90.0) -> tuple[int, str]:
        """Return its exit code and what it said; the worker is gone by then."""
        try:
            _, said = self.process.communicate(timeout=timeout_s)
        finally:
            self.process.kill()
        assert not Path(f"/proc/{self.worker}").exists()
        return self.process.returncode, said


@pytest.mark.parametrize("code", [0, 1, 2, 3])
def test_who_arms_nothing_is_only_waited_for(tmp_path: Path, make_box: Callable[..., Box], code: int) -> None:
    box = make_box()
    found, said = Guarded(tmp_path, f"sys.exit({code})", box).end()
    assert (found, said) == (code, "")
    assert box.lines == []


def test_after_disarming_the_exit_code_is_the_worker_s(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    box = make_box()
    body = "arm(); beat(); disarm(); time.sleep(0.8); sys.exit(3)"  # a report may take its time
    found, said = Guarded(tmp_path, body, box).end()
    assert (found, said) == (3, "")
    assert box.lines == []


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("arm(); beat(); os._exit(0)", "the worker ended"),
        ("arm(); os.kill(os.getpid(), signal.SIGKILL)", "the worker ended"),
        ("arm(); beat(); line.close(); time.sleep(60)", "the worker ended"),
        ("arm(); beat(); time.sleep(60)", SILENT),
        ("arm(); os.kill(os.getpid(), signal.SIGSTOP)", SILENT),
        (
            "arm()\nwhile True: beat(bay='right'); time.sleep(0.1)",  # another bay's beats do not count
            SILENT,
        ),
        ("arm(); line.sendall(b'nonsense\\n'); time.sleep(60)", "the worker sent or took what no worker does"),
        ("arm(); line.sendall(b'\\xff\\xfe\\n'); time.sleep(60)", "the worker sent or took what no worker does"),
        ("arm(); line.sendall(b'7\\n'); time.sleep(60)", "the worker sent or took what no worker does"),
        ("arm(); line.sendall(b'[]\\n{\"arm\": 1}\\n'); time.sleep(60)", "the worker sent or took what no worker does"),
        ("arm(); send({'beat': ['left']}); time.sleep(60)", "the worker sent or took what no worker does"),
        ("arm(); disarm('right'); beat(); os._exit(0)", "the worker ended"),
    ],
)
def test_the_guardian_takes_over(tmp_path: Path, make_box: Callable[..., Box], body: str, why: str) -> None:
    one, two = make_box(), make_box({"INP?": "OFF"})
    code, said = Guarded(tmp_path, body, one, two, silence_s=0.5 if why == SILENT else 60.0).end()
    assert code == guardian.TOOK_OVER
    assert re.search(f"guardian: {why}", said)
    assert "taking over bays left" in said
    for number, box in ((1, one), (2, two)):
        assert box.lines == ["SYST:REM", "INP OFF", "INP?", "MEAS:VOLT?;:MEAS:CURR?"]
        assert f"guardian: box {number} at {box.address}: off, read back; 0.00 A measured" in said


@pytest.mark.parametrize(
    "body",
    [
        "alive(); time.sleep(600)",
        "alive(); os.kill(os.getpid(), signal.SIGSTOP)",
        "alive(); arm(); beat(); disarm(); time.sleep(600)",
        "alive(); line.close(); time.sleep(600)",  # it hung up, and does not come to its end
        "alive(); line.sendall(b'nonsense\\n'); time.sleep(600)",
    ],
)
def test_a_service_that_freezes_with_nothing_on_is_killed_and_people_are_told(
    tmp_path: Path, make_box: Callable[..., Box], body: str
) -> None:
    box = make_box()
    code, said = Guarded(tmp_path, body, box).end(60)
    assert code == guardian.TOOK_OVER
    assert re.search(r"guardian: no sign of life from the service for \d+\.\d s", said)
    assert "killed it: nothing was switched on" in said
    assert box.lines == []
    [told] = [json.loads(line) for line in (tmp_path / "worker.py.told").read_text().splitlines()]
    assert (told["kind"], told["bay"], told["off"]) == ("guardian took over", "", None)


def test_a_service_that_gives_signs_and_a_worker_that_never_gave_one_are_left_alone(
    tmp_path: Path, make_box: Callable[..., Box]
) -> None:
    """Starting takes its time, and `run` gives none at all."""
    body = """
    time.sleep(2.5)
    for n in range(25):
        alive()
        time.sleep(0.1)
    """
    assert Guarded(tmp_path, body, make_box()).end(60) == (0, "")


def test_whoever_asks_while_people_are_told_hears_of_the_frozen_service(
    tmp_path: Path, make_box: Callable[..., Box]
) -> None:
    slow = GUARDIAN.replace("lines = sys.stdin.read()", "import time; lines = sys.stdin.read(); time.sleep(2.0)")
    path, control = tmp_path / "worker.py", tmp_path / "worker.py.sock"
    path.write_text(WORKER.format(off=[], body="alive(); time.sleep(600)"))
    process = subprocess.Popen(
        [sys.executable, "-c", slow, str(path), "0", "apart", "60"],
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_for(control.exists, 60)
        found = wait_for(lambda: asked(control, {"do": "status"}).get("frozen"), 60)
        assert re.match(r"no sign of life from the service for \d+\.\d s", str(found))
        assert asked(control, {"do": "stop"}) == {"off": True, "by": "worker"}
        assert process.wait(60) == guardian.TOOK_OVER
    finally:
        process.kill()
        process.wait(60)


def test_a_worker_that_beats_is_left_alone(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    box = make_box()
    body = """
    arm()
    for n in range(30):  # three seconds, longer than silence may last
        beat(n)
        time.sleep(0.1)
    disarm()
    """
    assert Guarded(tmp_path, body, box, silence_s=2.5).end() == (0, "")
    assert box.lines == []


def asked(control: Path, request: object) -> dict[str, object]:
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(control))
        line.settimeout(60.0)
        line.sendall(json.dumps(request).encode() + b"\n")
        with line.makefile() as answers:
            answer: dict[str, object] = json.loads(answers.readline())
        return answer


def test_a_stop_is_answered_although_the_worker_is_at_its_report(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    """The worker's end of the socket may close in the very turn in which somebody asks."""
    box = make_box()
    body = """
    from pathlib import Path
    arm(); beat(); disarm(); line.close()
    Path(sys.argv[0] + ".closed").touch()
    while not Path(sys.argv[0] + ".end").exists():
        time.sleep(0.05)
    sys.exit(3)
    """
    guarded = Guarded(tmp_path, body, box)
    control = tmp_path / "worker.py.sock"
    wait_for((tmp_path / "worker.py.closed").exists, 60)
    assert asked(control, {"do": "stop"}) == {"off": True, "by": "worker"}
    (tmp_path / "worker.py.end").touch()
    assert guarded.end()[0] == 3


def test_nonsense_and_silent_clients_at_its_socket_change_nothing(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    """The guardian must outlive whatever a client says to it; and a STOP gets in though others hold the line."""
    box = make_box()
    body = """
    from pathlib import Path
    arm()
    while not Path(sys.argv[0] + ".end").exists():
        beat()
        time.sleep(0.1)
    disarm()
    """
    guarded = Guarded(tmp_path, body, box)
    control = tmp_path / "worker.py.sock"
    end = time.monotonic() + 60.0
    drawing = {"armed": {"left": {"on": True}}}
    while asked(control, {"do": "status"}) != drawing and time.monotonic() < end:  # at the first sign of life
        time.sleep(0.02)
    for request in ({"do": "stop", "bay": ["left"]}, {"do": "stop", "bay": {}}, {"do": ["stop"]}, {"do": "dance"}):
        assert "the guardian knows status, and stop" in str(asked(control, request)["error"])
    silent = [socket.socket(socket.AF_UNIX) for _ in range(40)]
    for line in silent:
        line.connect(str(control))
    try:
        assert asked(control, {"do": "status"}) == drawing
    finally:
        for line in silent:
            line.close()
    assert asked(control, {"do": "stop", "bay": "right"}) == {"off": True, "by": "worker"}
    (tmp_path / "worker.py.end").write_text("")
    assert guarded.end() == (0, "")
    assert box.lines == []


def test_a_message_in_pieces_is_one_message(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    body = """
    arm()
    for piece in (b'{"be', b'at": "left", ', b'"n": 1}\\n{"disarm": "le', b'ft"}\\n'):
        line.sendall(piece)
        time.sleep(0.05)
    """
    assert Guarded(tmp_path, body, make_box()).end() == (0, "")


def test_one_dead_instrument_does_not_keep_the_others_from_off(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    box = make_box()
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        box_nowhere = Box.__new__(Box)
        box_nowhere.address = f"TCPIP::127.0.0.1::{nobody.getsockname()[1]}::SOCKET"
        code, said = Guarded(tmp_path, "arm(); os._exit(1)", box_nowhere, box).end()
    assert code == guardian.TOOK_OVER
    assert "box 1 at" in said
    assert "Connection refused): unplug it" in said
    assert "INP OFF" in box.lines


def test_off_is_asserted_again_and_again(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    """A command that was queued in a dead connection can still be delivered after its process died."""
    box = make_box({"INP?": "1"})
    guarded = Guarded(tmp_path, "arm(); os._exit(1)", box, assert_off_s=3.0)
    end = time.monotonic() + 60.0
    while "INP?" not in box.lines and time.monotonic() < end:
        time.sleep(0.02)
    box.answers["INP?"] = "0"
    code, said = guarded.end()
    assert code == guardian.TOOK_OVER
    assert box.lines.count("INP OFF") >= 2
    assert said.count("box 1 at") == 2  # said once each, not each time
    assert said.index("NOT CONFIRMED (answers '1' after off)") < said.index("off, read back")


def test_what_came_on_again_after_it_was_confirmed_off_is_told_once_more(
    tmp_path: Path, make_box: Callable[..., Box]
) -> None:
    """A command queued in a dead connection can be delivered late; people were told that it is off."""
    box = make_box()
    guarded = Guarded(tmp_path, "arm(); beat(); os._exit(0)", box, assert_off_s=4.0)
    told = tmp_path / "worker.py.told"
    end = time.monotonic() + 60.0
    while not (told.exists() and told.read_text()) and time.monotonic() < end:
        time.sleep(0.02)
    box.answers["INP?"] = "1"
    code, said = guarded.end()
    assert code == guardian.TOOK_OVER
    while told.read_text().count("\n") < 2 and time.monotonic() < end:
        time.sleep(0.02)
    assert [json.loads(line)["off"] for line in told.read_text().splitlines()] == [True, False]
    assert "answers '1' after off" in said


def test_whom_to_tell_is_handed_over_and_seen_by_nobody_else(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    """Files may have gone with the worker that read them; a command line and an environment can be read."""
    seen = "open(sys.argv[1] + '.seen', 'w').write(repr((sys.argv, dict(os.environ))))"
    path = tmp_path / "worker.py"
    body = "send({'addresses': ['json://secret/']}); arm(); beat(); os._exit(0)"
    path.write_text(WORKER.format(off=[entry(make_box().address)], body=body))
    curious = GUARDIAN.replace("import sys; lines", f"import os, sys; {seen}; lines")
    done = subprocess.run(
        [sys.executable, "-c", curious, path, "0", "", "60"],
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == guardian.TOOK_OVER
    told = tmp_path / "worker.py.told"
    wait_for(lambda: told.exists() and told.read_text().endswith("\n"), 60)
    first, second = (json.loads(line) for line in told.read_text().splitlines())
    assert first == {"addresses": ["json://secret/"]}
    assert second["kind"] == "guardian took over"
    shown = (tmp_path / "worker.py.told.seen").read_text()
    assert guardian.HANDED in shown
    assert "secret" not in shown + done.stderr


def test_a_last_digit_that_flickers_is_no_news(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    box = make_box()
    guarded = Guarded(tmp_path, "arm(); beat(); os._exit(0)", box, assert_off_s=3.0)
    end = time.monotonic() + 60.0
    while not box.lines and time.monotonic() < end:
        time.sleep(0.02)
    box.answers["MEAS:VOLT?;:MEAS:CURR?"] = "21.6;0.024"
    _, said = guarded.end()
    assert said.count("off, read back") == 1
    assert box.lines.count("INP OFF") >= 2


def test_a_bench_inside_the_worker_is_left_alone(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    box = make_box()
    code, said = Guarded(tmp_path, "arm(); os._exit(1)", box, inside=True).end()
    assert code == guardian.TOOK_OVER
    assert "the simulated bench ended with its process" in said
    assert box.lines == []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_asks_the_worker_to_stop(tmp_path: Path, make_box: Callable[..., Box], number: signal.Signals) -> None:
    body = """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    def stop(*_):
        disarm()
        sys.exit(3)
    signal.signal(signal.SIGTERM, stop)
    arm()
    (open(sys.argv[0] + ".ready", "w")).close()
    while True:
        beat()
        time.sleep(0.1)
    """
    guarded = Guarded(tmp_path, body, make_box())
    end = time.monotonic() + 60.0
    while not (tmp_path / "worker.py.ready").exists() and time.monotonic() < end:
        time.sleep(0.02)
    guarded.process.send_signal(number)
    assert guarded.end() == (3, "")


def test_a_worker_that_does_not_stop_is_killed(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    body = """
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    arm()
    (open(sys.argv[0] + ".ready", "w")).close()
    while True:
        beat()
        time.sleep(0.1)
    """
    box = make_box()
    impatient = GUARDIAN.replace("sys.exit(", "guardian.STOP_GRACE_S = 0.4\nsys.exit(", 1)
    path = tmp_path / "worker.py"
    path.write_text(WORKER.format(off=[entry(box.address)], body=textwrap.dedent(body)))
    process = subprocess.Popen(
        [sys.executable, "-c", impatient, str(path), "0", "apart", "60"],
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    end = time.monotonic() + 60.0
    while not (tmp_path / "worker.py.ready").exists() and time.monotonic() < end:
        time.sleep(0.02)
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=60)
    assert process.returncode == guardian.TOOK_OVER
    assert "the worker did not stop when asked; taking over bays left" in said
    assert "INP OFF" in box.lines


def test_a_closed_standard_error_stops_nothing() -> None:
    code = "import os; os.close(2); from benchwarden.daemon.guardian import to_terminal; to_terminal('x'); print('on')"
    done = subprocess.run([sys.executable, "-c", code], env=ENVIRONMENT, capture_output=True, text=True, check=True)
    assert done.stdout == "on\n"


def test_the_worker_s_command_is_this_program() -> None:
    assert guardian.worker_command("x") == [sys.executable, "-m", "benchwarden.daemon.worker", "x"]
    assert json.loads(json.dumps(entry("TCPIP::127.0.0.1::1::SOCKET")))["threshold_a"] == 0.12


# Who is there, before a bay is armed (fault 35).

IDENTITY = ["SHED", "BOX", "7"]


def test_where_an_instrument_was_reached_is_kept_and_no_name_is_looked_up_again(
    make_box: Callable[..., Box], monkeypatch: pytest.MonkeyPatch
) -> None:
    box = make_box({"*IDN?": "SHED,BOX,7,2.0"})
    one: dict[str, Any] = entry(box.address.replace("127.0.0.1", "localhost"), identity=IDENTITY)
    assert raw_wire.identify(one) is None
    where, real = one["peer"][0], socket.getaddrinfo

    def no_names(host: str, *more: Any, **others: Any) -> Any:
        assert host == where, f"{host} was looked up"
        return real(host, *more, **others)

    monkeypatch.setattr(socket, "getaddrinfo", no_names)
    raw_wire.switch_off(one)
    assert box.lines[-1] != "*IDN?"  # off has arrived


def test_the_instrument_of_the_plan_is_known_by_maker_model_and_serial(make_box: Callable[..., Box]) -> None:
    box = make_box({"*IDN?": "SHED, BOX ,7,2.0"})  # firmware may be renewed
    assert raw_wire.identify(entry(box.address, identity=IDENTITY)) is None
    assert box.lines == ["*IDN?"]


@pytest.mark.parametrize("answer", ["SHED,BOX,8,1.0", "OTHER,BOX,7,1.0", "SHED,BOX", "0.5", ""])
def test_anybody_else_is_refused_by_name(make_box: Callable[..., Box], answer: str) -> None:
    box = make_box({"*IDN?": answer})
    problem = raw_wire.identify(entry(box.address, identity=IDENTITY))
    assert problem == f"left load at {box.address} is {answer!r}, expected SHED, BOX, 7"
    assert box.lines == ["*IDN?"]  # a stranger is told nothing


def test_who_does_not_answer_is_refused(make_box: Callable[..., Box]) -> None:
    box = make_box({"*IDN?": None})
    problem = raw_wire.identify(entry(box.address, identity=IDENTITY), timeout_s=0.1)
    assert problem is not None
    assert problem.startswith(f"left load at {box.address} does not answer the guardian: ")
    with socket.socket() as nobody:  # bound, but nobody listens
        nobody.bind(("127.0.0.1", 0))
        address = f"TCPIP::127.0.0.1::{nobody.getsockname()[1]}::SOCKET"
        problem = raw_wire.identify(entry(address, identity=IDENTITY))
    assert problem == f"left load at {address} does not answer the guardian: [Errno 111] Connection refused"
    problem = raw_wire.identify(entry("ASRL/dev/there-is-none::INSTR", identity=IDENTITY))
    assert problem is not None
    assert "does not answer the guardian" in problem


def test_a_bay_with_a_stranger_in_it_is_not_armed(tmp_path: Path, make_box: Callable[..., Box]) -> None:
    box = make_box({"*IDN?": "SOMEBODY,ELSE,1,1"})
    body = """
        send({"arm": "left", "off": [dict(one, identity=["SHED", "BOX", "7"]) for one in OFF]})
        heard = b""
        while b"refused" not in heard or not heard.endswith(b"\\n"): heard += line.recv(1000)
        [said] = [json.loads(one) for one in heard.splitlines() if b"refused" in one]
        assert said["refused"] == "left" and "expected SHED, BOX, 7" in said["why"], said
        sys.exit(1)
    """
    found, said = Guarded(tmp_path, body, box).end()
    assert (found, said) == (1, "")
    assert box.lines == ["*IDN?"]


def test_a_guardian_without_room_for_another_thread_switches_off_all_the_same(
    tmp_path: Path, make_box: Callable[..., Box]
) -> None:
    """Asking a bay's instruments needs a thread; so does switching off. One stack is left from the first bay, and one
    that does not answer holds it.
    """
    boxes = [make_box({"*IDN?": "SHED,BOX,7,2.0"}) for _ in range(2)]
    body = """
        import resource
        *OFF, silent = [dict(one, identity=["SHED", "BOX", "7"]) for one in OFF]
        arm(); beat()
        pages = int(open(f"/proc/{os.getppid()}/statm").read().split()[0])
        room = pages * resource.getpagesize() + 1_000_000
        resource.prlimit(os.getppid(), resource.RLIMIT_AS, (room, room))
        asked = [{"arm": bay, "off": [silent]} for bay in ("middle", "right")]
        line.sendall(b"".join(json.dumps(one).encode() + b"\\n" for one in asked))
        while True: beat(); time.sleep(0.1)
    """
    code, said = Guarded(tmp_path, body, *boxes, make_box({"*IDN?": None})).end()
    assert code == guardian.TOOK_OVER
    assert "guardian: the guardian itself is at fault (RuntimeError(" in said
    for number, box in enumerate(boxes, start=1):
        assert "INP OFF" in box.lines
        assert f"guardian: box {number} at {box.address}: off, read back; 0.00 A measured" in said


def test_a_bay_disarmed_while_its_instruments_are_asked_is_not_armed_afterwards(
    tmp_path: Path, make_box: Callable[..., Box]
) -> None:
    """A stop while the guardian asks: nobody beats for that bay any more, and the other bays must not pay for it."""
    box = make_box({"*IDN?": "SHED,BOX,7,1"})
    body = """
        arm("right")
        both = [{"arm": "left", "off": [dict(one, identity=["SHED", "BOX", "7"]) for one in OFF]}]
        both.append({"disarm": "left", "current_a": {}})  # off is confirmed before the guardian has its answer
        line.sendall(b"".join(json.dumps(one).encode() + b"\\n" for one in both))
        for n in range(20):
            beat(n, "right")
            time.sleep(0.1)
        assert b"left" not in line.recv(65536)
        disarm("right")
    """
    found, said = Guarded(tmp_path, body, box).end()
    assert (found, said) == (0, "")
    assert box.lines == ["*IDN?"]


def test_the_layers_speak_in_their_order() -> None:
    """A blind bay trips before the guardian takes it for dead, and that before systemd does."""
    blind = [one.default for one in fields(PlanLimits) if one.name in ("blind_voltage_s", "blind_groups_s")]
    assert [isinstance(one, float) and one < guardian.SILENCE_S for one in blind] == [True, True]
    assert guardian.SILENCE_S < install.WATCHDOG_S
