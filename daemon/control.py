"""The command line's side of the service: asks the worker's socket, and for STOP the guardian's too.

Loads nothing of the program that a STOP could wait for. Exit codes: 0 done, 1 not confirmed off (or a bay has tripped,
for `status`), 2 refused, bad input, or no service there.
"""

import argparse
import json
import socket
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchwarden.daemon import state_folder
from benchwarden.daemon.state_folder import GUARDIAN_SOCKET, WORKER_SOCKET

DONE, NOT_CONFIRMED, REFUSED = 0, 1, 2
ANSWER_S = 15.0  # an add plans every test, an acknowledgement switches off first
STOP_S = 30.0  # the guardian gives the worker 10 s, and takes some itself
LONGEST = 1 << 22
# Said wherever a person lets a list go on, at a terminal and on the page.
COME_FIRST = "Local codes and the pack's data sheet come first."


class NoAnswer(Exception):
    """Nobody answers at a socket; the message says which and why."""


def ask(path: Path, request: Mapping[str, Any], timeout_s: float = ANSWER_S) -> dict[str, Any]:
    """Send one request to a Unix socket and return the answer; raises NoAnswer."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(timeout_s)
            line.connect(str(path))
            line.sendall(json.dumps(request).encode() + b"\n")
            text = b""
            while not text.endswith(b"\n") and len(text) < LONGEST:
                block = line.recv(65536)
                if not block:
                    break
                text += block
        answer = json.loads(text)
    except (FileNotFoundError, ConnectionRefusedError) as error:
        raise NoAnswer(f"{path}: no service runs there") from error
    except (OSError, ValueError) as error:
        raise NoAnswer(f"{path}: no answer ({error})") from error
    if not isinstance(answer, dict):
        raise NoAnswer(f"{path}: answered {answer!r}, which no service does")
    return answer


def add_commands(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add what a person says to the service to the command line."""

    def command(name: str, words: str, run: Any) -> argparse.ArgumentParser:
        made = commands.add_parser(name, help=words)
        made.add_argument("--bench", default="bench.toml", help="the bench file (default: %(default)s)")
        made.add_argument("--state", help="the service's folder (default: `state` beside the bench file)")
        made.set_defaults(command=run)
        return made

    status = command("status", "what every bay does; exit code 1 if one has tripped", _status)
    status.add_argument("--json", action="store_true", help="machine-readable")

    adding = command("add", "put tests at the end of a bay's list; starts nothing", _add)
    adding.add_argument("pack", metavar="BAY=PACK", help="a bay and the file of the pack in it")
    adding.add_argument("profiles", metavar="PROFILE", nargs="+", help="capacity, burst, standard, or a profile file")

    listing = command("list", "show the lists of tests that wait", _list)
    listing.add_argument("bay", metavar="BAY", nargs="?", help="one bay only")
    listing.add_argument("--json", action="store_true", help="machine-readable")

    moving = command("move", "change the order of what waits", _move)
    moving.add_argument("bay", metavar="BAY")
    moving.add_argument("number", metavar="N", type=int, help="the test's number")
    moving.add_argument("where", choices=("up", "down", "first"))

    dropping = command("drop", "take a waiting test off a list", _drop)
    dropping.add_argument("bay", metavar="BAY")
    dropping.add_argument("number", metavar="N|all", help="the test's number, or all that wait")

    starting = command("start", "let a bay's list go on, once a person has checked the pack", _start)
    starting.add_argument("bay", metavar="BAY")

    stopping = command("stop", "stop safely and wait until off is confirmed", _stop)
    stopping.add_argument("bay", metavar="BAY", nargs="?", help="one bay")
    stopping.add_argument("--all", action="store_true", help="every bay")

    seen = command("acknowledge", "say that a person has looked at a bay that tripped", _acknowledge)
    seen.add_argument("bay", metavar="BAY")

    answering = command("answer", "answer what a running test asks its operator", _answer)
    answering.add_argument("bay", metavar="BAY")
    answering.add_argument("text", metavar="ANSWER")

    morning = command("morning", "what the night has left: outcomes, packs, figures, what did not run", _morning)
    morning.add_argument("--json", action="store_true", help="machine-readable")


def state_of(options: argparse.Namespace) -> Path:
    """Return the state folder that a command line means."""
    return state_folder.state_folder(Path(options.bench), options.state).absolute()


def refuse_beside_a_service(bench: Path) -> None:
    """Leave with exit code 2 if a service or a run has this bench: they would switch each other off."""
    state = state_folder.state_folder(bench, None)
    who = state_folder.holder(state)
    if who:
        print(f"{state}: this bench is in use: {who}; end that first", file=sys.stderr)
        raise SystemExit(REFUSED)


def _asked(options: argparse.Namespace, **request: Any) -> dict[str, Any]:
    """Ask the worker; leaves with exit code 2 and in words if it refuses or nobody answers."""
    try:
        answer = ask(state_of(options) / WORKER_SOCKET, request)
    except NoAnswer as error:
        print(f"{error}; `benchwarden serve` starts one", file=sys.stderr)
        raise SystemExit(REFUSED) from error
    if "error" in answer:
        print(*answer.get("mistakes") or [answer["error"]], sep="\n", file=sys.stderr)
        raise SystemExit(REFUSED)
    return answer


def _status(options: argparse.Namespace) -> int:
    answer = _asked(options, do="status")
    try:
        answer["guardian"] = ask(state_of(options) / GUARDIAN_SOCKET, {"do": "status"})
    except NoAnswer as error:
        answer["guardian"] = {"error": str(error)}
    print(json.dumps(answer, indent=2) if options.json else "\n".join(status_lines(answer)))
    return NOT_CONFIRMED if any(bay["list"]["stand"] == "tripped" for bay in answer["bays"].values()) else DONE


def status_lines(answer: Mapping[str, Any]) -> list[str]:
    """Return a status as lines for people."""
    lines = [f"{answer['bench']}, {answer['utc']}"]
    for name, bay in answer["bays"].items():
        lines.append(f"{name}: {list_words(bay['list'])}")
        now = bay["now"]
        if now:
            warm = ", ".join(f"{place} {_number(value, 1)} °C" for place, value in now["temperatures_c"].items())
            known = [value for value in now["groups_v"] if value is not None]
            lowest = f", lowest group {min(known):.3f} V" if known else ""
            lines.append(
                f"  step {now['step']} of {now['steps']} ({now['kind']}), {now['output']}: "
                f"{_number(now['voltage_v'], 2)} V, {_number(now['current_a'], 2)} A{lowest}, {warm}; "
                f"about {_duration(now['left_s'])} left"
            )
        if bay["question"]:
            right = " or ".join(bay["question"]["answers"]) or "any text"
            lines.append(f"  asks: {bay['question']['text']} (benchwarden answer {name} …: {right})")
        if bay["off"]:
            lines.append(f"  {bay['off']['words']}, {bay['off']['utc']}")
    guardian = answer["guardian"]
    armed = guardian.get("armed")
    if armed is None:
        lines.append(f"guardian: NO ANSWER: {guardian.get('error')}")
    else:
        bays = ", ".join(f"{name} ({'on' if one['on'] else 'off'})" for name, one in armed.items())
        lines.append(f"guardian: answers for {bays}" if bays else "guardian: there; no test runs")
    return lines


def list_words(found: Mapping[str, Any]) -> str:
    """Return where a list stands, in one line."""
    running = next((test for test in found["tests"] if test["fate"] == "running"), None)
    waiting = sum(test["fate"] == "waiting" for test in found["tests"])
    parts = [str(found["stand"]) + (f" ({found['why']})" if found["why"] else "")]
    if found["pack_name"]:
        parts.append(f"pack {found['pack_name']}")
    if running:
        parts.append(f"test {running['number']} ({running['title']})")
    return ", ".join([*parts, f"{waiting} waiting"])


def list_lines(bay: str, found: Mapping[str, Any]) -> list[str]:
    """Return one bay's list as lines for people."""
    lines = [f"{bay}: {list_words(found)}"]
    for test in found["tests"]:
        about = f", about {_duration(test['estimate_s'])}" if test["fate"] == "waiting" else ""
        why = f": {test['why']}" if test["why"] else ""
        lines.append(f"  {test['number']}. {test['title']}: {test['fate']}{about}{why}")
        if test["run"]:
            lines.append(f"     {test['run']}")
    return lines


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _duration(seconds: float) -> str:
    minutes = int(max(seconds, 0.0) // 60)
    if not minutes:
        return "a minute"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def _print_list(found: Mapping[str, Any]) -> int:
    print("\n".join(list_lines(found["bay"], found)))
    return DONE


def _add(options: argparse.Namespace) -> int:
    from benchwarden.profiles.shipped import library_names

    bay, sign, pack = options.pack.partition("=")
    if not (bay and sign and pack):
        right = "right would be BAY=PACK, such as left=heron.toml"
        print(f"command line: found {options.pack!r}; {right}", file=sys.stderr)
        return REFUSED
    shipped = library_names()
    # The service has a working directory of its own; a bare word that is no file is its to name as unknown.
    profiles = [
        one if one in shipped or not (Path(one).suffix or Path(one).exists()) else str(Path(one).absolute())
        for one in options.profiles
    ]
    answer = _asked(options, do="add", bay=bay, pack=str(Path(pack).absolute()), profiles=profiles)
    _print_list(answer["list"])
    if answer["list"]["stand"] not in ("running", "cooling"):
        print(f"nothing starts by itself: `benchwarden start {bay}`")
    return DONE


def _list(options: argparse.Namespace) -> int:
    answer = _asked(options, do="list", bay=options.bay)
    if options.json:
        print(json.dumps(answer["bays"], indent=2))
        return DONE
    for name, found in answer["bays"].items():
        print("\n".join(list_lines(name, found)))
    return DONE


def _move(options: argparse.Namespace) -> int:
    return _print_list(_asked(options, do="move", bay=options.bay, number=options.number, where=options.where)["list"])


def _drop(options: argparse.Namespace) -> int:
    number: int | str = options.number
    if options.number != "all":
        if not options.number.isdecimal():
            print(f"command line: found {options.number!r}; right would be a test's number or all", file=sys.stderr)
            return REFUSED
        number = int(options.number)
    return _print_list(_asked(options, do="drop", bay=options.bay, number=number)["list"])


def _start(options: argparse.Namespace) -> int:
    """Show what would run and what only a person can check; start it when that person says yes."""
    found = _asked(options, do="list", bay=options.bay)["bays"][options.bay]
    waiting = [test for test in found["tests"] if test["fate"] == "waiting"]
    if not waiting:
        print(f"bay {options.bay}: nothing waits; `benchwarden add {options.bay}=PACK PROFILE`", file=sys.stderr)
        return REFUSED
    print("\n".join(list_lines(options.bay, found)))
    print("\nOnly you can check:", *(f"- {text}" for text in found["cautions"]), sep="\n")
    print(f'\n{COME_FIRST} All of this is so, and it may start: type "yes"')
    sys.stdout.flush()
    if sys.stdin.readline().strip().lower() != "yes":
        print("nothing was started", file=sys.stderr)
        return REFUSED
    return _print_list(_asked(options, do="start", bay=options.bay, numbers=[one["number"] for one in waiting])["list"])


def _stop(options: argparse.Namespace) -> int:
    """Ask both, worker and guardian, and print what each answered; with neither there, switch off from here."""
    if options.all == bool(options.bay):
        print("command line: right would be `stop --all`, or `stop BAY`", file=sys.stderr)
        return REFUSED
    request = {"do": "stop"} | ({} if options.all else {"bay": options.bay})
    answers = ask_both(state_of(options), request)
    lines, off = stop_outcome(answers)
    print(*lines, sep="\n", flush=True)
    if off is not None:
        return DONE if off else NOT_CONFIRMED
    if any("error" in answer for answer in answers.values() if isinstance(answer, dict)):
        return REFUSED
    from benchwarden.daemon.off import switch_off

    print("nobody there to stop: switching off from here", flush=True)
    return switch_off(Path(options.bench), None if options.all else [options.bay])


def ask_both(state: Path, request: Mapping[str, Any]) -> dict[str, dict[str, Any] | str]:
    """Ask worker and guardian at once; each one's answer, or in words why there is none."""
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
    for thread in asking:
        thread.join()
    return answers


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
    elif isinstance(guardian, Mapping) and "off" in guardian:
        lines.append("guardian: has nothing to switch off")
    else:
        lines.append(f"guardian: {guardian.get('error') if isinstance(guardian, Mapping) else guardian}")
    return lines, off


def _acknowledge(options: argparse.Namespace) -> int:
    answer = _asked(options, do="acknowledge", bay=options.bay)
    print(f"{options.bay}: {answer['off']['words']}")
    return _print_list(answer["list"])


def _answer(options: argparse.Namespace) -> int:
    _asked(options, do="answer", bay=options.bay, text=options.text)
    return DONE


def _morning(options: argparse.Namespace) -> int:
    from benchwarden.daemon.morning import morning

    return morning(Path(options.bench), state_of(options), as_json=options.json)
