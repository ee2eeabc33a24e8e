"""How much room a run needs, and what refuses it."""

import os
from pathlib import Path

import pytest

from benchwarden.daemon.planning.jobs import load_bench, prepare
from benchwarden.daemon.planning.run_info import run_info
from benchwarden.daemon.recording import space
from benchwarden.daemon.recording.segment import Disk
from benchwarden.daemon.recording.writer import RESERVE_BYTES
from benchwarden.results import columns
from tests.test_bay_faults import DISCHARGE, HERON, LEFT
from tests.test_bench import BENCH
from tests.test_writer import INFO, sample
from tests.virtual_bench import on_virtual_time, run_test


class Small(Disk):
    def __init__(self, free: int) -> None:
        self.free = free

    def free_bytes(self, folder: Path) -> int:
        return self.free


def test_a_row_is_never_longer_than_what_is_reckoned_with(tmp_path: Path) -> None:
    assert len(columns.row(sample(1))) < space.row_bytes(2, 1)
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE))
    rows = (done.run.path / "samples-001.csv").read_bytes().splitlines(keepends=True)[1:]
    longest = max(map(len, rows))
    assert longest <= space.row_bytes(6, len(done.run.info.places)) < 3 * longest


@pytest.mark.parametrize("profile", ["standard", "capacity", "burst"])
def test_what_a_shipped_profile_needs(tmp_path: Path, profile: str) -> None:
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "heron.toml").write_text(HERON)
    bench = load_bench(tmp_path / "bench.toml")
    [job] = prepare(bench, tmp_path / "bench.toml", profile, {"left": tmp_path / "heron.toml"})
    needed = space.needed_bytes(run_info(bench, job, {}, 0.0)) - RESERVE_BYTES
    # At 1 Hz and no more the estimate's rows alone, twice; a ladder's ten rows a second make it more.
    at_1_hz = 2 * job.plan.estimate_s * space.row_bytes(6, len(job.entry.places))
    rests = sum(step.estimate_s for step in job.plan.steps if getattr(step, "every_s", 1.0) > 1.0)
    assert at_1_hz * (1 - rests / job.plan.estimate_s) < needed < 12 * at_1_hz + 3e6


def test_room_is_enough_or_refused_in_words(tmp_path: Path) -> None:
    needed = space.needed_bytes(INFO)
    assert needed > RESERVE_BYTES
    assert space.refusal(tmp_path, needed, Small(needed)) is None
    assert space.refusal(tmp_path / "to" / "come", needed, Small(needed - 1)) == (
        f"{tmp_path}: {(needed - 1) / 1e6:.1f} MB free; {needed / 1e6:.1f} MB would be right, "
        "twice what this is likely to need"
    )
    assert space.refusal(tmp_path, 1) is None
    found = os.statvfs(tmp_path)
    assert space.refusal(tmp_path, found.f_blocks * found.f_frsize * 2) is not None
