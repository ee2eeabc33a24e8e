"""The worker as a service: waiting lists, a Unix socket, and nothing that starts by itself; a child of the guardian.

Started as `python -m benchwarden.daemon.serving.service ORDERS DESCRIPTOR`: the orders as JSON, and the number of its
end of the socket to the guardian. Exit codes: 0 asked to stop and every bay confirmed off, 1 not confirmed or the
guardian has gone, 2 bad input.
"""

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Awaitable, Callable, Coroutine, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchwarden.daemon import clock
from benchwarden.daemon.alarm.inhibit import Inhibitor
from benchwarden.daemon.alarm.outside import NOBODY, InAList, Outside, check_alarms, told_at
from benchwarden.daemon.bench import BayEntry, Bench
from benchwarden.daemon.guard import self_watch, state_folder
from benchwarden.daemon.guard.guardian_link import GuardianLink
from benchwarden.daemon.guardian import alarm_command
from benchwarden.daemon.planning import may_run
from benchwarden.daemon.planning.jobs import Job, load_bench, prepare
from benchwarden.daemon.planning.run_info import run_info
from benchwarden.daemon.recording import space
from benchwarden.daemon.running import drilled
from benchwarden.daemon.running.bay_off import BayOff
from benchwarden.daemon.running.progress import Progress, View
from benchwarden.daemon.serving import waiting_list
from benchwarden.daemon.serving.bay_keeper import BayKeeper, CarryOut, Hooks, listed
from benchwarden.daemon.serving.telling import Telling
from benchwarden.daemon.serving.waiting_list import GOING_ON, Refused
from benchwarden.daemon.serving.worker_socket import WorkerSocket
from benchwarden.daemon.worker import leave_signals_to_guardian, run_one
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.folder import FolderError, utc_text

STOPPED, TRIPPED, BAD_INPUT = 0, 1, 2
GUARDIAN_LOOK_S = 1.0


@dataclass(frozen=True, slots=True)
class Orders:
    """What the command line asked for, paths as text; `before`: the guardian of the service before had to act."""

    bench: str
    state: str
    before: bool = False


class Service:
    """Every bay of a bench with its list; `handle` does what the socket is asked.

    `carry_out` runs one job; `over` is told of each run folder whose run has ended, `outside` of what people must know.
    """

    def __init__(
        self,
        bench: Bench,
        bench_path: Path,
        runs: Path,
        state: Path,
        carry_out: CarryOut,
        note: Callable[[str], None],
        over: Callable[[Path], None] = lambda run: None,
        outside: Outside = NOBODY,
    ) -> None:
        self._bench, self._bench_path, self._runs, self._note = bench, bench_path, runs, note
        hooks = Hooks(self._prepare, self._undrilled, carry_out, note, self._everywhere, over, outside)
        self.bays = {entry.name: BayKeeper(entry, bench_path.parent, state, hooks) for entry in bench.bay}
        self.held: self_watch.Held | None = self_watch.held()
        self._commands: dict[str, Callable[[Mapping[str, Any]], Awaitable[dict[str, Any]]]] = {
            "status": self._status,
            "list": self._list,
            "add": self._add,
            "move": self._move,
            "drop": self._drop,
            "start": self._start,
            "stop": self._stop,
            "acknowledge": self._acknowledge,
            "answer": self._answer,
        }

    async def begin(self) -> None:
        """Switch every bay off, confirmed, and take up the lists of before; whatever is not off counts as tripped."""
        found = await asyncio.gather(*(keeper.begin() for keeper in self.bays.values()), return_exceptions=True)
        for keeper, error in zip(self.bays.values(), found, strict=True):
            if isinstance(error, Exception):
                keeper.trip(f"a fault of this program at the start: {error!r}", off_confirmed=keeper.off.confirmed)

    async def handle(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Do what one request asks and return its answer: `ok`, or `error` in words with `mistakes` one by one."""
        command = self._commands.get(str(request.get("do")))
        if command is None:
            return {"error": f"found do = {request.get('do')!r}; right would be {', '.join(self._commands)}"}
        try:
            return {"ok": True} | await command(request)
        except (Refused, FolderError) as error:
            return {"error": str(error)}
        except FileMistakes as error:
            return {"error": "refused", "mistakes": list(error.mistakes)}

    def _bay(self, request: Mapping[str, Any]) -> BayKeeper:
        keeper = self.bays.get(str(request.get("bay")))
        if keeper is None:
            raise Refused(f"there is no bay {request.get('bay')!r}; known: {', '.join(self.bays)}")
        return keeper

    def states(self) -> dict[str, dict[str, Any]]:
        """Return what is known of each bay as JSON data."""
        return {name: keeper.as_data() for name, keeper in self.bays.items()}

    async def _status(self, request: Mapping[str, Any]) -> dict[str, Any]:
        return {
            "bench": self._bench.name,
            "pid": os.getpid(),
            "utc": utc_text(clock.unix_s()),
            "holds": self.held._asdict() if self.held else None,
            "bays": self.states(),
        }

    async def _list(self, request: Mapping[str, Any]) -> dict[str, Any]:
        keepers = [self._bay(request)] if request.get("bay") is not None else list(self.bays.values())
        return {
            "bays": {
                keeper.entry.name: keeper.as_data()["list"] | {"cautions": waiting_list.cautions(keeper.list)}
                for keeper in keepers
            }
        }

    async def _add(self, request: Mapping[str, Any]) -> dict[str, Any]:
        keeper, pack = self._bay(request), Path(str(request.get("pack")))
        profiles = request.get("profiles")
        if not pack.is_absolute() or not isinstance(profiles, list):
            raise Refused("add: the pack's whole path and a list of profiles would be right")
        jobs = await asyncio.to_thread(self._prepare_all, keeper.entry.name, pack, [str(one) for one in profiles])
        tests = [listed(job, str(profile)) for job, profile in zip(jobs, profiles, strict=True)]
        name = jobs[0].pack.name if jobs else ""
        await keeper.change(lambda found: waiting_list.add(found, str(pack), name, tests))
        return {"list": keeper.as_data()["list"]}

    def _prepare(self, bay: str, profile: str, pack: Path) -> Job:
        """Return one test's job; FileMistakes where it cannot be done, or not with nobody there."""
        [job] = prepare(self._bench, self._bench_path, profile, {bay: pack})
        mistakes = may_run.refusals(self._bench_path, job)
        if mistakes:
            raise FileMistakes(mistakes)
        return job

    def _undrilled(self, entry: BayEntry) -> list[str]:
        """In a thread: why a bay may not be started, in words; see daemon/running/drilled.py."""
        return drilled.refused_before(self._bench, entry, self._bench_path.parent)

    def _prepare_all(self, bay: str, pack: Path, profiles: Sequence[str]) -> list[Job]:
        """In a thread: plan every test; FileMistakes with what is wrong with any of them, the disk's room included."""
        jobs: list[Job] = []
        mistakes: list[str] = []
        for profile in profiles:
            try:
                jobs.append(self._prepare(bay, profile, pack))
            except FileMistakes as error:
                mistakes += error.mistakes
        needed = sum(space.needed_bytes(run_info(self._bench, job, {}, 0.0)) for job in jobs)
        no_room = space.refusal(self._runs, needed)
        mistakes += [no_room] if no_room else []
        if mistakes:
            raise FileMistakes(list(dict.fromkeys(mistakes)))
        return jobs

    async def _move(self, request: Mapping[str, Any]) -> dict[str, Any]:
        keeper, number = self._bay(request), _whole(request, "number")
        await keeper.change(lambda found: waiting_list.move(found, number, str(request.get("where"))))
        return {"list": keeper.as_data()["list"]}

    async def _drop(self, request: Mapping[str, Any]) -> dict[str, Any]:
        keeper = self._bay(request)
        number = None if request.get("number") == "all" else _whole(request, "number")
        await keeper.change(lambda found: waiting_list.drop(found, number))
        return {"list": keeper.as_data()["list"]}

    async def _start(self, request: Mapping[str, Any]) -> dict[str, Any]:
        keeper, numbers = self._bay(request), request.get("numbers")
        if not isinstance(numbers, list):
            raise Refused("start: the numbers of the tests that a person was shown would be right")
        await keeper.start(numbers)
        self._note(f"{keeper.entry.name}: started by a person: tests {numbers} of {keeper.list.pack_name}")
        return {"list": keeper.as_data()["list"]}

    async def _stop(self, request: Mapping[str, Any]) -> dict[str, Any]:
        keepers = [self._bay(request)] if request.get("bay") is not None else list(self.bays.values())
        found = await self.stop(keepers, "stopped by a person")
        return {
            "off": all(off.confirmed for off in found.values()),
            "by": "worker",
            "bays": {name: self.bays[name].off_as_data() for name in found},
        }

    async def _acknowledge(self, request: Mapping[str, Any]) -> dict[str, Any]:
        keeper = self._bay(request)
        waiting_list.acknowledged(keeper.list)  # refused before anything is done
        off = await keeper.confirm_off()
        if not off.confirmed:
            await self._not_off([keeper])
            raise Refused(f"bay {keeper.entry.name}: {off.in_words()}")
        await keeper.change(waiting_list.acknowledged)
        self._note(f"{keeper.entry.name}: {keeper.list.why}")
        return {"list": keeper.as_data()["list"], "off": keeper.off_as_data()}

    async def _answer(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self._bay(request).answer(str(request.get("text")))
        return {}

    async def stop(self, keepers: Sequence[BayKeeper], why: str) -> dict[str, BayOff]:
        """Stop these bays at once and return when each is off; one that is not trips, and stops all the others."""
        found = await self._stop_these(keepers, why)
        stuck = [self.bays[name] for name, off in found.items() if not off.confirmed]
        if stuck:
            await self._reach_all_but(keepers, stuck)
        return found

    async def _not_off(self, keepers: Sequence[BayKeeper]) -> None:
        """Bays that were found not to be off trip, people are told, and every other bay is stopped."""
        for keeper in keepers:
            keeper.trip(keeper.off.in_words(), off_confirmed=False)
            await keeper.keep_soon()
        await self._reach_all_but(keepers, keepers)

    async def _reach_all_but(self, keepers: Sequence[BayKeeper], stuck: Sequence[BayKeeper]) -> None:
        others = [keeper for keeper in self.bays.values() if keeper not in keepers]
        names = ", ".join(keeper.entry.name for keeper in stuck)
        await self._because_of_another(others, f"every bay was switched off: off not confirmed in {names}")

    async def _stop_these(self, keepers: Sequence[BayKeeper], why: str) -> dict[str, BayOff]:
        """Stop these bays at once; one that is not off trips, and people are told."""
        offs = await asyncio.gather(*(keeper.stop(why) for keeper in keepers))
        for keeper, off in zip(keepers, offs, strict=True):
            if not off.confirmed:
                keeper.trip(off.in_words(), off_confirmed=False)
                await keeper.keep_soon()
        return {keeper.entry.name: off for keeper, off in zip(keepers, offs, strict=True)}

    async def _because_of_another(self, keepers: Sequence[BayKeeper], why: str) -> None:
        """Stop bays for what happened in another one; people are told of each whose list went on."""
        went_on = [keeper for keeper in keepers if keeper.list.stand in GOING_ON]
        found = await self._stop_these(keepers, why)
        for keeper in went_on:
            if found[keeper.entry.name].confirmed:
                keeper.tell("stopped", why, off_confirmed=True)

    async def stop_everything(self, why: str) -> bool:
        """Stop every bay for the end of the service; True if each is confirmed off."""
        found = await self.stop(list(self.bays.values()), why)
        await asyncio.gather(*(keeper.gone() for keeper in self.bays.values()))
        return all(off.confirmed for off in found.values())

    async def keep_watching_itself(self) -> None:
        """Look each minute whether this process grows, and say so once for each doubling."""
        await asyncio.sleep(self_watch.SETTLED_S)
        before = self.held = self_watch.held()
        while True:
            await asyncio.sleep(self_watch.LOOK_S)
            now = self.held = self_watch.held()
            words = self_watch.grown(before, now) if before and now else ""
            if words:
                before = now
                self._note(f"this service grows ({words}): start it anew when no test runs, and tell its authors")

    async def _everywhere(self, bay: str, why: str) -> None:
        """One bay's trip reaches all: switch the others off and stop their lists."""
        self._note(f"every bay is switched off: bay {bay}: {why}")
        others = [keeper for name, keeper in self.bays.items() if name != bay]
        await self._because_of_another(others, f"every bay was switched off: bay {bay} tripped: {why}")


def _whole(request: Mapping[str, Any], key: str) -> int:
    found = request.get(key)
    if not isinstance(found, int) or isinstance(found, bool):
        raise Refused(f"{request.get('do')}: {key} is {found!r}; the number of a test would be right")
    return found


class Board:
    """Gives each bay's newest view to its keeper, and prints what people want to read with its time."""

    def __init__(self, progress: Progress) -> None:
        self.progress = progress
        self.service: Service | None = None

    def show(self, bay: str, view: View) -> None:
        """Keep the newest view of a bay for `status`."""
        if self.service:
            self.service.bays[bay].view = view

    def end(self, bay: str, how: str) -> None:
        """Nothing: the list says how a test ended."""

    def event(self, bay: str, run: str, event: Mapping[str, Any]) -> None:
        """Nothing: what people want to read is noted."""

    def note(self, text: str) -> None:
        """Print a line, from a thread that may be held up."""
        self.progress.note(f"{utc_text(clock.unix_s())} {text}")


def in_child(*arguments: str, aloud: bool = False) -> None:
    """Have the command line work something out in a process of its own, and do not wait for it.

    Called in threads: to start a process may take a while. When memory runs out it goes before what watches the bench
    (oom_score_adj, proc(5)). `aloud`: what it says is seen.
    """
    with suppress(OSError), _children_turn:
        _children[:] = [child for child in _children if child.poll() is None]
        command = [sys.executable, "-m", "benchwarden.daemon.main", *arguments]
        heard = None if aloud else subprocess.DEVNULL
        child = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=heard, stderr=heard)
        _children.append(child)
        Path(f"/proc/{child.pid}/oom_score_adj").write_text("500", "ascii")


_children: list[subprocess.Popen[bytes]] = []
_children_turn = threading.Lock()


def main(arguments: Sequence[str]) -> int:
    """Serve the bench that the orders name until SIGTERM; returns the exit code."""
    leave_signals_to_guardian()
    orders = Orders(**json.loads(arguments[0]))
    path, state = Path(orders.bench), Path(orders.state)
    try:
        state_folder.share(state)  # held until this process ends
        bench = load_bench(path)
        check_alarms(bench, path)
    except (FileMistakes, state_folder.StateRefused) as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    runs = path.parent / bench.runs
    progress = Progress()
    try:
        return asyncio.run(
            serve_bays(bench, path, runs, state, int(arguments[1]), Board(progress), before=orders.before)
        )
    finally:
        progress.close()


async def serve_bays(
    bench: Bench,
    path: Path,
    runs: Path,
    state: Path,
    descriptor: int,
    board: Board,
    *,
    before: bool = False,
    beside: Callable[[Service], Coroutine[Any, Any, None]] | None = None,
    real_time: bool = True,
) -> int:
    """Serve every bay until SIGTERM or until the guardian has gone; returns the exit code.

    `board` shows what happens; `before`: the guardian before has left words; `beside` goes on as long as the service.
    `real_time`: whether the loop's clock never stands still, so that the guardian may expect signs of life.
    """
    stopping = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stopping.set)
    tell_by = alarm_command(path) if check_alarms(bench, path) else None
    places = {entry.name: entry.places for entry in bench.bay}
    telling = Telling(bench.name, places, board, lambda: board.service.states() if board.service else {})
    outside = Outside(tell_by, board.note, inhibitor=Inhibitor(), simulated=bench.simulated, also=telling.alarm)
    in_a_list = InAList(outside)
    with closing(GuardianLink(descriptor)) as guardian:
        guardian.hand_over(told_at(bench, path))
        service = board.service = Service(
            bench,
            path,
            runs,
            state,
            lambda job, ask: run_one(bench, job, runs, guardian, telling, ask, in_a_list),
            board.note,
            over=lambda run: in_child("report", str(run)),
            outside=outside,
        )
        async with outside:
            await service.begin()
            alive = asyncio.create_task(guardian.keep_alive(), name="alive") if real_time else None
            for line in state_folder.words_of_before(state) if before else ():
                board.note(f"the guardian of the service before said: {line}")
            feed = telling.served_at(state / state_folder.FEED_SOCKET)
            async with WorkerSocket(state / state_folder.WORKER_SOCKET, service.handle), feed:
                board.note(f"idle: {len(service.bays)} bays of {bench.name!r}; nothing starts by itself")
                await asyncio.to_thread(in_child, "seal", "--below", str(runs), aloud=True)
                tasks = {asyncio.create_task(service.keep_watching_itself(), name="self-watch")}
                if beside:
                    tasks.add(asyncio.create_task(beside(service), name="beside"))
                while not stopping.is_set() and not guardian.gone:
                    with suppress(TimeoutError):
                        async with asyncio.timeout(GUARDIAN_LOOK_S):
                            await stopping.wait()
                for task in tasks:
                    task.cancel()
                await asyncio.wait(tasks)
                why = guardian.gone or "the service was asked to stop"
                board.note(why)
                confirmed = await service.stop_everything(why)
            if alive:
                alive.cancel()
                await asyncio.wait({alive})
            board.note("every bay is off, confirmed" if confirmed else "OFF NOT CONFIRMED: look at the bench")
    return STOPPED if confirmed and not guardian.gone else TRIPPED


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
