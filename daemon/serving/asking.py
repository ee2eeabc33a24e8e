"""Asks a service at its sockets, and for STOP its guardian's too: for the command line and the front.

Loads nothing of the program that a STOP could wait for.
"""

import json
import re
import socket
import threading
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.guard.state_folder import GUARDIAN_SOCKET, WORKER_SOCKET, who_holds

ANSWER_S = 15.0  # an add plans every test, an acknowledgement switches off first
STATUS_S = 5.0  # it only says what it knows
STOP_S = 30.0  # the guardian gives the worker 10 s, and takes some itself
# Where the guardian says that nothing is armed, whoever can switch off by other means waits no longer for the worker.
STOP_IDLE_S = 5.0
LONGEST = 1 << 22
# Said wherever a person lets a list go on, at a terminal and on the page.
COME_FIRST = "Local codes and the pack's data sheet come first."


class NoAnswer(Exception):
    """Nobody answers at a socket; the message says which and why. `there`: somebody has it, but does not answer."""

    def __init__(self, text: str, *, there: bool = True) -> None:
        super().__init__(text)
        self.there = there


def ask(path: Path, request: Mapping[str, Any], timeout_s: float = ANSWER_S) -> dict[str, Any]:
    """Send one request to a Unix socket and return the answer; raises NoAnswer."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(timeout_s)
            _connect(line, path, clock.real_s() + timeout_s)
            line.sendall(json.dumps(request).encode() + b"\n")
            text = b""
            while not text.endswith(b"\n") and len(text) < LONGEST:
                block = line.recv(65536)
                if not block:
                    break
                text += block
        answer = json.loads(text)
    except (FileNotFoundError, ConnectionRefusedError) as error:
        raise NoAnswer(f"{path}: no service runs there", there=False) from error
    except (OSError, ValueError) as error:
        raise NoAnswer(f"{path}: no answer ({error})") from error
    if not isinstance(answer, dict):
        raise NoAnswer(f"{path}: answered {answer!r}, which no service does")
    return answer


def _connect(line: socket.socket, path: Path, until_s: float) -> None:
    """Connect, and wait in the queue if it is full: a Unix socket with a time limit says at once that it is."""
    while True:
        try:
            line.connect(str(path))
            return
        except BlockingIOError:
            if clock.real_s() >= until_s:
                raise
        threading.Event().wait(0.02)


def outcomes(state: Path) -> dict[str, str] | None:
    """Return what each instrument answers a guardian that acts in the worker's place; None where none does."""
    try:
        answer = ask(state / GUARDIAN_SOCKET, {"do": "status"})
    except NoAnswer:
        return None
    return dict(answer.get("outcomes", {})) if answer.get("by") == "guardian" else None


def took_over_lines(state: Path) -> list[str]:
    """Return what the guardian says while it acts in the worker's place; nothing where it does not."""
    try:
        answer = ask(state / GUARDIAN_SOCKET, {"do": "status"})
    except NoAnswer:
        return []
    if "frozen" in answer:
        return [
            f"the worker froze with nothing switched on, and its guardian has killed it: {answer['frozen']}",
            "the guardian ends once people have been told; after that `benchwarden serve` starts idle",
        ]
    if answer.get("by") != "guardian":
        return []
    off = "off confirmed" if answer.get("off") else "OFF NOT CONFIRMED: go there, unplug it"
    return [
        f"the worker has gone, and its guardian has taken over: {off}",
        *(f"  {name}: {outcome}" for name, outcome in answer.get("outcomes", {}).items()),
        f"its guardian holds off until {_clock_in(answer.get('left_s'))} and then ends; wait, and do not end it; after "
        "that `benchwarden serve` starts idle",
    ]


def _clock_in(left_s: object) -> str:
    """Return this machine's clock in so many seconds, as people read it beside them."""
    if not isinstance(left_s, int | float):
        return "two minutes are over"
    return datetime.fromtimestamp(clock.unix_s() + left_s).astimezone().strftime("%H:%M:%S")


def no_service_lines(state: Path, error: NoAnswer) -> list[str]:
    """Return what to do where the worker gave no answer: start a service, or get rid of one that does not answer."""
    if not error.there:
        return [f"{error}; `benchwarden serve` starts one"]
    process = re.match(r"process \d+", who_holds(state))
    ended = f"end {process[0]}, its guardian" if process else "end its guardian"
    return [
        str(error),
        "the worker does not answer; a frozen one is killed by its guardian within half a minute",
        f"`benchwarden stop --all` switches off without it; to be rid of it {ended}, then `benchwarden serve`",
    ]


def ask_both(state: Path, request: Mapping[str, Any], *, idle_s: float = STOP_S) -> dict[str, dict[str, Any] | str]:
    """Ask worker and guardian at once; each one's answer, or in words why there is none.

    `idle_s`: for how long the worker is waited for where the guardian says that nothing is armed.
    """
    answers: dict[str, dict[str, Any] | str] = {}

    def one(name: str, path: Path) -> None:
        try:
            answers[name] = ask(path, request, STOP_S)
        except NoAnswer as error:
            answers[name] = str(error)

    asking = [
        threading.Thread(target=one, args=(name, state / path), daemon=True)
        for name, path in (("worker", WORKER_SOCKET), ("guardian", GUARDIAN_SOCKET))
    ]
    for thread in asking:
        thread.start()
    worker, guardian = asking
    guardian.join()
    if nothing_armed(answers.get("guardian")):
        worker.join(idle_s)
        return {"worker": f"no answer within {idle_s:g} s, and nothing is armed", **answers}
    worker.join()
    return answers


def nothing_armed(answer: Mapping[str, Any] | str | None) -> bool:
    """Tell whether this is a guardian's answer to a stop that had nothing to stop."""
    return isinstance(answer, Mapping) and "off" in answer and answer.get("by") != "guardian"


def stop_outcome(answers: Mapping[str, Mapping[str, Any] | str]) -> tuple[list[str], bool | None]:
    """Return both answers to a stop as lines, and whether off is confirmed; None if nobody acted.

    The worker's word counts if it has one, for it measured; the guardian's where it took over. A guardian that only
    saw the worker disarm measured nothing, and confirms nothing by itself.
    """
    lines: list[str] = []
    off: bool | None = None
    worker, guardian = answers.get("worker"), answers.get("guardian")
    if isinstance(worker, Mapping) and "off" in worker:
        off = bool(worker["off"])
        lines += [f"worker: {name}: {one['words']}" for name, one in worker["bays"].items()]
    else:
        lines.append(f"worker: {worker['error'] if isinstance(worker, Mapping) else worker}")
    if isinstance(guardian, Mapping) and guardian.get("by") == "guardian":
        off = bool(guardian.get("off"))
        lines.append("guardian: took over:")
        lines += [f"  {name}: {outcome}" for name, outcome in guardian.get("outcomes", {}).items()]
    elif nothing_armed(guardian):
        lines.append("guardian: has nothing to switch off")
    else:
        lines.append(f"guardian: {guardian.get('error') if isinstance(guardian, Mapping) else guardian}")
    return lines, off
