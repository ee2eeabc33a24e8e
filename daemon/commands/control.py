"""The command line's side of the service: asks the worker's socket, and for STOP the guardian's too.

Loads nothing of the program that a STOP could wait for. Exit codes: 0 done, 1 not confirmed off (or a bay has tripped,
for `status`), 2 refused, bad input, or no service there.
"""

import argparse
import json
import sys
from collections.abc import Mapping
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchwarden.daemon.commands.parsing import PROFILE, add_command
from benchwarden.daemon.guard import state_folder
from benchwarden.daemon.guard.state_folder import GUARDIAN_SOCKET, WORKER_SOCKET
from benchwarden.daemon.serving.asking import (
    ANSWER_S,
    COME_FIRST,
    STATUS_S,
    STOP_IDLE_S,
    NoAnswer,
    ask,
    ask_both,
    no_service_lines,
    stop_outcome,
    took_over_lines,
)

if TYPE_CHECKING:
    from benchwarden.daemon.commands.parsing import Commands

DONE, NOT_CONFIRMED, REFUSED = 0, 1, 2


def add_commands(commands: "Commands") -> None:
    """Add what a person says to the service to the command line."""
    command = partial(add_command, commands, bench=True, state=True)

    status = command("status", "what every bay does; exit code 1 if one has tripped", _status)
    status.add_argument("--json", action="store_true", help="machine-readable")

    adding = command("add", "put tests at the end of a bay's list; starts nothing", _add)
    adding.add_argument("pack", metavar="BAY=PACK", help="a bay and the file of the pack in it")
    adding.add_argument("profiles", metavar="PROFILE", nargs="+", help=PROFILE)
    adding.set_defaults(many="profiles")

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
    morning.add_argument("bay", metavar="BAY", nargs="?", help="one bay only")
    morning.add_argument("--json", action="store_true", help="machine-readable")


def state_of(options: argparse.Namespace) -> Path:
    """Return the state folder that a command line means."""
    return state_folder.state_folder(Path(options.bench), options.state).absolute()


def _asked(options: argparse.Namespace, **request: Any) -> dict[str, Any]:
    """Ask the worker; leaves with exit code 2 and in words if it refuses or nobody answers."""
    try:
        answer_s = STATUS_S if request["do"] == "status" else ANSWER_S
        answer = ask(state_of(options) / WORKER_SOCKET, request, answer_s)
    except NoAnswer as error:
        took_over = took_over_lines(state_of(options))
        print(*(took_over or no_service_lines(state_of(options), error)), sep="\n", file=sys.stderr)
        raise SystemExit(NOT_CONFIRMED if took_over and request.get("do") == "status" else REFUSED) from error
    if "error" in answer:
        print(*answer.get("mistakes") or [answer["error"]], sep="\n", file=sys.stderr)
        raise SystemExit(REFUSED)
    return answer


def _status(options: argparse.Namespace) -> int:
    answer = _asked(options, do="status")
    try:
        answer["guardian"] = ask(state_of(options) / GUARDIAN_SOCKET, {"do": "status"}, STATUS_S)
    except NoAnswer as error:
        answer["guardian"] = {"error": str(error)}
    print(json.dumps(answer, indent=2) if options.json else "\n".join(status_lines(answer)))
    return NOT_CONFIRMED if any(bay["list"]["stand"] == "tripped" for bay in answer["bays"].values()) else DONE


def status_lines(answer: Mapping[str, Any]) -> list[str]:
    """Return a status as lines for people: where each bay stands, what it measures, what it waits for, and off."""
    lines = [f"{answer['bench']}, {answer['utc']}"]
    armed = answer["guardian"].get("armed")
    for name, bay in answer["bays"].items():
        lines.append(f"{name}: {list_words(bay['list'])}")
        if bay["now"]:
            lines += [f"  {line}" for line in _now_lines(bay["now"])]
        elif bay.get("checking"):
            lines.append("  the checks before the first step, with a test pulse: no reading yet")
        if bay["question"]:
            right = " or ".join(bay["question"]["answers"]) or "any text"
            lines.append(f"  asks: {bay['question']['text']} (benchwarden answer {name} …: {right})")
        waits = waits_for(bay["list"])
        if waits:
            lines.append(f"  {waits}")
        if bay["off"]:
            lines.append(f"  {bay['off']['words']}, {bay['off']['utc']}{_ago(bay['off']['utc'], answer['utc'])}")
        if armed is not None and name in armed:
            lines.append(f"  guardian armed: output {'on' if armed[name]['on'] else 'off'} by its last sign of life")
        elif armed is not None and bay["now"]:
            lines.append("  guardian not armed")
    if armed is None:
        lines.append(f"guardian: NO ANSWER: {answer['guardian'].get('error')}")
    elif not armed:
        lines.append("guardian: there; nothing is switched on")
    return lines


def _now_lines(now: Mapping[str, Any]) -> list[str]:
    known = [value for value in now["groups_v"] if value is not None]
    parts = [f"{_number(now['voltage_v'], 2)} V", f"{_number(now['current_a'], 2)} A"]
    parts += [f"lowest group {min(known):.3f} V, highest {max(known):.3f} V"] if known else []
    parts += [f"{place} {_number(value, 1)} °C" for place, value in now["temperatures_c"].items()]
    phase = f", {now['phase']}" if now.get("phase") and now["phase"] != now["kind"] else ""
    output = "all off" if now["output"] == "off" else f"{now['output']} on"
    return [
        f"step {now['step']} of {now['steps']} ({now['kind']}{phase}), {output}; about {_duration(now['left_s'])} left",
        ", ".join(parts),
    ]


def waits_for(found: Mapping[str, Any]) -> str:
    """Return what a list waits for, "" while a test runs: nothing but a person makes one go on."""
    bay, stand = found["bay"], found["stand"]
    waiting = [test for test in found["tests"] if test["fate"] == "waiting"]
    if stand == "tripped":
        return f"waits for a person who has looked at it: benchwarden acknowledge {bay}"
    if stand == "cooling":
        return f"waits until the pack is cool, then test {waiting[0]['number']}" if waiting else "the pack cools"
    if stand == "running":
        return ""
    return f"waits for a person: benchwarden start {bay}" if waiting else "nothing waits"


def _ago(utc: str, now_utc: str) -> str:
    """Return how long before `now_utc` that was, in words; "" where it cannot be told."""
    try:
        seconds = (datetime.fromisoformat(now_utc) - datetime.fromisoformat(utc)).total_seconds()
    except (ValueError, TypeError):
        return ""
    return f" ({_duration(seconds)} ago)" if seconds >= 60 else ""


def list_words(found: Mapping[str, Any]) -> str:
    """Return where a list stands, in one line."""
    tests = found["tests"]
    running = next((place for place, test in enumerate(tests, 1) if test["fate"] == "running"), None)
    waiting = sum(test["fate"] == "waiting" for test in tests)
    parts = [str(found["stand"]) + (f" ({found['why']})" if found["why"] else "")]
    if found["pack_name"]:
        parts.append(f"pack {found['pack_name']}")
    if running:
        parts.append(f"test {running} of {len(tests)} ({tests[running - 1]['title']})")
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
    if minutes < 60:
        return f"{minutes} min" if minutes else "a minute"
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
    if found["stand"] in ("running", "cooling", "tripped"):
        print(f"bay {options.bay} is {found['stand']}: {waits_for(found) or 'it goes on already'}", file=sys.stderr)
        return REFUSED
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
    answers = ask_both(state_of(options), request, idle_s=STOP_IDLE_S)
    lines, off = stop_outcome(answers)
    print(*lines, sep="\n", flush=True)
    if off is not None:
        return DONE if off else NOT_CONFIRMED
    from benchwarden.daemon.commands.off import switch_off

    print("nobody has confirmed off: switching off from here", flush=True)
    return switch_off(Path(options.bench), None if options.all else [options.bay])


def _acknowledge(options: argparse.Namespace) -> int:
    answer = _asked(options, do="acknowledge", bay=options.bay)
    print(f"{options.bay}: {answer['off']['words']}")
    return _print_list(answer["list"])


def _answer(options: argparse.Namespace) -> int:
    _asked(options, do="answer", bay=options.bay, text=options.text)
    return DONE


def _morning(options: argparse.Namespace) -> int:
    from benchwarden.daemon.serving.morning import morning

    return morning(Path(options.bench), state_of(options), options.bay, as_json=options.json)
