"""What the long tests measured: kept as JSON below build/figures, and written into README's table by `make figures`.

They stand where they are tested, written once: `make test` takes a part of them, `make figures` the whole.
`python -m tests.benchmarks.measured` writes the table; exit code 2, and nothing changed, if one was not measured. The
figures of speed alone may be missing: their rows then say "not measured".
"""

import json
import os
import platform
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.benchmarks import speed_rows, watched_rows

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "build" / "figures"
BEGIN, END = "<!-- figures: begin, written by `make figures` -->", "<!-- figures: end -->"
LAYERS = ("kills", "freezes", "reaction", "soak")
NAMES = (*LAYERS, *watched_rows.NAMES)


def keep(name: str, **values: object) -> None:
    """Keep what was measured under a name, and print it."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    (FOLDER / f"{name}.json").write_text(json.dumps(values, indent=1) + "\n", encoding="utf-8")
    print(f"{name}: {json.dumps(values)}")


def share(values: Sequence[float], at: float) -> float:
    """Return the smallest value that this share (0…1) of the values does not exceed; 0.5 gives the median."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(at * len(ordered)))]


def table(found: dict[str, dict[str, Any]], machine: str) -> str:
    """Return README's table."""
    kills, freezes, reaction, soak = (found[name] for name in LAYERS)
    rows = [
        (
            f"worker killed → load reads back off, {kills['on']} kills with the load on, "
            f"load average {kills['load']:g}",
            f"{1e3 * kills['p50_s']:.0f} ms median, {1e3 * kills['p99_s']:.0f} ms p99",
            "p99 ≤ 100 ms",
        ),
        (
            f"worker frozen → load reads back off, {freezes['on']} freezes with the load on",
            _beside(freezes["deadline_s"], freezes["latest_s"]),
            "≤ 100 ms after it",
        ),
        (
            f"reading breaks a limit → off arrives at the load, {reaction['rounds']} times, both ends in one process",
            f"{1e3 * reaction['p50_s']:.1f} ms median, {1e3 * reaction['p99_s']:.1f} ms p99",
            "≤ 5 ms",
        ),
        (
            f"rows lost in {kills['kills']} kills at random moments, {kills['rows']} rows written before",
            f"{kills['lost']}",
            "0",
        ),
        (
            f"growth over {soak['hours']:g} h of service in two bays (virtual time), {soak['runs']} tests, "
            f"{soak['faults']} faults",
            f"{soak['growth_mb']:+.1f} MB; descriptors {soak['descriptors'][0]} → {soak['descriptors'][1]}, "
            f"threads {soak['threads'][0]} → {soak['threads'][1]}",
            "< 5 MB, flat",
        ),
        *watched_rows.rows(found),
        *speed_rows.rows(found),
    ]
    lines = ["| figure | measured | to reach |", "| --- | --- | --- |"]
    lines += [f"| {what} | {is_now} | {right} |" for what, is_now, right in rows]
    return "\n".join([*lines, "", machine])


def _beside(deadline_s: float, latest_s: float) -> str:
    side = "after" if latest_s > 0 else "before"
    return f"{abs(1e3 * latest_s):.0f} ms {side} the deadline of {deadline_s:g} s, the latest"


def machine_in_words(day: str) -> str:
    """Say on what was measured."""
    return (
        f"{day}: loopback, simulated bench, {os.cpu_count()} cores of {platform.machine()}, {platform.system()}, "
        f"Python {platform.python_version()}."
    )


def put_into(text: str, new: str) -> str:
    """Return README's text with the table between its two marks; ValueError if they are not there once each."""
    if text.count(BEGIN) != 1 or text.count(END) != 1:
        raise ValueError(f"README.md: {BEGIN} and {END} would be right, once each, around the table")
    before, _, rest = text.partition(BEGIN)
    return f"{before}{BEGIN}\n{new}\n{END}{rest.partition(END)[2]}"


def main() -> int:
    """Write the table into README.md from what lies in build/figures."""
    missing = [name for name in NAMES if not (FOLDER / f"{name}.json").exists()]
    if missing:
        print(f"build/figures: {', '.join(missing)} not measured; `make figures` measures all of them", file=sys.stderr)
        return 2
    kept = [name for name in (*NAMES, *speed_rows.NAMES) if (FOLDER / f"{name}.json").exists()]
    if lost := [name for name in speed_rows.NAMES if name not in kept]:
        print(f"build/figures: {', '.join(lost)} not measured; `make benchmark` measures them", file=sys.stderr)
    found = {name: json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8")) for name in kept}
    readme = ROOT / "README.md"
    day = f"{datetime.now(UTC):%Y-%m-%d}"
    readme.write_text(
        put_into(readme.read_text(encoding="utf-8"), table(found, machine_in_words(day))), encoding="utf-8"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
