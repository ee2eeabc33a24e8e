"""The worker's word to the outside: alarms and signs of life through a child process, and no sleep meanwhile.

Nothing here waits for anybody. The child (daemon/alarm/alarms.py) is handed one JSON line at a time through a pipe.
"""

import asyncio
import json
import os
import subprocess
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Self

from benchwarden.daemon import clock
from benchwarden.daemon.alarm.alarm_addresses import addresses
from benchwarden.daemon.alarm.inhibit import Inhibitor, on_battery
from benchwarden.daemon.bench import Bench
from benchwarden.daemon.safety import Heat
from benchwarden.profiles.mistakes import FileMistakes

# A sign that an output is on is handed over this often (real seconds).
SIGN_EVERY_S = 5.0
# A child that ends is started again so often within so long; one that ends at once will do so again.
RESTARTS, RESTARTS_S = 3, 600.0
CLOSE_S = 2.0
# So many messages wait for a child that is only just being started.
KEPT = 1000
ASKED_TO_STOP = "asked to stop"
# Children that go on by themselves after they were hung up on.
_STILL_SENDING: list["subprocess.Popen[bytes]"] = []


def check_alarms(bench: Bench, bench_path: Path) -> bool:
    """Return whether there is anybody to tell; FileMistakes where the addresses cannot be used."""
    from importlib.util import find_spec

    urls = told_at(bench, bench_path)
    if urls and find_spec("apprise") is None:
        raise FileMistakes(
            [f"{bench_path}: [alarms]: alarms need the library apprise: pip install 'benchwarden[alarms]'"]
        )
    return bool(urls or bench.alarms.alive_url)


def told_at(bench: Bench, bench_path: Path) -> list[str]:
    """Return the addresses that alarms go to, which hold secrets; FileMistakes where they cannot be used."""
    return addresses(bench.alarms, bench_path.parent, os.environ)


class Outside:
    """Tells the outside of every bay of one worker. Enter it as an async context.

    `command` starts the child, None for no alarms; `note` gets a line when something here goes wrong. `simulated`:
    whether a bench may run on a machine that may fall asleep on its battery. `also` gets every alarm, too.
    """

    def __init__(
        self,
        command: Sequence[str] | None,
        note: Callable[[str], None],
        *,
        inhibitor: Inhibitor | None = None,
        simulated: bool = True,
        also: Callable[[Mapping[str, object]], None] = lambda fact: None,
    ) -> None:
        self._command, self._note, self._also = command, note, also
        self._inhibitor = inhibitor
        self._simulated = simulated
        self._child: subprocess.Popen[bytes] | None = None
        self._started_s: list[float] = []
        self._entered = self._left = False
        self._starting = False
        self._started = asyncio.Event()
        self._kept: deque[bytes] = deque(maxlen=KEPT)
        self._on: set[str] = set()
        self._signed_s: float | None = None
        self._heard = b""
        self._said: set[str] = set()

    async def __aenter__(self) -> Self:
        self._entered, self._left = True, False
        self._again()
        await self._until_started()
        return self

    async def __aexit__(self, *_: object) -> None:
        for bay in list(self._on):
            self._on.discard(bay)  # a bay that was never told off: silence, and no all-clear
        self._entered = False
        await self._until_started()
        self._left = True
        child, self._child = self._child, None
        if child:
            await asyncio.to_thread(_end, child)
            self._forget(child)

    async def _until_started(self) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_S):
                while self._starting:
                    await self._started.wait()

    async def begin(self, bay: str) -> str | None:
        """A bay's run begins: keep the machine awake. Returns why it must not begin, None if it may."""
        if self._inhibitor is None:
            return None
        missing = await asyncio.to_thread(self._inhibitor.hold, bay)
        if missing and not self._simulated and await asyncio.to_thread(on_battery):
            return f"{missing}; and it runs on its battery"
        if missing and missing not in self._said:
            self._said.add(missing)
            self._note(missing)
        return None

    def end(self, bay: str) -> None:
        """A bay's run has left; the machine may sleep once every bay's has. Waits for a child: call it in a thread."""
        if self._inhibitor:
            self._inhibitor.release(bay)

    def sign(self, bay: str, on: bool) -> None:
        """Take a sign of life of one bay: just measured and judged, and whether its output is on."""
        before = bool(self._on)
        if on:
            self._on.add(bay)
        else:
            self._on.discard(bay)
        if not self._command or not (self._on or before):
            return
        now = clock.real_s()
        if bool(self._on) != before or self._signed_s is None or now - self._signed_s >= SIGN_EVERY_S:
            self._signed_s = now
            self._send({"on": bool(self._on)})

    def ended(self, bay: str, pack: str, how: str, why: str, *, off_confirmed: bool, heat: Heat = Heat.NO) -> None:
        """Tell how a bay's run ended; a person who stopped it knows, unless it is not off."""
        if off_confirmed:
            self.sign(bay, False)
        if how == "stopped" and why == ASKED_TO_STOP and off_confirmed:
            return
        self._tell(how, bay, pack, why, off=off_confirmed, heat=heat.value)

    def waiting(self, bay: str, pack: str, question: str, *, output: str) -> None:
        """Tell that a bay waits for its operator, and what is on (see alarms.py) meanwhile."""
        self._tell("waiting for the operator", bay, pack, question, output=output)

    def disk(self, bay: str, pack: str, why: str, *, output: str) -> None:
        """Tell that the disk is nearly full, and what is on (see alarms.py) in this bay."""
        self._tell("disk nearly full", bay, pack, why, output=output)

    def list_over(
        self,
        bay: str,
        pack: str,
        stand: str,
        why: str,
        state: Path,
        *,
        off_confirmed: bool,
        heat: Heat = Heat.NO,
    ) -> None:
        """Tell that a bay's list has ended, which lies in the folder `state`; the child works out what it has left."""
        message = {"list": bay, "pack": pack, "stand": stand, "why": why, "off": off_confirmed, "state": str(state)}
        self._send(message | {"heat": heat.value})

    def _tell(
        self, kind: str, bay: str, pack: str, why: str, *, off: bool | None = None, heat: str = "no", output: str = ""
    ) -> None:
        fact: dict[str, object] = {"kind": kind, "bay": bay, "pack": pack, "why": why, "off": off}
        fact |= {"heat": heat, "output": output}
        self._send(fact)
        self._also(fact)

    def _send(self, message: dict[str, object]) -> None:
        self._hand_over(json.dumps(message).encode() + b"\n")

    def _hand_over(self, line: bytes) -> None:
        if not self._child and not self._starting:  # it ended too often some time ago
            self._again()
        if self._child and self._child.stdin:
            try:
                if os.write(self._child.stdin.fileno(), line) == len(line):
                    return
                why = "takes nothing any more"
            except BlockingIOError:
                why = "takes nothing any more"
            except OSError:
                why = "has ended"
            self._note(f"the process that sends alarms {why}")
            self._again()
        if self._starting:
            self._kept.append(line)

    def _again(self) -> None:
        """Have another child in the place of the one that there is, if there may be one; returns at once."""
        child, self._child = self._child, None
        if child:
            self._forget(child)
        now_s = clock.real_s()
        self._started_s = [one for one in self._started_s if now_s - one < RESTARTS_S]
        command: Sequence[str] | None = None
        if self._command and self._entered and len(self._started_s) <= RESTARTS:
            self._started_s.append(now_s)
            command = self._command
        if not (child or command):
            return
        # In a thread of its own: a process may take long to end or to start, and all others may wait for a disk.
        work = threading.Thread(
            target=self._replace, args=(child, command, asyncio.get_running_loop()), name="alarms", daemon=True
        )
        try:
            work.start()
        except RuntimeError as error:
            self._note(f"no alarm can be sent: {error}")
            return
        if command:
            self._starting = True
            self._started.clear()

    def _replace(
        self, child: "subprocess.Popen[bytes] | None", command: Sequence[str] | None, loop: asyncio.AbstractEventLoop
    ) -> None:
        if child:
            child.kill()
            child.wait()
        if not command:
            return
        found: subprocess.Popen[bytes] | OSError
        try:
            found = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        except OSError as error:
            found = error
        try:
            loop.call_soon_threadsafe(self._take, found)
        except RuntimeError:  # the loop has ended: a child that nobody writes to ends by itself
            if not isinstance(found, OSError):
                found.communicate()

    def _take(self, found: "subprocess.Popen[bytes] | OSError") -> None:
        self._starting = False
        self._started.set()
        if isinstance(found, OSError):
            self._kept.clear()
            self._note(f"no alarm can be sent: {found}")
            return
        assert found.stdin
        assert found.stderr
        for pipe in (found.stdin, found.stderr):
            os.set_blocking(pipe.fileno(), False)
        asyncio.get_running_loop().add_reader(found.stderr.fileno(), self._hear, found)
        self._child = found
        kept = list(self._kept)
        self._kept.clear()
        for line in kept:
            self._hand_over(line)
        if self._left and self._child:  # nobody waited for it: what was said goes out, and it is hung up on
            child, self._child = self._child, None
            self._forget(child)

    def _hear(self, child: "subprocess.Popen[bytes]") -> None:
        assert child.stderr
        try:
            block = os.read(child.stderr.fileno(), 65536)
        except BlockingIOError:
            return
        except OSError:
            block = b""
        if not block:
            asyncio.get_running_loop().remove_reader(child.stderr.fileno())
        *lines, self._heard = (self._heard + block).split(b"\n")
        for line in lines:
            self._note(f"alarms: {line.decode('utf-8', 'replace')}")

    def _forget(self, child: "subprocess.Popen[bytes]") -> None:
        if child.stderr:
            asyncio.get_running_loop().remove_reader(child.stderr.fileno())
        for pipe in (child.stdin, child.stderr):
            if pipe:
                with suppress(OSError):
                    pipe.close()
        if child.poll() is None:
            _STILL_SENDING.append(child)


def _end(child: "subprocess.Popen[bytes]") -> None:
    """In a thread: hang up, and give it a moment; where a network hangs, it goes on by itself after this process."""
    if child.stdin:
        with suppress(OSError):
            child.stdin.close()
    with suppress(subprocess.TimeoutExpired):
        child.wait(CLOSE_S)


class InAList(Outside):
    """The outside of one test of a list: it shares everything with `whole`, but of ends it tells only the bad ones.

    The message at the list's end tells of the good ones, and needs some seconds; what is urgent does not wait for it.
    """

    def __init__(self, whole: Outside) -> None:
        self.__dict__ = whole.__dict__

    def ended(self, bay: str, pack: str, how: str, why: str, *, off_confirmed: bool, heat: Heat = Heat.NO) -> None:
        """Tell how a test ended if it tripped, or is not confirmed off."""
        if how == "tripped" or not off_confirmed:
            super().ended(bay, pack, how, why, off_confirmed=off_confirmed, heat=heat)
        else:
            self.sign(bay, False)


NOBODY = Outside(None, lambda text: None)
"""For runs that tell nobody, as on a bench inside this process."""
