"""The worker: measures, judges and acts for every bay of one command; always a child of the guardian.

Started as `python -m benchwarden.daemon.worker ORDERS DESCRIPTOR`: the orders as JSON, and the number of its end of
the socket to the guardian. Exit codes: 0 finished, 1 tripped, 2 bad input, 3 stopped.
"""

import asyncio
import json
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack, closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from benchwarden.daemon import clock
from benchwarden.daemon.alarm.inhibit import Inhibitor
from benchwarden.daemon.alarm.outside import NOBODY, Outside, check_alarms, told_at
from benchwarden.daemon.bench import Bench
from benchwarden.daemon.guard import state_folder
from benchwarden.daemon.guard.guardian_link import GuardianLink
from benchwarden.daemon.guard.state_folder import FEED_SOCKET, WORKER_SOCKET, StateRefused
from benchwarden.daemon.guardian import alarm_command
from benchwarden.daemon.planning import confirmed, may_run
from benchwarden.daemon.planning.jobs import Job, load_bench, prepare
from benchwarden.daemon.planning.run_info import run_info
from benchwarden.daemon.recording import space
from benchwarden.daemon.recording.record import Record
from benchwarden.daemon.recording.sealing import seal_interrupted
from benchwarden.daemon.running import drilled
from benchwarden.daemon.running.bay import BayRun, Finished
from benchwarden.daemon.running.bay_off import BayOff
from benchwarden.daemon.running.conductor import Ask
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.daemon.running.operator_desk import Desk
from benchwarden.daemon.running.progress import Progress, Shown, View, left_s
from benchwarden.daemon.serving.continue_run import prepare_continuation
from benchwarden.daemon.serving.run_desk import RunDesk
from benchwarden.daemon.serving.telling import Telling
from benchwarden.daemon.serving.worker_socket import WorkerSocket
from benchwarden.profiles.attendance import attended
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.folder import FolderError, new_folder
from benchwarden.results.sample import Sample

FINISHED, TRIPPED, BAD_INPUT, STOPPED = 0, 1, 2, 3
_CODES = {"finished": FINISHED, "tripped": TRIPPED, "stopped": STOPPED}


@dataclass(frozen=True, slots=True)
class Orders:
    """What the command line asked for: paths as text, `packs` maps bays to pack files; or a run to go on with.

    `attended`: a person has said that somebody sits beside the bench. `state`: the folder for this program's sockets,
    held by the guardian; without one there are none.
    """

    bench: str
    profile: str
    packs: dict[str, str]
    runs: str | None = None
    continues: str | None = None
    attended: bool = False
    state: str | None = None


async def carry_out(
    bench: Bench,
    jobs: Sequence[Job],
    runs: Path,
    guardian: GuardianLink,
    progress: Shown,
    ask: Ask,
    outside: Outside = NOBODY,
    begun: Callable[[str, "asyncio.Task[Finished]"], None] = lambda bay, task: None,
) -> tuple[int, list[Path]]:
    """Run every job in its bay at once; returns the exit code and the run folders.

    SIGTERM stops every bay: off, confirmed. One bay's failure ends that bay only, unless its pack warms by itself or it
    cannot be confirmed off. `begun` is told of each bay's task. A pack that a trip left warm is watched yet.
    """
    tasks = [
        asyncio.create_task(run_one(bench, job, runs, guardian, progress, ask, outside), name=f"bay {job.entry.name}")
        for job in jobs
    ]
    for job, task in zip(jobs, tasks, strict=True):
        begun(job.entry.name, task)
    loop = asyncio.get_running_loop()

    watches: list[asyncio.Task[None]] = []
    stopping = False

    def stop() -> None:
        nonlocal stopping
        stopping = True
        for task in (*tasks, *watches):
            task.cancel()

    async def flowed(off: BayOff) -> None:
        if not off.confirmed:
            for task in tasks:
                task.cancel()

    def look_at(task: asyncio.Task[Finished]) -> None:
        if not task.cancelled() and task.exception() is None:
            found = task.result()
            if found.ending.every_bay or not found.off_confirmed:
                for other in tasks:
                    other.cancel()
            if found.aftermath:
                found.aftermath.flowed = flowed
                watch = asyncio.create_task(found.aftermath.watch(), name=f"{task.get_name()} after its trip")
                watches.append(watch)
                if stopping:  # asked while the trip was carried out; it begins first, for it closes what it was given
                    loop.call_soon(watch.cancel)
                    return
                progress.note(f"{task.get_name()}: its pack is warm and is watched for a while; Ctrl-C ends that")

    for task in tasks:
        task.add_done_callback(look_at)
    loop.add_signal_handler(signal.SIGTERM, stop)
    codes: list[int] = []
    folders: list[Path] = []
    for found in await asyncio.gather(*tasks, return_exceptions=True):
        if isinstance(found, BaseException):  # one bay's misfortune is not the others'
            progress.note(f"a fault of this program: {found!r}")
            codes.append(TRIPPED)
            continue
        codes.append(_CODES[found.ending.how] if found.off_confirmed else TRIPPED)
        folders += [found.folder] if found.folder else []
    if watches:
        await asyncio.wait(watches)
    return next((code for code in (TRIPPED, STOPPED) if code in codes), FINISHED), folders


async def run_one(
    bench: Bench,
    job: Job,
    runs: Path,
    guardian: GuardianLink,
    progress: Shown,
    ask: Ask,
    outside: Outside = NOBODY,
) -> Finished:
    """Run one job and return how it ended; its aftermath, if it has one, is the caller's to await."""
    instruments = Instruments(job.entry, folder=job.folder)
    bay, loop = job.entry.name, asyncio.get_running_loop()
    asked_s, asked_unix_s = loop.time(), clock.unix_s()

    def show(sample: Sample, steps: int) -> None:
        progress.show(bay, View(job.pack.name, steps, sample, left_s(job.plan, sample), run=run_name(runs, run.folder)))

    async def asked(text: str, answers: tuple[str, ...]) -> str:
        outside.waiting(bay, job.pack.name, text, output=run.output)
        return await ask(f"{bay}, {job.pack.name}: {text}", answers)

    def make_record() -> Record:
        started_unix_s = asked_unix_s + loop.time() - asked_s  # opening the instruments has taken its time
        path = new_folder(runs, job.pack.name, job.profile_name, started_unix_s)
        info = run_info(bench, job, instruments.identities(), started_unix_s)
        name = run_name(runs, path)
        return Record(path, info, started_unix_s, heard=lambda event: progress.event(bay, name, event), loop=loop)

    run = BayRun(
        job.entry,
        job.plan,
        instruments,
        guardian,
        ask=asked,
        show=show,
        note=progress.note,
        started_unix_s=asked_unix_s,
        outside=outside,
        check_bench=drilled.check_bench(bench, job.entry, job.folder),
    )
    ending = await run.run(make_record)
    progress.end(bay, ending.how)
    if job.plan.attended and run.charged and ending.how == "finished" and run.off_confirmed and run.folder:
        try:
            name = "/".join(run.folder.parts[-2:])
            await asyncio.to_thread(confirmed.charged_attended, job.folder, job.plan.pack, name)
        except (FolderError, FileMistakes) as error:
            progress.note(f"{bay}: its first charge was not kept, so the next one is attended, too: {error}")
    return Finished(ending, run.off_confirmed, run.folder, run.aftermath)


def run_name(runs: Path, folder: Path | None) -> str:
    """Return how a run is called outside: its folder's path below the bench's runs."""
    return "" if folder is None else folder.relative_to(runs).as_posix()


def leave_signals_to_guardian() -> None:
    """Ignore what a terminal sends to both: the guardian hears it and decides."""
    for number in (signal.SIGINT, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU):
        signal.signal(number, signal.SIG_IGN)


def main(arguments: Sequence[str]) -> int:
    """Carry out the orders on the bench that the bench file names; returns the exit code."""
    leave_signals_to_guardian()
    orders = Orders(**json.loads(arguments[0]))
    path, state = Path(orders.bench), Path(orders.state) if orders.state else None
    try:
        if state:
            state_folder.share(state)  # held until this process ends
        bench = load_bench(path)
        if orders.continues:
            jobs = [prepare_continuation(bench, path, Path(orders.continues)).job]
        else:
            jobs = prepare(bench, path, orders.profile, {bay: Path(pack) for bay, pack in orders.packs.items()})
        if orders.attended:
            jobs = [replace(job, plan=attended(job.plan)) for job in jobs]
        mistakes = [why for job in jobs for why in may_run.refusals(path, job)]
        mistakes += [f"{path}: {why}" for job in jobs for why in drilled.refused_before(bench, job.entry, path.parent)]
        if mistakes:
            raise FileMistakes(mistakes)
        runs = Path(orders.runs) if orders.runs else path.parent / bench.runs
        tells, people = check_alarms(bench, path), told_at(bench, path)
        no_room = space.refusal(runs, sum(space.needed_bytes(run_info(bench, job, {}, 0.0)) for job in jobs))
        if no_room:
            raise FileMistakes([no_room])
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    except StateRefused as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    seal_interrupted(runs)
    progress = Progress()
    try:
        code, folders = asyncio.run(
            _work(bench, jobs, runs, state, int(arguments[1]), progress, alarm_command(path) if tells else None, people)
        )
    finally:
        progress.close()
    show_results(folders, runs / "comparison", compare=code == FINISHED)
    return code


async def _work(
    bench: Bench,
    jobs: Sequence[Job],
    runs: Path,
    state: Path | None,
    descriptor: int,
    progress: Progress,
    tell_by: Sequence[str] | None,
    people: Sequence[str],
) -> tuple[int, list[Path]]:
    run_desk = RunDesk(bench.name, jobs)
    places = {job.entry.name: job.entry.places for job in jobs}
    telling = Telling(bench.name, places, progress, run_desk.states)
    outside = Outside(tell_by, progress.note, inhibitor=Inhibitor(), simulated=bench.simulated, also=telling.alarm)
    async with AsyncExitStack() as around:
        await around.enter_async_context(outside)
        desk = await around.enter_async_context(Desk(progress.note))
        if state:
            await around.enter_async_context(WorkerSocket(state / WORKER_SOCKET, run_desk.handle))
            await around.enter_async_context(telling.served_at(state / FEED_SOCKET))
        with closing(GuardianLink(descriptor)) as guardian:
            guardian.hand_over(people)
            return await carry_out(bench, jobs, runs, guardian, telling, desk.ask, outside, run_desk.begun)


def show_results(folders: Sequence[Path], out: Path, *, compare: bool) -> None:
    """Print the runs' figures, and compare several, in child processes: everything is off by now."""
    command = [sys.executable, "-m", "benchwarden.daemon.main"]
    runs = [str(folder) for folder in folders]
    if runs:
        subprocess.run([*command, "report", *runs], check=False, stdin=subprocess.DEVNULL)
    if compare and len(runs) > 1:
        subprocess.run([*command, "compare", *runs, "--out", str(out)], check=False, stdin=subprocess.DEVNULL)
    with suppress(OSError):  # a terminal that has gone
        print(*(f"run folder: {run}" for run in runs), sep="\n", flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
