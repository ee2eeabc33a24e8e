"""`watch`, `tail` and `wait`: what the bench does, at a terminal, read from the live feed. Switches nothing.

Exit codes of `wait`: 0 every test of the bay finished, 1 tripped or not confirmed off, 3 stopped, 2 bad input or no
service; the others end with 0 when their reader has had enough.
"""

import argparse
import json
import shutil
import socket
import sys
import threading
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchwarden.daemon import clock
from benchwarden.daemon.commands import watch_view
from benchwarden.daemon.commands.control import state_of
from benchwarden.daemon.commands.parsing import add_command
from benchwarden.daemon.commands.watch_lines import Lines
from benchwarden.daemon.commands.watch_view import Point, Told
from benchwarden.daemon.guard.raw_wire import is_confirmed
from benchwarden.daemon.guard.state_folder import FEED_SOCKET, GUARDIAN_SOCKET, WORKER_SOCKET
from benchwarden.daemon.serving.asking import NoAnswer, ask
from benchwarden.results.folder import FolderError, read_run, utc_text

if TYPE_CHECKING:
    from benchwarden.daemon.commands.parsing import Commands

FINISHED, TRIPPED, REFUSED, STOPPED = 0, 1, 2, 3
TERMINAL_EVERY_S, PIPED_EVERY_S = 0.5, 5.0
AGAIN_S = 1.0
# So long a guardian may take to answer, and to take over and confirm off; it notices a frozen worker after seconds.
GUARDIAN_S, TOOK_OVER_S = 5.0, 20.0
CONFIRMED = "off confirmed"
_CODES = {"tripped": TRIPPED, "stopped": STOPPED, "interrupted": STOPPED, "idle": FINISHED}

Message = Mapping[str, Any]


def add_commands(commands: "Commands") -> None:
    """Add the commands that only look."""
    command = partial(add_command, commands, bench=True, state=True)

    watching = command("watch", "show what the bays do, live, until Ctrl-C; plain lines in a pipe", _watch)
    watching.add_argument("bay", metavar="BAY", nargs="?", help="one bay, with charts of its whole run")

    tailing = command("tail", "print events as they happen", _tail)
    tailing.add_argument("bay", metavar="BAY", nargs="?", help="one bay only")
    tailing.add_argument("--json", action="store_true", help="one JSON object a line")

    waiting = command("wait", "return when a bay's list no longer goes on: 0 finished, 1 tripped, 3 stopped", _wait)
    waiting.add_argument("bay", metavar="BAY")


def follow(path: Path, every_s: float) -> Iterator[Message | None]:
    """Yield the feed's messages for ever, {"kind": "found"} and {"kind": "lost"} around each connection.

    None about each `every_s` in which nothing more was said, so that the caller can draw.
    """
    while True:
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
                line.settimeout(every_s)
                line.connect(str(path))
                yield {"kind": "found"}
                yield from _messages(line, every_s)
        except OSError:
            pass
        yield {"kind": "lost"}
        threading.Event().wait(AGAIN_S)


def _messages(line: socket.socket, every_s: float) -> Iterator[Message | None]:
    pending, drawn_s = b"", clock.real_s()
    while True:
        try:
            block = line.recv(65536)
            if not block:
                return
        except TimeoutError:
            block = b""
        *lines, pending = (pending + block).split(b"\n")
        for one in lines:
            yield json.loads(one)
        if clock.real_s() - drawn_s >= every_s:
            drawn_s = clock.real_s()
            yield None


def _known_bay(options: argparse.Namespace) -> bool:
    """Whether the named bay is one of the bench; in words if not. A service that is not there yet knows none."""
    try:
        answer = ask(state_of(options) / WORKER_SOCKET, {"do": "status"})
    except NoAnswer as error:
        print(f"{error}; `benchwarden serve` starts one", file=sys.stderr)
        return False
    if options.bay is None or options.bay in answer["bays"]:
        return True
    print(f"there is no bay {options.bay!r}; known: {', '.join(answer['bays'])}", file=sys.stderr)
    return False


def _watch(options: argparse.Namespace) -> int:
    if not _known_bay(options):
        return REFUSED
    terminal = sys.stdout.isatty()
    told, lines, drawn = Told(), Lines(options.bay), 0
    begun: set[str] = set()
    runs = _runs(Path(options.bench))
    with suppress(KeyboardInterrupt):
        for message in follow(state_of(options) / FEED_SOCKET, TERMINAL_EVERY_S if terminal else PIPED_EVERY_S):
            now_s = clock.real_s()
            if message is not None:
                if message["kind"] == "sample" and message["run"] not in begun:
                    begun.add(message["run"])
                    told.begin(message["bay"], message["run"], *_of_record(runs / message["run"]))
                told.take(message, now_s)
            if not terminal:
                new = lines.samples(told, now_s) if message is None else lines.take(message, utc_text(clock.unix_s()))
                print(*new, sep="\n", end="\n" if new else "", flush=True)
            elif message is None or message["kind"] == "lost":
                drawn = _draw(told, options.bay, now_s, drawn)
    return FINISHED


def _runs(bench: Path) -> Path:
    """Return where the bench's run folders lie; its file was checked by whoever serves it."""
    try:
        return bench.parent / str(tomllib.loads(bench.read_text("utf-8")).get("runs", "runs"))
    except (OSError, ValueError, RecursionError):
        return bench.parent / "runs"


def _of_record(folder: Path) -> tuple[list[Point], list[dict[str, Any]]]:
    """Return what a run had measured and told before anybody watched; nothing where it cannot be read."""
    try:
        run = read_run(folder)
    except FolderError:
        return [], []
    places = run.info.places
    points = []
    for sample in run.samples:
        heat_c = [
            value
            for place, value in zip(places, sample.temperatures_c, strict=False)
            if value is not None and place != "ambient"
        ]
        if sample.voltage_v is not None and sample.current_a is not None:
            hottest_c = (max(heat_c), max(heat_c)) if heat_c else None
            points.append(Point(sample.test_time_s, (sample.voltage_v,) * 2, (sample.current_a,) * 2, hottest_c))
    return points, [event for event in run.events if {"event", "utc", "seq"} <= event.keys()]


def _draw(told: Told, bay: str | None, now_s: float, drawn: int) -> int:
    width, height = shutil.get_terminal_size((80, 24))
    plain = not (sys.stdout.encoding or "").lower().startswith("utf")
    above = [] if told.connected else ["NO CONNECTION to the worker; what stands here is old"]
    room = height - 2 - len(above)
    if bay is None:
        lines = watch_view.overview(told, now_s, width, room)
        events = watch_view.last_events(list(told.events), width, room - len(lines) - 1)
        lines += ["", *events] if events else []
    else:
        lines = watch_view.one_bay(told, bay, now_s, width, room, plain=plain)
    lines = [line[: width - 1] for line in (*above, *lines)]
    back = f"\x1b[{drawn}F\x1b[J" if drawn else ""
    sys.stdout.write(back + "".join(f"{line}\n" for line in [*lines, "Ctrl-C leaves; the tests go on"]))
    sys.stdout.flush()
    return len(lines) + 1


def _tail(options: argparse.Namespace) -> int:
    if not _known_bay(options):
        return REFUSED
    with suppress(KeyboardInterrupt):
        for message in follow(state_of(options) / FEED_SOCKET, PIPED_EVERY_S):
            if message is None or message["kind"] != "event" or options.bay not in (None, message["bay"]):
                continue
            print(json.dumps(message) if options.json else watch_view.event_line(message), flush=True)
    return FINISHED


def _wait(options: argparse.Namespace) -> int:
    """Wait by the feed; the end of the service is no end of a test, but nobody is there to wait for."""
    if not _known_bay(options):
        return REFUSED
    last: Message | None = None
    with suppress(KeyboardInterrupt):
        for message in follow(state_of(options) / FEED_SOCKET, PIPED_EVERY_S):
            if message is None:
                # A worker that is frozen stays connected.
                words = said_by_guardian(options.bay, _guardian(options))
                if words:
                    return _lost(options, words)
                continue
            if message["kind"] == "lost":
                if last is None or last["stand"] in ("running", "cooling"):
                    return _lost(options, None)
                return _outcome(last)
            if message["kind"] == "state" and message["bay"] == options.bay:
                last = message
                if message["stand"] not in ("running", "cooling") and message["off"]:
                    return _outcome(message)
    return STOPPED


def _guardian(options: argparse.Namespace) -> Message | None:
    """Return what the guardian answers; empty while it is busy switching off, None if there is none."""
    try:
        return ask(state_of(options) / GUARDIAN_SOCKET, {"do": "status"}, GUARDIAN_S)
    except NoAnswer as error:
        return None if isinstance(error.__cause__, FileNotFoundError | ConnectionRefusedError) else {}


def _lost(options: argparse.Namespace, words: str | None) -> int:
    """Print what the guardian of a worker that has gone makes of a bay, once it has confirmed off or time is up."""
    until_s = clock.real_s() + TOOK_OVER_S
    while not (words and CONFIRMED in words) and clock.real_s() < until_s:
        found = _guardian(options)
        if found is None:
            break  # it has gone as well
        words = said_by_guardian(options.bay, found) or words
        threading.Event().wait(AGAIN_S)
    words = words or "its guardian says nothing of it: off is not known, look at the bench"
    print(f"{options.bay}: the worker has gone; {words}", file=sys.stderr)
    return TRIPPED


def said_by_guardian(bay: str, answer: Message | None) -> str:
    """Return what a guardian that has taken over says of one bay, "" where it has not; `answer`: to "status"."""
    if not answer or answer.get("by") != "guardian":
        return ""
    outcomes = {name: str(said) for name, said in answer.get("outcomes", {}).items() if name.startswith(f"{bay} ")}
    if not outcomes:
        return "its guardian has taken over, and had nothing of this bay to switch off"
    off = CONFIRMED if all(map(is_confirmed, outcomes.values())) else "OFF NOT CONFIRMED: go there, unplug it"
    said = "; ".join(f"{name}: {outcome}" for name, outcome in outcomes.items())
    return f"its guardian has taken over: {off} ({said})"


def _outcome(state: Message) -> int:
    """Print how a bay's list ended; 0 only if it is confirmed off, too."""
    off = state["off"]
    print(f"{state['bay']}: {watch_view.stand_words(state)}; {off['words'] if off else 'off is not known'}")
    return _CODES[state["stand"]] if off and off["confirmed"] else TRIPPED
