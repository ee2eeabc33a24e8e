"""The demonstration: the whole program against a simulated bench, in one process, on virtual or paced time.

The instruments are pretended, what lies between is real: sockets, a serial line, SCPI text. Paced, it is a service with
a page (daemon/commands/demo_live.py). The only file of the daemon that may know what starts a simulated bench.
"""

import asyncio
import json
import sys
from collections.abc import Sequence
from contextlib import closing
from importlib.resources import files
from pathlib import Path

from benchwarden.daemon import clock
from benchwarden.daemon.bench import Bench
from benchwarden.daemon.commands.demo_live import Caretaker, LiveBoard
from benchwarden.daemon.guard import state_folder
from benchwarden.daemon.guard.guardian_link import GuardianLink
from benchwarden.daemon.planning import confirmed, may_run
from benchwarden.daemon.planning.jobs import Job, load_bench, prepare
from benchwarden.daemon.running.operator_desk import Desk
from benchwarden.daemon.running.progress import Progress
from benchwarden.daemon.serving.service import serve_bays
from benchwarden.daemon.worker import BAD_INPUT, FINISHED, carry_out, leave_signals_to_guardian, show_results
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.folder import utc_text
from benchwarden.simulators import start

PACKS = {"left": "heron", "middle": "plover", "right": "tern"}
LIVE_FACTOR = 20.0


def _bench_files(
    out: Path, simulated: start.SimulatedBench, *, name: str, page: str = ""
) -> tuple[Path, dict[str, Path]]:
    """Write the packs' files and the bench file; returns where they lie, the packs by bay."""
    packs = {bay: out / f"{pack}.toml" for bay, pack in PACKS.items()}
    for path in packs.values():
        path.write_text(
            (files("benchwarden.daemon.commands") / f"demo_{path.name}").read_text("utf-8"), encoding="utf-8"
        )
    bench_path = out / "bench.toml"
    text = simulated.bench_toml(name=name).replace("[[bay]]", f"{page}[[bay]]", 1)
    half = bench_path.with_suffix(".part")  # the front waits for the file, and must never read half of it
    half.write_text(text, encoding="utf-8")
    half.replace(bench_path)
    return bench_path, packs


def _jobs(bench: Bench, bench_path: Path, profile: str, packs: dict[str, Path]) -> list[Job]:
    """Return what is to run, its packs confirmed: they are pretended, and nobody else could say what they are."""
    jobs = prepare(bench, bench_path, profile, packs)
    utc = utc_text(clock.unix_s())
    for job in jobs:
        if job.plan.pack.full_v is not None:
            confirmed.confirm(bench_path.parent, job.plan.pack, utc)
            confirmed.charged_attended(bench_path.parent, job.plan.pack, "demonstration")
    mistakes = [why for job in jobs for why in may_run.refusals(bench_path, job)]
    if mistakes:
        raise FileMistakes(mistakes)
    return jobs


async def _once(out: Path, profile: str, descriptor: int, progress: Progress) -> tuple[int, list[Path]]:
    async with start.SimulatedBench() as simulated:
        bench_path, packs = _bench_files(out, simulated, name="simulated boat shed")
        bench = load_bench(bench_path)
        jobs = _jobs(bench, bench_path, profile, packs)
        for job in jobs:
            progress.note(f"{job.entry.name}: {job.pack.name}, {job.plan.title}, fingerprint {job.plan.fingerprint}")
        async with Desk(progress.note) as desk:
            with closing(GuardianLink(descriptor)) as guardian:
                return await carry_out(bench, jobs, out / bench.runs, guardian, progress, desk.ask)


async def _live(out: Path, profile: str, descriptor: int, progress: Progress, at: str) -> int:
    async with start.SimulatedBench() as simulated:
        page = f'[page]\nat = "{at}"\n\n'
        bench_path, packs = _bench_files(out, simulated, name=f"simulated shed × {LIVE_FACTOR:g}", page=page)
        bench = load_bench(bench_path)
        _jobs(bench, bench_path, profile, packs)
        caretaker = Caretaker(packs, profile, at, progress.note)
        return await serve_bays(
            bench,
            bench_path,
            out / bench.runs,
            out / "state",
            descriptor,
            LiveBoard(progress),
            beside=caretaker.keep_going,
            real_time=False,
        )


def main(arguments: Sequence[str]) -> int:
    """Run the demonstration as the guardian's child; returns the worker's exit code."""
    leave_signals_to_guardian()
    orders = json.loads(arguments[0])
    out, profile, at = Path(orders["out"]), orders["profile"], orders.get("at")
    out.mkdir(parents=True, exist_ok=True)
    progress = Progress()
    folders: list[Path] = []
    try:
        if at:
            state_folder.share(out / "state")  # held until this process ends
            with asyncio.Runner(loop_factory=lambda: start.PacedLoop(LIVE_FACTOR)) as runner:
                code = runner.run(_live(out, profile, int(arguments[1]), progress, at))
        else:
            with asyncio.Runner(loop_factory=start.VirtualLoop) as runner:
                code, folders = runner.run(_once(out, profile, int(arguments[1]), progress))
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    finally:
        progress.close()
    show_results(folders, out / "comparison", compare=code == FINISHED)
    return code


def simulate(bench_path: Path, soc: float | None) -> int:
    """Serve a simulated bench until interrupted, and write the bench file that reaches it; `soc`: 0 to 1."""
    if soc is not None and not 0.0 <= soc <= 1.0:
        print(f"command line: --soc is {soc:g}; right would be 0 to 1", file=sys.stderr)
        return BAD_INPUT
    start.simulate(bench_path, soc=soc)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
