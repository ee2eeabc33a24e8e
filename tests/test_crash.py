"""Full disks, disks that fail, files that go away, machines that sleep, and kills: what is left of a run's record.

The system is doubled at one seam only, `Disk`; limits, tmpfs, deleting and killing are the system's own.
"""

import errno
import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from benchwarden.daemon import clock
from benchwarden.daemon.alarm.outside import Outside
from benchwarden.daemon.recording.record import Record
from benchwarden.daemon.recording.segment import Disk
from benchwarden.results import columns, folder
from benchwarden.results.run import Run
from benchwarden.results.sample import Sample
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import DISCHARGE, HERON, LEFT, WAY_TO_OFF_S, assert_off_within
from tests.test_writer import ENVIRONMENT, INFO, in_loop, sample, wait_for
from tests.virtual_bench import on_virtual_time, run_test

RESERVE = 200_000


class BadDisk(Disk):
    """A disk that fails when told to; what it was asked is kept."""

    def __init__(self) -> None:
        self.syncs: list[int] = []
        self.fail_sync: Callable[[int], bool] = lambda descriptor: False
        self.fail_write: Callable[[bytes], bool] = lambda data: False
        self.fail_write_at = False
        self.free = 10**12
        self.once = True

    def write(self, descriptor: int, data: bytes) -> int:
        if self.fail_write(data):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().write(descriptor, data)

    def write_at(self, descriptor: int, data: bytes, offset: int) -> int:
        if self.fail_write_at:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().write_at(descriptor, data, offset)

    def sync(self, descriptor: int) -> None:
        self.syncs.append(os.fstat(descriptor).st_ino)
        if self.fail_sync(descriptor):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        super().sync(descriptor)

    def free_bytes(self, path: Path) -> int:
        return self.free


def recorded(path: Path, work: Callable[[Record], None], disk: Disk | None = None) -> Run:
    """Let `work` keep a record, end it as the bay would, and read it back."""

    def run() -> None:
        record = Record(path, INFO, 1.8e9, reserve_bytes=RESERVE, disk=disk)
        try:
            work(record)
            if record.problem:
                record.say("tripped", reason=record.problem)
            how = "tripped" if record.problem else "finished"
            record.say("ended", how=how, why=record.problem or "every step was done", off_confirmed=True)
        finally:
            record.close()

    in_loop(run)
    return folder.read_run(path)


def numbers(run: Run) -> list[int]:
    return [one.sequence for one in run.samples]


def keep(record: Record, first: int, last: int) -> None:
    for n in range(first, last + 1):
        record.keep(sample(n))


def test_the_reserve_is_there_while_a_run_goes_on_and_gone_after_a_good_one(tmp_path: Path) -> None:
    def work(record: Record) -> None:
        reserve = tmp_path / "reserve.bin"
        assert reserve.stat().st_size == RESERVE
        assert reserve.stat().st_blocks * 512 >= RESERVE  # its blocks are its own, it is not a hole
        assert folder.is_being_written(tmp_path)
        assert folder.read_run(tmp_path).ending.how == "running"
        keep(record, 1, 3)

    run = recorded(tmp_path, work)
    assert numbers(run) == [1, 2, 3]
    assert (run.problems, run.ending.how, run.live) == ([], "finished", False)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["events.jsonl", "run.json", "samples-001.csv"]


@pytest.mark.parametrize("kind", ["sample", "event"])
def test_a_failed_write_goes_on_in_the_reserve_and_says_why(tmp_path: Path, kind: str) -> None:
    """Fault 42; EIO instead of ENOSPC, which must be no different."""
    disk = BadDisk()

    def work(record: Record) -> None:
        keep(record, 1, 5)
        record.say("flag", text="before")
        wait_for(lambda: (tmp_path / "events.jsonl").stat().st_size > 0)
        disk.fail_write = lambda data: data.startswith(b"{") == (kind == "event")
        keep(record, 6, 9)
        record.say("flag", text="still here")
        wait_for(lambda: record.problem)
        assert record.problem == "the run folder cannot be written: Input/output error"

    run = recorded(tmp_path, work, disk)
    assert numbers(run) == list(range(1, 10))
    assert run.samples == [sample(n) for n in range(1, 10)]
    assert run.problems == []
    assert [event["seq"] for event in run.events] == list(range(1, len(run.events) + 1))
    assert {"record_failed", "flag", "tripped", "ended"} <= {event["event"] for event in run.events}
    assert run.ending.how == "tripped"
    file = "samples-001.csv" if kind == "sample" else "events.jsonl"
    assert next(run.events_named("record_failed"))["file"] == file


def test_a_write_that_fails_in_the_reserve_too_still_trips(tmp_path: Path) -> None:
    disk = BadDisk()

    def work(record: Record) -> None:
        keep(record, 1, 5)
        record.say("flag", text="before")
        wait_for(lambda: (tmp_path / "events.jsonl").stat().st_size > 0)
        disk.fail_write = lambda data: True
        disk.fail_write_at = True
        keep(record, 6, 6)
        wait_for(lambda: record.problem)

    run = recorded(tmp_path, work, disk)
    assert numbers(run) == [1, 2, 3, 4, 5]
    assert run.ending.how == "interrupted"


def test_a_reserve_that_is_full_says_so_and_keeps_what_it_has(tmp_path: Path) -> None:
    disk = BadDisk()

    def work(record: Record) -> None:
        disk.fail_write = lambda data: True
        keep(record, 1, RESERVE // 50)
        wait_for(lambda: record.problem)

    run = recorded(tmp_path, work, disk)
    assert 0 < len(run.samples) < RESERVE // 50
    assert numbers(run) == list(range(1, len(run.samples) + 1))
    assert all(one == sample(one.sequence) for one in run.samples)


def test_a_file_whose_sync_failed_is_never_synced_again(tmp_path: Path) -> None:
    """Fault 44: the second fsync succeeds although the pages are gone. The un-synced rows stand in the next segment."""
    disk = BadDisk()

    def work(record: Record) -> None:
        first = (tmp_path / "samples-001.csv").stat().st_ino
        keep(record, 1, 5)
        record.say("flag", text="synced until here")
        wait_for(lambda: len(disk.syncs) >= 2)
        failed: list[int] = []

        def fail(descriptor: int) -> bool:
            if os.fstat(descriptor).st_ino == first and not failed:
                failed.append(len(disk.syncs))
                return True
            return False

        disk.fail_sync = fail
        keep(record, 6, 9)
        wait_for(lambda: record.problem)
        keep(record, 10, 12)
        assert record.problem == "the run folder cannot be written: Input/output error"
        wait_for(lambda: (tmp_path / "samples-002.csv").exists())
        assert first not in disk.syncs[failed[0] :]

    run = recorded(tmp_path, work, disk)
    assert first_of(tmp_path / "samples-002.csv") <= 6
    assert run.samples == [sample(n) for n in range(1, 13)]
    assert run.problems == []
    assert run.ending.how == "tripped"
    [failed] = run.events_named("record_failed")
    assert (failed["file"], failed["why"]) == ("samples-001.csv", "cannot be synced: Input/output error")
    assert failed["rows_now_in"] == "samples-002.csv"
    # What the failed file lost on its disk is read from the other: cut it after any row that was not synced.
    content = (tmp_path / "samples-001.csv").read_bytes()
    for cut in [at + 1 for at, byte in enumerate(content) if byte == 10][6:]:
        (tmp_path / "samples-001.csv").write_bytes(content[:cut])
        assert numbers(folder.read_run(tmp_path)) == list(range(1, 13))
    # Pages that were lost read as zeros.
    lines = content.splitlines(keepends=True)
    (tmp_path / "samples-001.csv").write_bytes(b"".join(lines[:7]) + bytes(len(lines[7])) + b"".join(lines[8:]))
    assert numbers(folder.read_run(tmp_path)) == list(range(1, 13))


def first_of(path: Path) -> int:
    header, first, *_ = path.read_text().splitlines()
    return columns.parse_row(first, columns.read_header(header)).sequence


def test_events_whose_sync_failed_stand_in_a_next_file(tmp_path: Path) -> None:
    disk = BadDisk()

    def work(record: Record) -> None:
        events = (tmp_path / "events.jsonl").stat().st_ino
        disk.fail_sync = lambda descriptor: os.fstat(descriptor).st_ino == events
        record.say("flag", text="one")
        wait_for(lambda: record.problem)
        keep(record, 1, 3)

    run = recorded(tmp_path, work, disk)
    assert (tmp_path / "events-002.jsonl").exists()
    assert [event["event"] for event in run.events] == ["flag", "record_failed", "tripped", "ended"]
    assert run.problems == []
    assert numbers(run) == [1, 2, 3]


@pytest.mark.parametrize("fate", ["deleted", "replaced", "moved", "cut"])
def test_a_file_that_goes_away_is_gone_on_with_in_a_new_one(
    tmp_path: Path, fate: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fault 46: no write ever fails on a file that was deleted or replaced under us."""
    monkeypatch.setattr("benchwarden.daemon.recording.writer.LOOK_S", 0.05)
    monkeypatch.setattr("benchwarden.daemon.recording.writer.SYNC_S", 0.05)
    path = tmp_path / "samples-001.csv"

    def work(record: Record) -> None:
        keep(record, 1, 20)
        wait_for(lambda: path.read_bytes().count(b"\n") == 21)
        if fate == "deleted":
            path.unlink()
        elif fate == "replaced":
            (tmp_path / "other").write_bytes(b"something else\n")
            (tmp_path / "other").replace(path)
        elif fate == "moved":
            path.rename(tmp_path / "away.csv")
        else:
            os.truncate(path, 700)
        keep(record, 21, 25)
        wait_for(lambda: (tmp_path / "samples-002.csv").exists())
        keep(record, 26, 30)
        assert record.problem is None  # the record is whole: this does not end a run

    run = recorded(tmp_path, work)
    assert numbers(run) == list(range(1, 31))
    [moved] = run.events_named("record_moved")
    assert (moved["file"], moved["now_in"]) == ("samples-001.csv", "samples-002.csv")
    assert run.ending.how == "finished"
    assert bool(run.problems) == (fate != "deleted" and fate != "moved") or "missing" in run.problems[0]


def test_a_reserve_that_was_deleted_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchwarden.daemon.recording.writer.LOOK_S", 0.05)
    monkeypatch.setattr("benchwarden.daemon.recording.writer.SYNC_S", 0.05)

    def work(record: Record) -> None:
        (tmp_path / "reserve.bin").unlink()
        wait_for(lambda: (tmp_path / "reserve.bin").exists())
        assert record.problem is None

    run = recorded(tmp_path, work)
    assert next(run.events_named("record_moved"))["file"] == "reserve.bin"
    assert not (tmp_path / "reserve.bin").exists()


def test_a_folder_that_was_deleted_ends_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchwarden.daemon.recording.writer.LOOK_S", 0.05)
    monkeypatch.setattr("benchwarden.daemon.recording.writer.SYNC_S", 0.05)
    place = tmp_path / "run"
    place.mkdir()

    def run() -> None:
        record = Record(place, INFO, 1.8e9, reserve_bytes=RESERVE)
        for path in place.iterdir():
            path.unlink()
        place.rmdir()
        wait_for(lambda: record.problem)
        record.close()

    in_loop(run)


def test_room_is_asked_for_each_minute_and_said_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchwarden.daemon.recording.writer.ROOM_S", 0.0)
    monkeypatch.setattr("benchwarden.daemon.recording.writer.SYNC_S", 0.02)
    disk = BadDisk()

    def work(record: Record) -> None:
        assert record.warning is None
        disk.free = 1_000_000
        wait_for(lambda: record.warning)
        assert record.warning is not None
        assert record.warning.startswith("the disk is nearly full: 1.0 MB free, this run may still need ")
        time.sleep(0.1)
        assert record.problem is None

    run = recorded(tmp_path, work, disk)
    [warned] = run.events_named("disk_nearly_full")
    assert warned["free_bytes"] == 1_000_000


def test_a_disk_that_is_nearly_full_is_told_while_the_run_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchwarden.daemon.recording.writer.ROOM_S", 0.0)
    disk = BadDisk()
    outside = Warned()

    def fill(bench: SimulatedBench, sample: Sample) -> None:
        disk.free = 1_000_000

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, disk=disk, each=fill, outside=outside))
    assert done.ending.how == "finished"
    [(bay, pack, why)] = outside.warned
    assert outside.outputs == ["load"]
    assert (bay, pack) == (LEFT.name, "Heron")
    assert why.startswith("the disk is nearly full: 1.0 MB free")


class Warned(Outside):
    """Keeps what is told of the disk."""

    def __init__(self) -> None:
        super().__init__(None, print)
        self.warned: list[tuple[str, str, str]] = []
        self.outputs: list[str] = []

    def disk(self, bay: str, pack: str, why: str, *, output: str) -> None:
        self.warned.append((bay, pack, why))
        self.outputs.append(output)


def test_a_disk_without_room_refuses_the_run_before_it_begins(tmp_path: Path) -> None:
    disk = BadDisk()
    disk.free = 1_000_000
    place = tmp_path / "run"
    place.mkdir()
    with pytest.raises(folder.FolderError, match=r"run: 1\.0 MB free; \d+\.\d MB would be right"):
        recorded(place, lambda record: None, disk)
    assert not place.exists()  # nothing is left that would look like a run


# Whole runs.


def test_a_failed_sync_ends_the_run_off_and_no_row_is_lost(tmp_path: Path) -> None:
    """Fault 44 through the whole chain."""
    disk = BadDisk()
    fired: list[float] = []

    def fail(bench: SimulatedBench, one: Sample) -> None:
        if not fired and one.output == "load" and one.sequence > 30:
            fired.append(bench.now())
            [path] = tmp_path.rglob("samples-001.csv")
            inode = path.stat().st_ino
            disk.fail_sync = lambda descriptor: os.fstat(descriptor).st_ino == inode
            # The writer syncs each real second, which on virtual time is longer than the whole run.
            events = path.with_name("events.jsonl")
            wait_for(lambda: "record_failed" in events.read_text())

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, each=fail, disk=disk))
    assert (done.ending.how, done.run.ending.how) == ("tripped", "tripped")
    assert done.run.ending.why == "the run folder cannot be written: Input/output error"
    assert done.off_confirmed
    assert done.run.problems == []
    assert numbers(done.run) == list(range(1, len(done.run.samples) + 1))
    assert next(done.run.events_named("record_failed"))["rows_now_in"] == "samples-002.csv"


def test_a_machine_that_slept_switches_off_first_and_says_so(tmp_path: Path) -> None:
    """Fault 40: CLOCK_MONOTONIC stands still in a suspend, CLOCK_BOOTTIME does not."""
    asleep_s = [0.0]
    fired: list[float] = []

    def now() -> clock.Clocks:
        found = clock.clocks()
        return replace(found, boot_s=found.boot_s + asleep_s[0], unix_s=found.unix_s + asleep_s[0])

    def sleep(bench: SimulatedBench, one: Sample) -> None:
        if not fired and one.output == "load" and one.sequence > 30:
            fired.append(bench.now())
            asleep_s[0] = 3600.0

    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, DISCHARGE, each=sleep, clocks=now))
    assert done.ending.how == "tripped"
    assert re.fullmatch(r"the machine slept for 3600\.\d s, and nobody looked at the bay meanwhile", done.ending.why)
    assert_off_within(done, fired[0], 1.0 + WAY_TO_OFF_S)
    assert done.off_confirmed
    assert not list(done.run.events_named("clock_step"))  # the wall clock only kept up


@pytest.mark.parametrize("by_s", [3600.0, -3600.0, 0.6, 0.4])
def test_a_wall_clock_that_was_set_is_an_event_and_ends_nothing(tmp_path: Path, by_s: float) -> None:
    """Fault 11; half a second and less is what keeping time does."""
    step_s = [0.0]

    def now() -> clock.Clocks:
        found = clock.clocks()
        return replace(found, unix_s=found.unix_s + step_s[0])

    def step(bench: SimulatedBench, one: Sample) -> None:
        if one.sequence == 30:
            step_s[0] = by_s

    rest = 'title = "Rest"\n[[step]]\ndo = "rest"\nat_least = "2 min"\n'
    done = on_virtual_time(run_test(tmp_path, LEFT, HERON, rest, each=step, clocks=now))
    assert done.ending.how == "finished"
    steps = [event["by_s"] for event in done.run.events_named("clock_step")]
    assert steps == ([] if by_s == 0.4 else [pytest.approx(by_s, abs=0.05)])
    times = [one.unix_time_s for one in done.run.samples]
    assert times == sorted(times)


def test_a_step_and_a_sleep_are_told_apart() -> None:
    base = clock.Clocks(1000.0, 10.0, 20.0)
    assert clock.slept_s(base, clock.Clocks(1001.0, 11.0, 21.0)) == 0.0
    assert clock.stepped_s(base, clock.Clocks(1001.0, 11.0, 21.0)) == 0.0
    slept = clock.Clocks(1101.0, 11.0, 121.0)
    assert (clock.slept_s(base, slept), clock.stepped_s(base, slept)) == (100.0, 0.0)
    both = clock.Clocks(901.0, 11.0, 121.0)
    assert (clock.slept_s(base, both), clock.stepped_s(base, both)) == (100.0, -200.0)
    now = clock.clocks()
    assert now.boot_s >= now.real_s - 0.1


# The system's own full disks and kills, in processes of their own.

ROWS = """
import asyncio, os, resource, signal, sys, time
from pathlib import Path
from benchwarden.daemon.recording.record import Record
from tests.test_writer import INFO, sample

async def work():
    path = Path(sys.argv[1])
    record = Record(path, INFO, 1.8e9, reserve_bytes=int(sys.argv[2]))
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    if int(sys.argv[3]):
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
    n = 0
    while not record.problem and n < int(sys.argv[4]):
        n += 1
        record.keep(sample(n))
        if n % 5 == 0:
            record.say("flag", text="synced")
        while record._writer.behind_s() > 0.0 and not record.problem:
            time.sleep(0)  # lets the writer's thread go on
        os.write(1, b"%d\\n" % n)
    if record.problem:
        record.say("tripped", reason=record.problem)
        record.say("ended", how="tripped", why=record.problem, off_confirmed=True)
    record.close()

asyncio.run(work())
"""
SPACE = {"PYTHONPATH": f"{ENVIRONMENT['PYTHONPATH']}:{Path(__file__).parents[1]}"}


def in_a_process(path: Path, reserve: int, limit: int, rows: int) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", ROWS, str(path), str(reserve), str(limit), str(rows)],
        env=ENVIRONMENT | SPACE,
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("limit", [4000, 4001, 4037, 4150])
def test_a_file_that_may_not_grow_leaves_whole_lines_and_the_reason(tmp_path: Path, limit: int) -> None:
    """Fault 42 by RLIMIT_FSIZE (setrlimit(2)): a short write first, then EFBIG."""
    process = in_a_process(tmp_path, RESERVE, limit, 10_000)
    acknowledged = len(process.communicate(timeout=60)[0].splitlines())
    run = folder.read_run(tmp_path)
    assert (tmp_path / "samples-001.csv").read_bytes().endswith(b"\n")
    assert numbers(run) == list(range(1, len(run.samples) + 1))
    assert len(run.samples) >= acknowledged > 10
    assert run.problems == []
    assert run.ending.how == "tripped"
    assert "cannot be written" in run.ending.why


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "small"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(place)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip(f"a disk of its own needs mount(8) as root: {made.stderr.decode().strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_runs_full_leaves_whole_lines_and_the_reason(small_disk: Path) -> None:
    """Fault 42 on a real full file system: tmpfs of 400 KiB, 200 kB of them the reserve's."""
    place = small_disk / "run"
    place.mkdir()
    script = ROWS.replace(
        "record = Record(",
        "from benchwarden.daemon.recording import space; space.TIMES = space.RESERVE_BYTES = 0; record = Record(",
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(place), str(RESERVE), "0", "100000"],
        env=ENVIRONMENT | SPACE,
        stdout=subprocess.PIPE,
        text=True,
    )
    acknowledged = len(process.communicate(timeout=60)[0].splitlines())
    assert process.returncode == 0
    run = folder.read_run(place)
    assert run.ending.how == "tripped"
    assert run.ending.why == "the run folder cannot be written: No space left on device" or "bytes were taken" in (
        run.ending.why
    )
    assert len(run.samples) >= acknowledged > 500
    assert numbers(run) == list(range(1, len(run.samples) + 1))
    assert run.problems == []


@pytest.mark.realtime
def test_kills_lose_no_acknowledged_row(tmp_path: Path) -> None:
    """Fault 43: at any moment, with one write(2) for each line; an unused reserve reads as nothing."""
    drawn = random.Random(20261125)
    for turn in range(6):
        place = tmp_path / str(turn)
        place.mkdir()
        process = in_a_process(place, RESERVE, 0, 10**9)
        assert process.stdout is not None
        while process.stdout.readline() != "10\n":
            pass
        time.sleep(drawn.uniform(0.0, 0.3))
        process.send_signal(signal.SIGKILL)
        acknowledged = [10, *map(int, process.stdout.read().splitlines())]
        process.wait()
        process.stdout.close()
        run = folder.read_run(place)
        assert run.samples == [sample(n) for n in range(1, len(run.samples) + 1)]
        assert len(run.samples) >= acknowledged[-1]
        assert run.problems == []
        assert (run.ending.how, run.live) == ("interrupted", False)
        assert (place / "reserve.bin").exists()
        folder.drop_unused_reserve(place)
        assert not (place / "reserve.bin").exists()
