"""The guardian: the parent of the worker, and the last to leave.

It starts the worker, and from the moment a bay is armed expects a sign of life for it. End of file, five
seconds of silence, or the worker's death: SIGKILL first (an instrument with a single session serves nobody
else until its client is gone), then off, read back, and off asserted again for two minutes, since a command
queued in a dead connection can still be delivered after its process died.

It shares nothing with the worker's drivers: what to send, what to ask, and what answer means "off" were fixed
when the bay was armed. Real seconds only. Messages are one JSON object a line:
    worker:   {"arm": bay, "off": [drivers/off_plan.py with bytes in base 64, and threshold_a, …]}
              {"beat": bay, "n": sequence, "on": true}     after a valid and judged reading, at least each second
              {"disarm": bay, "current_a": {...}}          after off was read back and measured
    guardian: {"armed": bay}
"""

import base64
import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any

SILENCE_S = 5.0
ASSERT_OFF_S = 120.0
STOP_GRACE_S = 10.0
TOOK_OVER = 4  # exit code

Say = Callable[[str], None]


def say(text: str) -> None:
    """Write one line to standard error; a closed or full terminal never stops the guardian."""
    with suppress(OSError):
        os.write(2, f"guardian: {text}\n".encode())


def guard(
    command: Sequence[str],
    *,
    silence_s: float = SILENCE_S,
    assert_off_s: float = ASSERT_OFF_S,
    bench_inside_worker: bool = False,
    tell: Say = say,
) -> int:
    """Run the worker under watch and return its exit code, or TOOK_OVER if the guardian had to switch off.

    `command` gets the number of its end of the socket appended. `bench_inside_worker`: the simulated bench of
    the demonstration ends with the worker, so nothing is left to switch off.
    """
    stop_asked: list[float] = []
    worker: list[subprocess.Popen[bytes]] = []

    def ask_to_stop(_number: int, _frame: object) -> None:
        stop_asked.append(time.monotonic())
        for one in worker:
            one.terminate()

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, ask_to_stop)
    ours, theirs = socket.socketpair()
    worker.append(subprocess.Popen([*command, str(theirs.fileno())], pass_fds=[theirs.fileno()]))
    theirs.close()
    armed: dict[str, list[dict[str, Any]]] = {}
    last: dict[str, float] = {}
    why = _watch(ours, armed, last, stop_asked, silence_s)
    if not armed:
        return _wait_for(worker[0], stop_asked)
    tell(f"{why}; taking over bays {', '.join(armed)}")
    worker[0].kill()
    worker[0].wait()
    if bench_inside_worker:
        tell("the simulated bench ended with its process: nothing is left to switch off")
        return TOOK_OVER
    _assert_off([entry for entries in armed.values() for entry in entries], assert_off_s, tell)
    return TOOK_OVER


def _wait_for(worker: "subprocess.Popen[bytes]", stop_asked: list[float]) -> int:
    """Return the exit code of a worker that has nothing switched on, however long its report takes."""
    while True:
        try:
            return worker.wait(0.2)
        except subprocess.TimeoutExpired:
            if stop_asked and time.monotonic() - stop_asked[0] > STOP_GRACE_S:
                worker.kill()


def _watch(
    ours: socket.socket,
    armed: dict[str, list[dict[str, Any]]],
    last: dict[str, float],
    stop_asked: list[float],
    silence_s: float,
) -> str:
    """Read the worker's messages until its end of the socket closes or an armed bay falls silent."""
    pending = b""
    while True:
        ready, _, _ = select.select([ours], [], [], 0.1)
        now = time.monotonic()
        if ready:
            try:
                block = ours.recv(65536)
            except ConnectionError:
                block = b""
            if not block:
                return "the worker ended"
            *lines, pending = (pending + block).split(b"\n")
            try:
                for line in lines:
                    _take(json.loads(line), ours, armed, last, now)
            except (ValueError, KeyError, TypeError, AttributeError, OSError) as error:
                return f"the worker sent what no worker sends ({error!r})"
        for bay in armed:
            if now - last[bay] > silence_s:
                return f"no sign of life from bay {bay} for {now - last[bay]:.1f} s"
        if armed and stop_asked and now - stop_asked[0] > STOP_GRACE_S:
            return "the worker did not stop when asked"


def _take(
    message: Mapping[str, Any],
    ours: socket.socket,
    armed: dict[str, list[dict[str, Any]]],
    last: dict[str, float],
    now: float,
) -> None:
    if "beat" in message:
        last[message["beat"]] = now
    elif "arm" in message:
        armed[message["arm"]] = list(message["off"])
        last[message["arm"]] = now
        ours.sendall(json.dumps({"armed": message["arm"]}).encode() + b"\n")
    elif "disarm" in message:
        armed.pop(message["disarm"], None)


def _assert_off(entries: Sequence[Mapping[str, Any]], assert_off_s: float, tell: Say) -> None:
    """Switch everything off, read it back, and keep doing so until `assert_off_s` have passed."""
    end = time.monotonic() + assert_off_s
    said: dict[str, str] = {}
    while True:
        for entry in entries:
            outcome = switch_off(entry)
            if said.get(entry["name"]) != outcome:
                said[entry["name"]] = outcome
                tell(f"{entry['name']} at {entry['address']}: {outcome}")
        if time.monotonic() >= end:
            return
        time.sleep(1.0)


def switch_off(entry: Mapping[str, Any], timeout_s: float = 2.0) -> str:
    """Send one instrument its off bytes on a fresh connection and return what it then answered, in words."""
    try:
        with _Wire(entry, timeout_s) as wire:
            wire.send(base64.b64decode(entry["off"]))
            state = wire.ask(base64.b64decode(entry["question"]))
            measured = wire.ask(base64.b64decode(entry["current_question"]))
        field = measured.split(entry["current_separator"])[entry["current_field"]]
        current_a = float(field.strip().removesuffix(entry["current_unit"]))
    except Exception as error:  # noqa: BLE001  whatever one instrument does, the others are switched off too
        return f"NOT CONFIRMED ({error}): unplug it"
    if state.upper() not in {reply.upper() for reply in entry["off_replies"]}:
        return f"NOT CONFIRMED (answers {state!r} after off): unplug it"
    if not abs(current_a) <= entry["threshold_a"]:
        return f"NOT CONFIRMED (reads back off, but measures {current_a:.2f} A): unplug it"
    return f"off, read back; {abs(current_a):.2f} A measured"


class _Wire:
    """A blocking connection by raw bytes: TCP socket or serial port, chosen by the address."""

    def __init__(self, entry: Mapping[str, Any], timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self._end = base64.b64decode(entry["reply_end"])
        address = entry["address"]
        parts = address.split("::", 1)
        host, *port = parts[-1].rsplit("::", 2)  # from the right: an IPv6 host has colons of its own
        if address.upper().startswith("TCPIP") and len(port) == 2 and port[1].upper() == "SOCKET":
            self._socket: socket.socket | None = socket.create_connection((host.strip("[]"), int(port[0])), timeout_s)
            self._port = None
        elif address.upper().startswith("ASRL"):
            import serial

            self._socket = None
            self._port = serial.Serial(
                parts[0][4:], entry["baud"], timeout=timeout_s, write_timeout=timeout_s, exclusive=True
            )
        else:
            raise ValueError(f"the guardian reaches TCPIP…::SOCKET and ASRL…::INSTR, not {address}")

    def __enter__(self) -> "_Wire":
        return self

    def __exit__(self, *_: object) -> None:
        (self._socket or self._port).close()  # type: ignore[union-attr]

    def send(self, data: bytes) -> None:
        if self._socket:
            self._socket.sendall(data)
        else:
            self._port.write(data)  # type: ignore[union-attr]

    def ask(self, question: bytes) -> str:
        self.send(question)
        answer = b""
        end = time.monotonic() + self._timeout_s
        while not answer.endswith(self._end):
            block = self._socket.recv(4096) if self._socket else self._port.read(1)  # type: ignore[union-attr]
            if not block or time.monotonic() > end:
                raise OSError("no answer" if not answer else f"half an answer {answer!r}")
            answer += block
        return answer.decode("ascii", "replace").strip()


def worker_command(*arguments: str) -> list[str]:
    """Return the command line that starts the worker of this very program."""
    return [sys.executable, "-m", "benchwarden.daemon.worker", *arguments]
