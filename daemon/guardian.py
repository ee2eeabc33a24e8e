"""The guardian: the parent of the worker, and the last to leave.

It starts the worker, and from the moment a bay is armed expects a sign of life for it. End of file, five seconds of
silence, or the worker's death: SIGKILL first (an instrument with a single session serves nobody else until its client
is gone), then off, read back, and off asserted again for two minutes, since a command queued in a dead connection can
still be delivered after its process died. A contactor, if a bay has one, is held closed by a signal that this process
renews each second while the bay is armed; its silence opens it.

A service's worker gives signs of its own besides, whatever is armed: once it has given one, its freezing is noticed
with nothing on, too. It is killed, people are told, and whoever watches this process starts the service anew, idle.

It shares nothing with the worker's drivers: what to send, what to ask, and what answer means "off" were fixed when the
bay was armed, after the guardian itself had asked each instrument who it is. Real seconds only. Messages are one JSON
object a line:
    worker:   {"arm": bay, "off": [entry, …], "contactor": {…} or null}     entries: see daemon/guard/raw_wire.py
              {"beat": bay, "n": sequence, "on": true}     after a valid and judged reading, at least each second
              {"disarm": bay, "current_a": {...}}          after off was read back and measured
              {"alive": n}                                 a service, each second, whatever is armed
              {"addresses": [text, …]}                     whom an alarm goes to: secrets, for no file can be counted on
    guardian: {"armed": bay} or {"refused": bay, "why": …};  {"alive": n} each half second
"""

import json
import os
import queue
import re
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.daemon.guard import notify, raw_wire
from benchwarden.daemon.guard.contactor import Contactor
from benchwarden.daemon.guard.front_process import Front
from benchwarden.daemon.guard.guardian_desk import Desk
from benchwarden.daemon.guard.worker_signs import WORKER_SILENCE_S, WorkerSigns

SILENCE_S = 5.0
ASSERT_OFF_S = 120.0
STOP_GRACE_S = 10.0
ALIVE_S = 0.5
RENEW_S = 1.0
ASSERT_EVERY_S = 1.0
TELL_AFTER_S = 5.0
# With nothing to switch off, so long may telling people take; the process that tells them gives up earlier.
TELL_AT_MOST_S = 100.0
TURN_S = 0.1
DIED, TOOK_OVER = 1, 4  # exit codes
HANDED = "--handed"  # tells what tells people that its first line holds their addresses

Tell = Callable[[str], None]


def to_terminal(text: str) -> None:
    """Write one line to standard error; a closed or full terminal never stops the guardian."""
    with suppress(OSError, ValueError):
        if select.select([], [2], [], 0.0)[1]:  # a pipe that nobody empties, or a held terminal, takes nothing
            os.write(2, f"guardian: {text}\n".encode())


def worker_command(*arguments: str) -> list[str]:
    """Return the command line that starts the worker of this very program."""
    return [sys.executable, "-m", "benchwarden.daemon.worker", *arguments]


def alarm_command(bench: str | Path) -> list[str]:
    """Return the command line that starts the process which tells people, for this bench file."""
    return [sys.executable, "-m", "benchwarden.daemon.alarm.alarms", str(bench)]


@dataclass(slots=True)
class _Armed:
    """A bay that the guardian answers for."""

    entries: list[Mapping[str, Any]]
    contactor: Contactor | None
    beat_s: float
    on: bool = False


class Guardian:
    """Runs a worker under watch. `command` gets the number of its end of the socket appended.

    `bench_inside_worker`: the simulated bench of the demonstration ends with the worker, so nothing is left to switch
    off. `control`: where a Unix socket for STOP and status is made. `tell` gets every line of the guardian's own log.
    `alarm`: a command that tells people, started at a takeover only and given JSON lines (daemon/alarm/alarms.py).
    `hold`: descriptors of locks that the worker inherits, so that they last while either lives.
    `front`: a command that shows what the worker does to people elsewhere; it may die and is then started again.
    Of a takeover `timeline` has when (s, the system's monotonic clock), what and at which instrument; `outcomes` what
    each instrument answered last.
    """

    def __init__(
        self,
        command: Sequence[str],
        *,
        silence_s: float = SILENCE_S,
        worker_silence_s: float = WORKER_SILENCE_S,
        assert_off_s: float = ASSERT_OFF_S,
        bench_inside_worker: bool = False,
        control: Path | None = None,
        tell: Tell = to_terminal,
        alarm: Sequence[str] | None = None,
        hold: Sequence[int] = (),
        front: Sequence[str] | None = None,
    ) -> None:
        self._command = command
        self._silence_s, self._assert_off_s = silence_s, assert_off_s
        self._worker_silence_s = worker_silence_s
        self._signs = WorkerSigns()
        self._bench_inside_worker = bench_inside_worker
        self._desk = Desk(control)
        self._tell = tell
        self._alarm = alarm
        self._addresses: list[str] = []
        self._hold = list(hold)
        self._front = Front(front, tell) if front else None
        self.timeline: list[tuple[float, str, str]] = []
        self.outcomes: dict[str, str] = {}
        self._armed: dict[str, _Armed] = {}
        self._arming: dict[str, dict[str, Any]] = {}
        self._identified: queue.SimpleQueue[tuple[dict[str, Any], str, Contactor | None]] = queue.SimpleQueue()
        self._stop_s: float | None = None
        self._stops: list[tuple[socket.socket, str | None, float]] = []
        self._pending = b""
        self._frozen, self._why_frozen = False, ""
        self._alive, self._alive_due_s, self._renew_due_s = 0, 0.0, 0.0

    def run(self) -> int:
        """Return the worker's exit code, or TOOK_OVER if the guardian had to switch off."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT):
            signal.signal(number, lambda *_: self._ask_to_stop())
        for number in (signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU):
            signal.signal(number, signal.SIG_IGN)  # a key at the terminal must not stop guardian and worker together
        with self._desk:
            self._ours, theirs = socket.socketpair()
            self._ours.settimeout(1.0)
            with self._ours:
                inherited = [theirs.fileno(), *self._hold]
                self._worker = subprocess.Popen([*self._command, str(theirs.fileno())], pass_fds=inherited)
                theirs.close()
                notify.notify(notify.READY)
                if self._stop_s is not None:
                    self._worker.terminate()
                try:
                    why = self._watch()
                    if self._armed:
                        return self._take_over(why)
                    return self._end_frozen(why) if self._frozen else self._wait()
                finally:
                    if self._front:
                        self._front.end()

    def _ask_to_stop(self) -> None:
        notify.notify(notify.STOPPING)
        self._stop_s = self._stop_s or time.monotonic()
        worker = getattr(self, "_worker", None)
        if worker is not None:
            worker.terminate()

    def _wait(self) -> int:
        """Return the exit code of a worker that has nothing switched on, however long its report takes."""
        while True:
            notify.notify(notify.ALIVE)
            self._serve_desk(time.monotonic())  # a stop that came with the worker's last words, and later ones
            if why := self._silent(time.monotonic()):  # a service that has hung up and does not end either
                return self._end_frozen(why)
            try:
                code = self._worker.wait(0.2)
                return code if code >= 0 else DIED
            except subprocess.TimeoutExpired:
                if self._stop_s is not None and time.monotonic() - self._stop_s > STOP_GRACE_S:
                    self._worker.kill()

    def _watch(self) -> str:
        """Serve until the worker's end of the socket closes, a bay falls silent, or a stop has no effect."""
        while True:
            try:
                why = self._turn()
            except Exception as error:  # noqa: BLE001  whatever is wrong with this process, it must not leave anything on
                return f"the guardian itself is at fault ({error!r})"
            if why:
                return why

    def _turn(self) -> str | None:
        """Look once at everything; returns why to take over, or None."""
        ready, _, _ = select.select([self._ours, *self._desk.descriptors], [], [], TURN_S)
        now = time.monotonic()
        try:
            if self._ours in ready and not self._hear(now):
                return "the worker ended"
            self._arm_identified(now)
            self._give_signs(now)
        except (ValueError, KeyError, TypeError, AttributeError, OSError) as error:
            return f"the worker sent or took what no worker does ({error!r})"
        self._serve_desk(now)
        return self._too_late(now)

    def _too_late(self, now: float) -> str | None:
        for bay, armed in self._armed.items():
            if now - armed.beat_s > self._silence_s:
                return f"no sign of life from bay {bay} for {now - armed.beat_s:.1f} s"
        asked_s = [self._stop_s] if self._stop_s is not None else []
        asked_s += [at_s for _, bay, at_s in self._stops if bay is None or bay in self._armed]
        if asked_s and now - min(asked_s) > STOP_GRACE_S:
            return "the worker did not stop when asked"
        return self._silent(now)

    def _silent(self, now: float) -> str | None:
        """Why a service's worker counts as frozen, or None."""
        missed_s = self._signs.missed_s(now)
        self._frozen = missed_s > self._worker_silence_s
        return f"no sign of life from the service for {missed_s:.1f} s" if self._frozen else None

    def _hear(self, now: float) -> bool:
        """Take the worker's messages; False at its end."""
        try:
            block = self._ours.recv(65536)
        except ConnectionError:
            block = b""
        *lines, self._pending = (self._pending + block).split(b"\n")
        for line in lines:
            message = json.loads(line)
            if "beat" in message:
                armed = self._armed.get(message["beat"])
                if armed:
                    armed.beat_s, armed.on = now, bool(message.get("on"))
            elif "arm" in message:
                # Asking takes seconds where something is wrong; the other bays' signs go on meanwhile.
                entries = message["off"] = [dict(entry) for entry in message["off"]]
                self._arming[message["arm"]] = message
                threading.Thread(target=self._identify, args=(message, entries), daemon=True).start()
            elif "disarm" in message:
                self._disarm(message["disarm"])
            elif "alive" in message:
                self._signs.heard(now)
            elif "addresses" in message:
                self._addresses = [str(one) for one in message["addresses"]]
        return bool(block)

    def _identify(self, message: dict[str, Any], entries: list[dict[str, Any]]) -> None:
        """In a thread: ask each instrument of a bay who it is, on a connection of the guardian's own.

        The contactor is connected to here, too: a name that has to be looked up must not hold up the other bays.
        """
        found = [raw_wire.identify(entry) for entry in entries if entry.get("identity")]
        why, contactor = "; ".join(problem for problem in found if problem), None
        if not why and message.get("contactor"):
            try:
                contactor = Contactor(message["contactor"])
            except Exception as error:  # noqa: BLE001  termios has errors of its own kind
                why = f"contactor at {message['contactor'].get('address')}: {error}"
        self._identified.put((message, why, contactor))

    def _arm_identified(self, now: float) -> None:
        while not self._identified.empty():
            message, why, contactor = self._identified.get()
            bay = message["arm"]
            if self._arming.get(bay) is not message:  # its run has ended meanwhile: nobody would beat for it
                if contactor:
                    contactor.release()
                continue
            del self._arming[bay]
            if contactor:
                try:
                    contactor.renew()
                except OSError as error:
                    contactor.release()
                    why = f"contactor at {message['contactor']['address']}: {error}"
            if why:
                self._send({"refused": bay, "why": why})
                continue
            self._armed[bay] = _Armed(list(message["off"]), contactor, now)
            self._send({"armed": bay})

    def _disarm(self, bay: str) -> None:
        self._arming.pop(bay, None)
        armed = self._armed.pop(bay, None)
        if armed and armed.contactor:
            armed.contactor.release()

    def _give_signs(self, now: float) -> None:
        """Tell the worker that its guardian lives, and hold the contactors of the armed bays."""
        if now >= self._alive_due_s:
            self._alive, self._alive_due_s = self._alive + 1, now + ALIVE_S
            notify.notify(notify.ALIVE)
            self._send({"alive": self._alive})
            if self._front:
                self._front.keep(now)
        if now < self._renew_due_s:
            return
        self._renew_due_s = now + RENEW_S
        for bay, armed in self._armed.items():
            if armed.contactor:
                try:
                    armed.contactor.renew()
                except OSError as error:
                    armed.contactor = None
                    self._tell(f"contactor of bay {bay}: {error}; it opens by itself")
                    self._send({"lost": bay, "why": f"the contactor cannot be held: {error}"})

    def _send(self, message: Mapping[str, Any]) -> None:
        with suppress(BrokenPipeError, ConnectionError):  # its end is noticed when its messages end
            self._ours.sendall(json.dumps(message).encode() + b"\n")

    def _serve_desk(self, now: float) -> None:
        for client, request in self._desk.requests():
            bay = request.get("bay")
            if request.get("do") == "status":
                frozen = {"frozen": self._why_frozen} if self._why_frozen else {}
                self._desk.answer(client, {"armed": {bay: {"on": one.on} for bay, one in self._armed.items()}} | frozen)
            elif request.get("do") == "stop" and (bay is None or isinstance(bay, str)):
                self._stops.append((client, bay, now))
            else:
                self._desk.answer(
                    client, {"error": "the guardian knows status, and stop with the name of a bay or none"}
                )
        for stop in list(self._stops):
            client, bay, _ = stop
            if not (bay in self._armed if bay is not None else self._armed):
                self._stops.remove(stop)
                self._desk.answer(client, {"off": True, "by": "worker"})

    def _end_frozen(self, why: str) -> int:
        """Kill a service that froze with nothing armed, and tell people: nobody else does until the morning.

        What had not been armed had not been switched on. Whoever watches this process switches off once more
        (`ExecStopPost`), and starts the service anew, idle.
        """
        self._worker.kill()
        self._why_frozen = why
        self._tell(f"{why}; killed it: nothing was switched on, and its lists wait for a person")
        child = self._tell_people([self._said_of_nothing(why)])
        end_s = time.monotonic() + TELL_AT_MOST_S
        # It would be ended with this process: a service manager ends all that a service has started.
        while time.monotonic() < end_s and (self._worker.poll() is None or (child and child.poll() is None)):
            if self._stop_s is not None:
                break
            notify.notify(notify.ALIVE)
            self._serve_desk(time.monotonic())
            time.sleep(TURN_S)
        return TOOK_OVER

    @staticmethod
    def _said_of_nothing(why: str) -> dict[str, object]:
        ended = "nothing was switched on; it was ended, and what waited on its lists waits for a person to start it"
        return {"kind": "guardian took over", "bay": "", "pack": "", "why": f"{why}; {ended}", "off": None}

    def _take_over(self, why: str) -> int:
        """Kill first, then switch everything off, and keep doing so until `assert_off_s` have passed.

        One thread for each instrument: one that does not answer must not keep the others on.
        """
        self._worker.kill()
        began_s = time.monotonic()
        self.timeline.append((began_s, "noticed", why))
        bays = ", ".join(self._armed)
        entries = [entry for armed in self._armed.values() for entry in armed.entries]
        for armed in self._armed.values():
            if armed.contactor:
                armed.contactor.release()
        end_s = time.monotonic() + self._assert_off_s
        outcomes: queue.SimpleQueue[tuple[str, str, str]] = queue.SimpleQueue()
        threads: list[threading.Thread] = []
        if not self._bench_inside_worker:
            threads = [
                threading.Thread(target=_assert_off, args=(one, end_s, outcomes, self.timeline), daemon=True)
                for one in entries
            ]
            for thread, one in zip(threads, entries, strict=True):
                try:
                    thread.start()
                except RuntimeError:  # no room for a thread: in this one then, once
                    _assert_off(one, began_s, outcomes, self.timeline)
        self._tell(f"{why}; taking over bays {bays}")
        with suppress(subprocess.TimeoutExpired):  # a process that hangs in the kernel is dead all the same
            self._worker.wait(2.0)
        if self._bench_inside_worker:
            self._tell("the simulated bench ended with its process: nothing is left to switch off")
            return TOOK_OVER
        said = self.outcomes
        told: bool | None = None
        names = {entry["name"] for entry in entries}
        while any(thread.is_alive() for thread in threads) or not outcomes.empty():
            with suppress(queue.Empty):
                name, address, outcome = outcomes.get(timeout=TURN_S)
                if _words(said.get(name, "")) != _words(outcome):  # a last digit that flickers is no news
                    self._tell(f"{name} at {address}: {outcome}")
                said[name] = outcome
            notify.notify(notify.ALIVE)
            if len(said) == len(names):
                self._answer_after_take_over(said, end_s - time.monotonic())
            confirmed = len(said) == len(names) and all(map(raw_wire.is_confirmed, said.values()))
            late = time.monotonic() - began_s > TELL_AFTER_S
            if told is not True and (confirmed or (told is None and (late or len(said) == len(names)))):
                told = confirmed
                self._raise_alarm(why, said, off=confirmed)
        if told and not all(map(raw_wire.is_confirmed, said.values())):  # it was off, and in the end it is not
            self._raise_alarm(why, said, off=False)
        return TOOK_OVER

    def _raise_alarm(self, why: str, said: Mapping[str, str], *, off: bool) -> None:
        """Tell people of each bay; never waits for whoever does."""
        lines: list[Mapping[str, object]] = [
            {
                "kind": "guardian took over",
                "bay": bay,
                "pack": next((one["pack"] for one in armed.entries if one.get("pack")), ""),
                "why": why,
                "off": off or all(raw_wire.is_confirmed(said.get(one["name"], "")) for one in armed.entries),
            }
            for bay, armed in self._armed.items()
        ]
        self._tell_people(lines)

    def _tell_people(self, lines: Sequence[Mapping[str, object]]) -> "subprocess.Popen[bytes] | None":
        """Hand messages to a process that tells people, and return it."""
        if not self._alarm:
            return None
        handed = self._addresses
        command = [*self._alarm, HANDED] if handed else self._alarm
        messages = [{"addresses": handed}, *lines] if handed else lines
        try:
            child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL)
            assert child.stdin
            with child.stdin as pipe:  # a few hundred bytes: the pipe takes them at once
                pipe.write("".join(json.dumps(line) + "\n" for line in messages).encode())
        except OSError as error:
            self._tell(f"no alarm can be sent: {error}")
            return None
        return child

    def _answer_after_take_over(self, said: Mapping[str, str], left_s: float) -> None:
        confirmed = all(raw_wire.is_confirmed(outcome) for outcome in said.values())
        answer = {"off": confirmed, "by": "guardian", "outcomes": dict(said), "left_s": round(max(left_s, 0.0), 1)}
        for client, _, _ in self._stops:
            self._desk.answer(client, answer)
        self._stops.clear()
        for client, _ in self._desk.requests():
            self._desk.answer(client, answer)


def _words(outcome: str) -> str:
    return re.sub(r"\d+\.\d+", "#", outcome)


def _assert_off(
    entry: Mapping[str, Any],
    end_s: float,
    outcomes: "queue.SimpleQueue[tuple[str, str, str]]",
    timeline: list[tuple[float, str, str]],
) -> None:
    """In a thread: switch one instrument off at once, and again each second until `end_s`."""

    def mark(what: str) -> None:
        timeline.append((time.monotonic(), what, entry["name"]))

    while True:
        outcomes.put((entry["name"], entry["address"], raw_wire.switch_off(entry, mark=mark)))
        if time.monotonic() >= end_s:
            return
        time.sleep(ASSERT_EVERY_S)
