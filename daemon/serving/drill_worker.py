"""The worker of a fire drill: begins a small draw as any test does, and then freezes itself.

Started as `python -m benchwarden.daemon.serving.drill_worker ORDERS DESCRIPTOR`. Exit codes as of the worker; a drill
that goes as it should ends by the guardian's hand.
"""

import asyncio
import json
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

from benchwarden.daemon import clock
from benchwarden.daemon.bench import BayEntry, Bench
from benchwarden.daemon.files import read_text
from benchwarden.daemon.guard.guardian_link import GuardianLink
from benchwarden.daemon.planning.jobs import Job, bay_refusals, load_bench
from benchwarden.daemon.planning.run_info import run_info
from benchwarden.daemon.recording.record import Record
from benchwarden.daemon.running.bay import BayRun
from benchwarden.daemon.running.drilled import FOLDER, held_by, only_simulated
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.daemon.worker import BAD_INPUT, TRIPPED, leave_signals_to_guardian
from benchwarden.profiles.mistakes import FileMistakes
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import PlanRefused, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.results.folder import new_folder
from benchwarden.results.sample import Sample

SMALLEST_A = 0.5
# A draw must stand out from what still counts as off.
TIMES_OFF = 4.0
LONGEST = "2 min"
RESERVE_BYTES = 65_536  # a drill leaves a handful of lines


def current_a(entry: BayEntry) -> float:
    """Return the smallest current, in A, that this bay's instruments tell from off for certain."""
    return max(SMALLEST_A, TIMES_OFF * entry.role_off_thresholds_a()["load"])


def profile_text(entry: BayEntry) -> str:
    """Return the drill as a profile: one short draw at the smallest current."""
    return (
        'title = "Fire drill"\n[[step]]\ndo = "discharge"\n'
        f'current = "{current_a(entry):.3g} A"\nat_most = "{LONGEST}"\n'
        'stop_at = { group_voltage = "discharge cut-off" }\n'
    )


def pack_text(entry: BayEntry) -> str:
    """Return a pack file for a bay whose pack nobody named: li-ion, as many groups as the bay has taps for."""
    return (
        f'name = "drill-{entry.name}"\nchemistry = "li-ion"\nseries = {entry.abilities().group_channels}\n'
        'rated_capacity = "2 Ah"\n'
    )


def prepare(bench: Bench, path: Path, bay: str, pack_path: Path | None) -> Job:
    """Return the drill's job; FileMistakes with what is wrong."""
    entry = bench.find(bay)
    mistakes: list[str] = []
    if entry is None:
        known = ", ".join(one.name for one in bench.bay)
        raise FileMistakes([*mistakes, f"{path}: [[bay]]: there is no bay {bay!r}; known: {known}"])
    if pack_path is None and not entry.cells:
        mistakes.append(f"bay {bay} has no taps to tell the pack by; right would be: drill {bay}=PACK-FILE")
    mistakes += bay_refusals(path, entry)
    if mistakes:
        raise FileMistakes(mistakes)
    text = read_text(pack_path, "pack file") if pack_path else pack_text(entry)
    pack = read_pack(text, str(pack_path or "the drill's pack"))
    wanted_text = profile_text(entry)
    wanted = read_profile(wanted_text, "the drill's profile")
    try:
        plan = work_out(wanted, pack, entry.abilities())
    except PlanRefused as error:
        raise FileMistakes([f"drill in bay {bay}: {why}" for why in error.reasons]) from error
    return Job(entry, pack, wanted, "drill", plan, path.parent, pack_text=text, profile_text=wanted_text)


async def _work(bench: Bench, job: Job, out: Path, marker: Path, descriptor: int) -> int:
    started_unix_s = clock.unix_s()
    instruments = Instruments(job.entry, folder=job.folder)
    threshold_a = job.entry.role_off_thresholds_a()["load"]
    loop = asyncio.get_running_loop()

    def record() -> Record:
        path = new_folder(out, job.pack.name, "drill", started_unix_s)
        info = run_info(bench, job, instruments.identities(), started_unix_s)
        return Record(path, info, started_unix_s, reserve_bytes=RESERVE_BYTES, loop=loop)

    def freeze(sample: Sample, steps: int) -> None:
        drawn_a = -(sample.current_a or 0.0)
        if sample.output == "load" and drawn_a > threshold_a:
            found = {"drawn_a": drawn_a, "run": str(run.folder), "instruments": held_by(job.entry, instruments)}
            marker.write_text(json.dumps({"s": clock.real_s(), **found}), "utf-8")
            os.kill(os.getpid(), signal.SIGSTOP)

    async def nobody(text: str, answers: tuple[str, ...]) -> str:
        raise AssertionError(f"a drill asks nothing, yet: {text}")

    with closing(GuardianLink(descriptor)) as guardian:
        run = BayRun(
            job.entry,
            job.plan,
            instruments,
            guardian,
            ask=nobody,
            show=freeze,
            note=lambda text: print(text, file=sys.stderr, flush=True),
            started_unix_s=started_unix_s,
            check_bench=only_simulated if bench.simulated else lambda instruments: [],
        )
        await run.run(record)
    return TRIPPED  # whatever it was, it was not the guardian who ended it


def main(arguments: Sequence[str]) -> int:
    """Begin the drill that the orders name; returns only if it did not come to freezing."""
    leave_signals_to_guardian()
    orders = json.loads(arguments[0])
    path = Path(orders["bench"])
    try:
        bench = load_bench(path)
        job = prepare(bench, path, orders["bay"], Path(orders["pack"]) if orders["pack"] else None)
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    if not orders["pack"]:
        groups = job.plan.pack.series
        print(f"no pack file: takes what is in bay {orders['bay']} for li-ion, {groups} in series", flush=True)
    return asyncio.run(_work(bench, job, path.parent / FOLDER, Path(orders["marker"]), int(arguments[1])))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
