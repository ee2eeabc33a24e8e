"""`benchwarden off`: switch off by the guardian's own way, which needs no session, no driver and no run."""

import os
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from benchwarden.daemon.guard import instrument_lock, raw_wire
from benchwarden.daemon.guard.guardian_link import off_entry
from benchwarden.daemon.planning.jobs import load_bench
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.profiles.mistakes import FileMistakes

OFF, NOT_CONFIRMED, BAD_INPUT = 0, 1, 2


def switch_off(bench_path: Path, bays: Sequence[str] | None) -> int:
    """Switch off every load and supply of the named bays (None: all) and print what each then answered."""
    try:
        bench = load_bench(bench_path)
        unknown = [bay for bay in bays or [] if bench.find(bay) is None]
        if unknown:
            known = ", ".join(bay.name for bay in bench.bay)
            raise FileMistakes([f"{bench_path}: there is no bay {', '.join(unknown)}; known: {known}"])
    except FileMistakes as error:
        print(*error.mistakes, sep="\n", file=sys.stderr)
        return BAD_INPUT
    entries: list[dict[str, object]] = []
    unreachable: list[str] = []
    for bay in bench.bay:
        if bays is None or bay.name in bays:
            plans, rest = Instruments(bay, folder=bench_path.parent).off_plans_and_rest()
            entries += [off_entry(plan, threshold_a) for plan, threshold_a in plans]
            unreachable += rest
    # All at once, and before anything is said: one that does not answer, or a reader that has gone, delays nobody.
    with ThreadPoolExecutor(max_workers=max(len(entries), 1)) as pool:
        outcomes = list(pool.map(raw_wire.switch_off, entries))
    lines = [f"{entry['name']} at {entry['address']}: {said}" for entry, said in zip(entries, outcomes, strict=True)]
    lines += [f"NOT CONFIRMED ({text}): unplug it" for text in unreachable]
    holders = instrument_lock.holders(bench_path, bays)
    lines += [f"{who} has this bench, and now finds it switched off" for who in holders]
    try:
        print(*lines, sep="\n", flush=True)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # so that nothing is flushed to it at the end
    return NOT_CONFIRMED if unreachable or not all(map(raw_wire.is_confirmed, outcomes)) else OFF
