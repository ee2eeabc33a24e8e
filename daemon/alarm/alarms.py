"""Tells people: a process of its own, fed with one JSON object a line, so that a hanging network delays nobody else.

Started as `python -m benchwarden.daemon.alarm.alarms BENCH-FILE` by the worker, and by the guardian when it takes over,
with `--handed` behind it: then no file is read, and the first line holds the addresses, {"addresses": ["…", …]}.
    {"kind": "tripped", "bay": "left", "pack": "Heron", "why": "…", "off": true, "heat": "no"}     kinds: see `Kind`
    {"kind": "waiting for the operator", "bay": "left", "pack": "Heron", "why": "…", "output": "off"}
    {"list": "left", "pack": "Heron", "stand": "idle", "why": "", "off": true, "state": "…"}     a bay's list has ended
    {"on": true}     a bay has just been measured and judged while an output is on; false: every output is off
What goes wrong here is one line each on standard error. Addresses are those of the library apprise (extra `alarms`).
"""

import json
import logging
import os
import queue
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.alarm.alarm_addresses import VARIABLE, addresses
from benchwarden.daemon.alarm.alive import PERIOD_S, Alive
from benchwarden.daemon.bench import Alarms, read_bench
from benchwarden.daemon.files import read_text
from benchwarden.daemon.safety import Heat
from benchwarden.profiles.mistakes import FileMistakes

QUIET_S = 600.0
# How long after each failed try the next one comes.
RETRY_S = (5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 600.0)
# How long messages are tried after the bench has hung up; the guardian, which asserts off, lives longer than this.
GRACE_S = 90.0
# A report of some hours of runs takes a second or two; a disk that stands still must not keep the message.
REPORT_S = 60.0
WAITING_AT_MOST = 200
DELIVERED, NOT_DELIVERED, BAD_INPUT = 0, 1, 2

Say = Callable[[str], None]


class Kind(Enum):
    """What a person is told of."""

    TRIPPED = "tripped"
    FINISHED = "finished"
    STOPPED = "stopped"
    WAITING = "waiting for the operator"
    TOOK_OVER = "guardian took over"
    DISK = "disk nearly full"
    LIST_FINISHED = "list finished"
    LIST_STOPPED = "list stopped"
    LIST_TRIPPED = "list tripped"
    TEST = "test"


_AT_THE_END = {"idle": Kind.LIST_FINISHED, "tripped": Kind.LIST_TRIPPED}  # any other stand: stopped


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that happened; `off`: whether off was read back and measured, None where that is not the matter.

    `more`: what else there is to say of it, a line each. `heat`: what its reason says of the pack's warmth, decided
    where the bay tripped. `output`: what is on where nothing ended, a key of `OUTPUTS`; "" if that is not said.
    """

    kind: Kind
    bay: str
    pack: str
    why: str
    off: bool | None
    more: tuple[str, ...] = ()
    heat: Heat = Heat.NO
    output: str = ""

    @classmethod
    def of(cls, message: Mapping[str, Any]) -> "Fact":
        """Return the fact of a message; ValueError or KeyError for what is none."""
        off = message.get("off")
        return cls(
            Kind(message["kind"]),
            str(message.get("bay", "")),
            str(message.get("pack", "")),
            str(message.get("why", "")),
            off if isinstance(off, bool) else None,
            heat=Heat(message.get("heat", "no")),
            output=str(message.get("output", "")),
        )

    @classmethod
    def of_list(cls, message: Mapping[str, Any], more: Sequence[str]) -> "Fact":
        """Return the fact that a list has ended; `more` is what the morning's report says of its bay."""
        kind = _AT_THE_END.get(str(message.get("stand")), Kind.LIST_STOPPED)
        return replace(cls.of({**message, "kind": kind.value, "bay": message["list"]}), more=tuple(more))


_URGENT = (Kind.TRIPPED, Kind.TOOK_OVER, Kind.LIST_TRIPPED)
OUTPUTS = {
    "off": "Every output is off: read back and measured.",
    "load": "The load is ON.",
    "supply": "The supply is ON.",
    "unconfirmed": "An output is being switched off, which is NOT YET CONFIRMED.",
}
"""What is on, as people are told where nothing has ended."""
_NOT_MEASURED = "The temperature is not known: treat the pack as hot until it is measured. "


def words(fact: Fact) -> tuple[str, str]:
    """Return title and text: bay, pack, what happened, whether off is confirmed, what a person must do."""
    where = f"bay {fact.bay}" if fact.bay else "bench"
    who = f"{where}, pack {fact.pack}" if fact.pack else where
    lines = [f"{who}: {fact.kind.value}." if not fact.why else f"{who}: {fact.kind.value}: {fact.why}."]
    if fact.off is not None:
        lines.append("Off is confirmed: read back and measured." if fact.off else "OFF IS NOT CONFIRMED.")
    if fact.output:
        lines.append(OUTPUTS.get(fact.output, fact.output))
    lines += [*fact.more, _advice(fact)]
    loud = "OFF NOT CONFIRMED: " if fact.off is False else ""
    return f"benchwarden: {loud}{where} {fact.kind.value}", "\n".join(lines)


def _advice(fact: Fact) -> str:
    if fact.heat is Heat.HOT:
        return (
            "HEAT: do not touch the pack, keep away and keep others away; at smoke, hissing or fire leave and call the "
            "fire service. A pack can catch fire long after everything is off."
        )
    # Nobody looks at the thermometer any more once the guardian has taken over.
    unknown = _NOT_MEASURED if fact.heat is Heat.UNKNOWN or fact.kind is Kind.TOOK_OVER else ""
    if fact.off is False:
        return (
            f"{unknown}Cut the power with the hard-wired stop or the contactor; unplug the pack only if it is cool and "
            "you can reach it safely. If you cannot, keep away and call the fire service."
        )
    advice = {
        Kind.TRIPPED: "Look at the pack before anything else; then read the reason. Nothing goes on by itself.",
        Kind.FINISHED: "Nothing is urgent: unplug the pack and put it away as its state of charge asks.",
        Kind.STOPPED: "The test was not finished: read the reason, then decide what the pack needs.",
        Kind.LIST_FINISHED: "Nothing is urgent: see to what the pack needs within a day.",
        Kind.LIST_STOPPED: "Not everything was done: read the reason, then decide what the pack needs.",
        Kind.LIST_TRIPPED: "Look at the pack before anything else; then read the reason. Nothing goes on until "
        "somebody has acknowledged it.",
        Kind.WAITING: "Somebody must answer at the bench; nothing goes on until then.",
        Kind.TOOK_OVER: "The program died or froze and the guardian acts in its place: go and look, and bring nothing "
        "back on before you know why.",
        Kind.DISK: "Make room on the disk; without it the run ends, switched off.",
        Kind.TEST: "Nothing happened: somebody wanted to know whether this arrives.",
    }[fact.kind]
    return unknown + advice


_ALWAYS = (Kind.TEST, *_AT_THE_END.values(), Kind.LIST_STOPPED)  # each has a person's word at its beginning


class Limiter:
    """Lets the same fault through once in `quiet_s`; another bay, another kind or another reason always passes."""

    def __init__(self, quiet_s: float = QUIET_S) -> None:
        self._quiet_s = quiet_s
        self._passed_s: dict[tuple[object, ...], float] = {}

    def passes(self, fact: Fact, now_s: float) -> bool:
        """Tell whether a fact is to be sent at this time (s).

        Two reasons that differ only in a measured value, "2.48" against "2.47", are the same reason.
        """
        reason = re.sub(r"\d+\.\d+", "#", fact.why)
        key = (fact.kind, fact.bay, fact.pack, reason, fact.off, fact.heat, fact.output)
        last_s = self._passed_s.get(key)
        if fact.kind not in _ALWAYS and last_s is not None and now_s - last_s < self._quiet_s:
            return False
        self._passed_s[key] = now_s
        return True


class Post:
    """Delivers to one address, in a thread of its own, and tries again where that fails."""

    def __init__(self, label: str, deliver: Callable[[Fact], bool], say: Say, retry_s: Sequence[float]) -> None:
        self._label, self._deliver, self._say, self._retry_s = label, deliver, say, retry_s
        self._facts: queue.Queue[Fact | None] = queue.Queue(WAITING_AT_MOST)
        self._hurry = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def put(self, fact: Fact) -> None:
        """Take one fact to deliver; never waits."""
        try:
            self._facts.put_nowait(fact)
        except queue.Full:
            self._say(f"{self._label} takes nothing; this was not sent: {words(fact)[0]}")

    def close(self, until_s: float) -> None:
        """Deliver what waits until `until_s` of the real clock."""
        self._hurry.set()
        try:
            self._facts.put_nowait(None)
        except queue.Full:
            return
        self._thread.join(max(until_s - clock.real_s(), 0.0))
        if self._thread.is_alive():
            self._say(f"{self._label}: gave up, not everything was delivered")

    def _work(self) -> None:
        while True:
            fact = self._facts.get()
            if fact is None:
                return
            for wait_s in (*self._retry_s, None):
                if self._deliver(fact):
                    break
                if wait_s is None:
                    self._say(f"{self._label}: gave up after {len(self._retry_s) + 1} tries: {words(fact)[0]}")
                    break
                self._say(f"{self._label}: not delivered, next try in {wait_s:g} s: {words(fact)[0]}")
                if self._hurry.is_set():
                    threading.Event().wait(min(wait_s, self._retry_s[0]))
                else:
                    self._hurry.wait(wait_s)


def deliverer(url: str) -> Callable[[Fact], bool] | None:
    """Return what delivers to one address, None where apprise does not understand it."""
    import apprise

    logging.getLogger("apprise").propagate = False  # its lines can hold the address
    logging.getLogger("apprise").addHandler(logging.NullHandler())
    target = apprise.Apprise()
    if not target.add(url):
        return None

    def deliver(fact: Fact) -> bool:
        title, text = words(fact)
        kind = apprise.NotifyType.FAILURE if fact.kind in _URGENT else apprise.NotifyType.INFO
        try:
            return bool(target.notify(title=title, body=text, notify_type=kind))
        except Exception:  # noqa: BLE001  whatever a service does, the others are told, and it is tried again
            return False

    return deliver


def label(number: int, url: str) -> str:
    """Return an address's name for people: its kind, and nothing of its secrets."""
    return f"alarm address {number} ({url.partition('://')[0][:20]})"


class Desk:
    """Sorts what comes in: facts to every address, signs of life to `alive`.

    `bench` is the bench file by which the morning's report is worked out at a list's end, in a process of its own.
    """

    def __init__(
        self, posts: Sequence[Post], alive: Alive, say: Say, bench: Path = Path(), quiet_s: float = QUIET_S
    ) -> None:
        self._posts, self._alive, self._say, self._bench = posts, alive, say, bench
        self._limiter = Limiter(quiet_s)
        self._reporting: list[threading.Thread] = []

    def take(self, line: str) -> None:
        """Take one line; what is no message is said and left out."""
        try:
            message = json.loads(line)
            if "on" in message:
                self._alive.sign(bool(message["on"]))
                return
            fact = Fact.of_list(message, ()) if "list" in message else Fact.of(message)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            self._say(f"a line that is no message: {error!r}")
            return
        if "list" in message and self._posts:
            thread = threading.Thread(target=self._tell_list, args=(message,), daemon=True)
            self._reporting.append(thread)
            thread.start()
        elif self._limiter.passes(fact, clock.real_s()):
            self._put(fact)

    def close(self, until_s: float) -> None:
        """Wait for the reports that are still worked out, until `until_s` of the real clock."""
        for thread in self._reporting:
            thread.join(max(until_s - clock.real_s(), 0.0))

    def _put(self, fact: Fact) -> None:
        for post in self._posts:
            post.put(fact)

    def _tell_list(self, message: Mapping[str, Any]) -> None:
        """In a thread: figures take seconds, and no alarm waits for them."""
        self._put(Fact.of_list(message, self._morning(str(message["list"]), str(message.get("state", "")))))

    def _morning(self, bay: str, state: str) -> list[str]:
        command = [sys.executable, "-m", "benchwarden.daemon.main", "morning", bay]
        command += ["--bench", str(self._bench), "--state", state]
        try:
            done = subprocess.run(
                command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=REPORT_S
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            why = str(error)
        else:
            if lines := [line for line in done.stdout.splitlines() if line]:
                return lines
            why = (done.stderr.strip().splitlines() or [f"exit code {done.returncode}"])[-1]
        self._say(f"no report for bay {bay}: {why}")
        return [f"What it has left could not be worked out ({why}): `benchwarden morning`."]


def _settings(path: Path, say: Say) -> tuple[Alarms, list[str]]:
    """Return what the bench file says, as far as it can be read: an alarm must go out with half of it, too."""
    alarms = Alarms()
    try:
        alarms = read_bench(read_text(path, "bench file"), str(path)).alarms
        return alarms, addresses(alarms, path.parent, os.environ)
    except FileMistakes as error:
        for mistake in error.mistakes:
            say(mistake)
    return alarms, os.environ.get(VARIABLE, "").split()


def _handed(path: Path, line: str, say: Say) -> tuple[Alarms, list[str]]:
    """Return the addresses of the first line, where there are any: the files may have gone with what read them."""
    try:
        return Alarms(), [str(one) for one in json.loads(line)["addresses"]]
    except (ValueError, KeyError, TypeError):
        say("the first line holds no addresses; they are looked for in the files")
        return _settings(path, say)


def _say(text: str) -> None:
    try:
        print(text, file=sys.stderr, flush=True)
    except OSError:  # whoever started this has gone; what waits is still delivered
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115


def main(arguments: Sequence[str], *, alive_every_s: float = PERIOD_S, retry_s: Sequence[float] = RETRY_S) -> int:
    """Serve standard input until it ends, then deliver what waits; returns the exit code."""
    bench, *handed = arguments
    alarms, urls = _handed(Path(bench), sys.stdin.readline(), _say) if handed else _settings(Path(bench), _say)
    posts: list[Post] = []
    try:
        for number, url in enumerate(urls, 1):
            deliver = deliverer(url)
            if deliver is None:
                _say(f"{label(number, url)} is not understood, and gets nothing")
            else:
                posts.append(Post(label(number, url), deliver, _say, retry_s))
    except ImportError as error:
        _say(f"no alarm can be sent: {error}; right would be: pip install 'benchwarden[alarms]'")
    alive = Alive(alarms.alive_url, alarms.alive_end_url, _say, period_s=alive_every_s)
    desk = Desk(posts, alive, _say, Path(bench))
    for line in sys.stdin:
        desk.take(line)
    until_s = clock.real_s() + GRACE_S
    alive.close()
    desk.close(until_s)
    for post in posts:
        post.close(until_s)
    return DELIVERED


def try_out(path: Path) -> int:
    """Send a test message to every address, once, and print what became of it; returns the exit code."""
    try:
        urls = addresses(read_bench(read_text(path, "bench file"), str(path)).alarms, path.parent, os.environ)
        if not urls:
            raise FileMistakes(
                [f"{path}: [alarms] urls_file is not there, nor the variable {VARIABLE}: nobody would be told"]
            )
        delivers = [(label(number, url), deliverer(url)) for number, url in enumerate(urls, 1)]
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    except ImportError as error:
        print(f"{error}; right would be: pip install 'benchwarden[alarms]'", file=sys.stderr)
        return BAD_INPUT
    fact = Fact(Kind.TEST, "", "", "", None)
    code = DELIVERED
    for name, deliver in delivers:
        if deliver is None:
            print(f"{name}: not understood")
        elif deliver(fact):
            print(f"{name}: delivered; look whether it arrived")
            continue
        else:
            print(f"{name}: NOT delivered")
        code = NOT_DELIVERED
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
