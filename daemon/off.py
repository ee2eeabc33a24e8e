"""`benchwarden off`: switch off by the guardian's own way, which needs no session, no driver and no run."""

import sys
from collections.abc import Sequence
from pathlib import Path

from benchwarden.daemon import raw_wire
from benchwarden.daemon.guardian_link import off_entry
from benchwarden.daemon.instruments import Instruments
from benchwarden.daemon.jobs import load_bench
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
    code = OFF
    for entry in entries:
        outcome = raw_wire.switch_off(entry)
        print(f"{entry['name']} at {entry['address']}: {outcome}")
        if not raw_wire.is_confirmed(outcome):
            code = NOT_CONFIRMED
    for text in unreachable:
        print(f"NOT CONFIRMED ({text}): unplug it")
        code = NOT_CONFIRMED
    return code
