"""How much room on the disk a run needs, worked out from its plan before anything is switched on."""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from benchwarden.daemon.recording.segment import Disk
from benchwarden.daemon.recording.writer import RESERVE_BYTES
from benchwarden.results import columns
from benchwarden.results.sample import Sample

EVENTS_BYTES = 1_000_000  # generous: a long standard test leaves about 20 kB of them
EVERY_S = 1.0  # of steps that name no period of their own
TIMES = 2.0


def row_bytes(groups: int, places: int) -> int:
    """Return the bytes of the longest row: every number with all the digits that a float can have."""
    long = -12345.678901234567
    row = Sample(
        10**6, -long, 1.8e9 + 0.123456, 99, "discharge", -long, "discharge", "supply", long, long,
        (long,) * groups, (long,) * places, -long, -long, -long, -long, -long, -long,
    )  # fmt: skip
    return len(columns.row(row).encode())


def needed_bytes(info: Mapping[str, Any]) -> int:
    """Return the bytes that a run needs by what its run.json says: twice its estimate, and the reserve."""
    steps: Iterable[Mapping[str, Any]] = (info.get("plan") or {}).get("steps") or ()
    rows = sum(step["estimate_s"] / (step.get("every_s") or EVERY_S) + 2 for step in steps)
    groups = info["series"] if info["group_channels"] else 0
    return int(TIMES * (rows * row_bytes(groups, len(info["places"])) + EVENTS_BYTES)) + RESERVE_BYTES


def refusal(folder: Path, needed: int, disk: Disk | None = None) -> str | None:
    """Return in words why a folder's disk has no room for `needed` bytes, or None; a folder to come is fine."""
    there = next((path for path in (folder, *folder.absolute().parents) if path.is_dir()), Path("/"))
    try:
        free = (disk or Disk()).free_bytes(there)
    except OSError as error:
        return f"{there}: its free space cannot be read: {error.strerror}; a disk that can be written to"
    if free >= needed:
        return None
    return f"{there}: {free / 1e6:.1f} MB free; {needed / 1e6:.1f} MB would be right, twice what this is likely to need"
