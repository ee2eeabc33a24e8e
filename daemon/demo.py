"""The demonstration: the whole program against a simulated bench, in one process, on virtual or paced time.

The instruments are pretended, what lies between is real: sockets, a serial line, SCPI text. The only file of the daemon
that may know what starts a simulated bench.
"""

import asyncio
import json
import sys
from collections.abc import Sequence
from contextlib import closing
from importlib.resources import files
from pathlib import Path

from benchwarden.daemon import clock, confirmed, may_run
from benchwarden.daemon.guardian_link import GuardianLink
from benchwarden.daemon.jobs import load_bench, prepare
from benchwarden.daemon.operator_desk import Desk
from benchwarden.daemon.progress import Progress
from benchwarden.daemon.worker import BAD_INPUT, FINISHED, carry_out, leave_signals_to_guardian, show_results
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.results.folder import utc_text
from benchwarden.simulators import start

PACKS = {"left": "heron", "middle": "plover", "right": "tern"}
LIVE_FACTOR = 20.0


async def _work(
    out: Path, profile: str, descriptor: int, progress: Progress, *, for_ever: bool
) -> tuple[int, list[Path]]:
    packs = {bay: out / f"{pack}.toml" for bay, pack in PACKS.items()}
    for path in packs.values():
        path.write_text((files("benchwarden.daemon") / f"demo_{path.name}").read_text("utf-8"), encoding="utf-8")
    async with start.SimulatedBench() as simulated:
        bench_path = out / "bench.toml"
        bench_path.write_text(simulated.bench_toml(), encoding="utf-8")
        bench = load_bench(bench_path)
        jobs = prepare(bench, bench_path, profile, packs)
        utc = utc_text(clock.unix_s())
        for job in jobs:  # pretended packs, of which nobody else could say what they are
            if job.plan.pack.full_v is not None:
                confirmed.confirm(out, job.plan.pack, utc)
                confirmed.charged_attended(out, job.plan.pack, "demonstration")
        mistakes = [why for job in jobs for why in may_run.refusals(bench_path, job)]
        if mistakes:
            raise FileMistakes(mistakes)
        for job in jobs:
            progress.note(f"{job.entry.name}: {job.pack.name}, {job.plan.title}, fingerprint {job.plan.fingerprint}")
        async with Desk(progress.note) as desk:
            with closing(GuardianLink(descriptor)) as guardian:
                while True:
                    code, folders = await carry_out(bench, jobs, out / bench.runs, guardian, progress, desk.ask)
                    if code != FINISHED or not for_ever:
                        return code, folders
                    progress.note("every bay has finished; the same again until Ctrl-C")


def main(arguments: Sequence[str]) -> int:
    """Run the demonstration as the guardian's child; returns the worker's exit code."""
    leave_signals_to_guardian()
    orders = json.loads(arguments[0])
    out = Path(orders["out"])
    out.mkdir(parents=True, exist_ok=True)
    progress = Progress()
    make_loop = (lambda: start.PacedLoop(LIVE_FACTOR)) if orders["live"] else start.VirtualLoop
    try:
        with asyncio.Runner(loop_factory=make_loop) as runner:
            code, folders = runner.run(
                _work(out, orders["profile"], int(arguments[1]), progress, for_ever=orders["live"])
            )
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
