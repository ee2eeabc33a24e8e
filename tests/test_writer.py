"""The writer's thread on real files: whole lines, full disks, slow disks, kills."""

import asyncio
import json
import os
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from benchwarden.daemon.recording.record import BEHIND_S, Record
from benchwarden.daemon.recording.writer import HOLD_ROWS, Writer
from benchwarden.results import columns, folder
from benchwarden.results.sample import Sample
from benchwarden.simulators.clock import VirtualLoop

HEADER = "a,b\n"
ENVIRONMENT = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1] / "src")}


def wait_for(what: Callable[[], object], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.005)


def rows(path: Path) -> list[str]:
    return (path / "samples-001.csv").read_text().splitlines()


def put_in_the_place_of(path: Path, other: str) -> None:
    """Put another file behind the descriptor that this process has open for `path`."""
    spare = os.open(other, os.O_WRONLY)
    for link in Path("/proc/self/fd").iterdir():
        if os.path.realpath(link) == str(path.resolve()):
            os.dup2(spare, int(link.name))
    os.close(spare)


def in_loop(work: Callable[[], None]) -> None:
    """Run in a loop, as the worker does: the writer asks it whether it has a clock of its own."""

    async def run() -> None:
        work()

    asyncio.run(run())


def test_everything_that_was_handed_over_is_there_after_close(tmp_path: Path) -> None:
    writer = Writer(tmp_path, HEADER)

    def work() -> None:
        for n in range(5000):
            writer.put_sample(f"{n},x\n")
            if n % 100 == 0:
                writer.put_event(f'{{"n": {n}}}\n')

    in_loop(work)
    writer.close()
    assert rows(tmp_path) == ["a,b", *(f"{n},x" for n in range(5000))]
    assert len((tmp_path / "events.jsonl").read_text().splitlines()) == 50
    assert writer.failed is None
    assert writer.behind_s() == 0.0
    writer.close()  # again: nothing happens


def test_a_row_is_on_its_way_without_close(tmp_path: Path) -> None:
    writer = Writer(tmp_path, HEADER)
    writer.put_sample("1,x\n")
    wait_for(lambda: rows(tmp_path) == ["a,b", "1,x"])
    wait_for(lambda: writer.behind_s() == 0.0)
    writer.close()


def test_files_that_exist_are_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / "samples-001.csv").write_text("kept\n")
    with pytest.raises(FileExistsError):
        Writer(tmp_path, HEADER)
    assert (tmp_path / "samples-001.csv").read_text() == "kept\n"


def test_a_full_disk_is_a_failure_that_says_so(tmp_path: Path) -> None:
    writer = Writer(tmp_path, HEADER)
    writer.put_sample("1,x\n")
    wait_for(lambda: len(rows(tmp_path)) == 2)
    put_in_the_place_of(tmp_path / "samples-001.csv", "/dev/full")
    writer.put_sample("2,x\n")
    wait_for(lambda: writer.failed)
    assert writer.failed == "the run folder cannot be written: No space left on device"
    writer.put_sample("3,x\n")
    writer.close()
    assert rows(tmp_path) == ["a,b", "1,x"]
    # Fault 42: the reserve has what came after, and again the last of what came before.
    assert (tmp_path / "reserve.bin").read_bytes().rstrip(b"\0") == b"a,b\n1,x\n2,x\n3,x\n"


def test_a_sync_that_fails_is_a_failure(tmp_path: Path) -> None:
    """The second fsync after a failed one may report success although the pages are gone: the first one counts."""
    writer = Writer(tmp_path, HEADER)
    put_in_the_place_of(tmp_path / "samples-001.csv", "/dev/null")  # takes every byte, and cannot be synced
    writer.put_event("{}\n")
    wait_for(lambda: writer.failed)
    assert writer.failed == "the run folder cannot be written: Invalid argument"
    writer.close()


SHORT = """
import resource, signal, sys
from pathlib import Path
from benchwarden.daemon.recording.writer import Writer
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
writer = Writer(Path(sys.argv[1]), "a,b\\n")
resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))
for n in range(20):
    writer.put_sample(f"{n:>13},x\\n")
writer.close()
print(writer.failed)
"""


def test_a_short_write_is_a_failure(tmp_path: Path) -> None:
    """The file may grow to 100 bytes: 4 of the header, six rows of 16, and nothing of the next."""
    done = subprocess.run(
        [sys.executable, "-c", SHORT, str(tmp_path)], env=ENVIRONMENT, capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("the run folder cannot be written: ")
    assert [row.strip() for row in rows(tmp_path)] == ["a,b", *(f"{n},x" for n in range(6))]


def test_part_of_a_line_is_told_as_such(tmp_path: Path) -> None:
    script = SHORT.replace("(100, 100)", "(110, 110)")
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], env=ENVIRONMENT, capture_output=True, text=True, check=True
    )
    assert done.stdout == "the run folder cannot be written: only 10 of 16 bytes were taken\n"
    assert len((tmp_path / "samples-001.csv").read_bytes()) == 100  # the part was taken back


def test_a_slow_disk_is_seen_by_the_age_of_the_oldest_line(tmp_path: Path) -> None:
    writer = Writer(tmp_path, HEADER)
    os.mkfifo(tmp_path / "slow")
    reader = os.open(tmp_path / "slow", os.O_RDONLY | os.O_NONBLOCK)
    fill(tmp_path / "slow")  # else a busy machine may sync before it is full, and a pipe cannot be synced
    put_in_the_place_of(tmp_path / "samples-001.csv", str(tmp_path / "slow"))
    began = time.monotonic()
    in_loop(lambda: put_many(writer, 5000))
    time.sleep(0.3)
    assert 0.2 <= writer.behind_s() <= time.monotonic() - began
    assert writer.failed is None
    drained = threading.Thread(target=drain, args=(reader,))
    drained.start()
    wait_for(lambda: writer.behind_s() == 0.0 or writer.failed)
    writer.close()
    drained.join(5.0)
    os.close(reader)


def fill(pipe: Path) -> None:
    """Write to a pipe until it takes nothing more."""
    descriptor = os.open(pipe, os.O_WRONLY | os.O_NONBLOCK)
    with suppress(BlockingIOError):
        while True:
            os.write(descriptor, bytes(4096))
    os.close(descriptor)


def put_many(writer: Writer, count: int) -> None:
    for n in range(count):
        writer.put_sample(f"{n:>50}\n")


def test_a_disk_that_takes_nothing_does_not_keep_the_worker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchwarden.daemon.recording.writer.CLOSE_S", 0.1)
    writer = Writer(tmp_path, HEADER)
    os.mkfifo(tmp_path / "stuck")
    reader = os.open(tmp_path / "stuck", os.O_RDONLY | os.O_NONBLOCK)
    put_in_the_place_of(tmp_path / "samples-001.csv", str(tmp_path / "stuck"))
    in_loop(lambda: put_many(writer, 40_000))
    began = time.monotonic()
    writer.close()
    assert time.monotonic() - began < 10.0  # whoever waited for it would wait for ever
    os.close(reader)  # the thread's write fails now, and it ends
    wait_for(lambda: not any(thread.name == f"writer {tmp_path.name}" for thread in threading.enumerate()))


def drain(descriptor: int) -> None:
    """Read until nobody writes any more."""
    os.set_blocking(descriptor, True)
    while os.read(descriptor, 65536):
        pass


def test_putting_never_waits_for_the_disk(tmp_path: Path) -> None:
    writer = Writer(tmp_path, HEADER)
    os.mkfifo(tmp_path / "slow")
    reader = os.open(tmp_path / "slow", os.O_RDONLY | os.O_NONBLOCK)
    put_in_the_place_of(tmp_path / "samples-001.csv", str(tmp_path / "slow"))
    began = time.monotonic()
    in_loop(lambda: put_many(writer, 40_000))
    assert time.monotonic() - began < 30.0  # whoever waited for it would wait for ever
    assert writer.failed is not None
    assert "rows wait to be written: the disk does not keep up" in writer.failed
    drained = threading.Thread(target=drain, args=(reader,))
    drained.start()
    writer.close()
    drained.join(5.0)
    os.close(reader)


def test_on_virtual_time_the_clock_waits_for_the_writer(tmp_path: Path) -> None:
    async def work() -> tuple[int, int]:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        writer = Writer(tmp_path, HEADER)
        for n in range(3 * HOLD_ROWS):
            writer.put_sample(f"{n}\n")
        held = loop.waiting_for
        writer.close()
        return held, loop.waiting_for

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        held, after = runner.run(work())
    assert held in (0, 1)  # 0: the thread had caught up already
    assert after == 0


KILLED = """
import asyncio, os, sys
from pathlib import Path
from benchwarden.daemon.recording.writer import Writer

async def work():
    writer = Writer(Path(sys.argv[1]), "a,b\\n")
    n = 0
    while True:
        writer.put_sample(f"{n},x\\n")
        n += 1
        if n % 50 == 0:
            while writer.behind_s() > 0.0:
                pass
            os.write(1, b"%d\\n" % n)  # everything that was handed over is acknowledged

asyncio.run(work())
"""


def test_no_acknowledged_row_is_lost_to_a_kill(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(tmp_path)], env=ENVIRONMENT, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.readline()
    time.sleep(0.2)
    process.kill()
    acknowledged = [int(line) for line in process.stdout.read().splitlines()]
    process.wait()
    process.stdout.close()
    text = (tmp_path / "samples-001.csv").read_text()
    assert text.endswith("\n")
    kept = text.splitlines()[1:]
    assert kept == [f"{n},x" for n in range(len(kept))]
    assert acknowledged
    assert len(kept) >= acknowledged[-1]


# The record of a run, over the writer.


def sample(n: int) -> Sample:
    return Sample(
        n, float(n), 1.8e9 + n, 1, "rest", float(n), "rest", "off", 21.6, 0.0, (3.6, 3.6), (25.0,), 0, 0, 0, 0, 0.1, 0.5
    )


INFO = {"series": 2, "group_channels": True, "places": ["middle"], "format": 1}


def recorded(tmp_path: Path, work: Callable[[Record], None]) -> None:
    async def run() -> None:
        record = Record(tmp_path, INFO, 1.8e9)
        try:
            work(record)
        finally:
            record.close()

    asyncio.run(run())


def test_a_record_reads_back_as_it_was_kept(tmp_path: Path) -> None:
    def work(record: Record) -> None:
        record.say("started", instruments={})
        for n in range(1, 4):
            record.keep(sample(n))
        record.say("ended", how="finished", why="every step was done", off_confirmed=True)
        assert record.problem is None

    recorded(tmp_path, work)
    run = folder.read_run(tmp_path)
    assert run.problems == []
    assert run.samples == [sample(n) for n in (1, 2, 3)]
    assert [(event["seq"], event["event"]) for event in run.events] == [(1, "started"), (2, "ended")]
    assert run.events[0]["utc"] == "2027-01-15T08:00:00Z"
    assert run.ending.off_confirmed is True


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_what_is_no_number_never_reaches_the_events(tmp_path: Path, value: float) -> None:
    """JSON has no NaN and no infinity (RFC 8259 section 6), and many readers stop at one."""

    def work(record: Record) -> None:
        with pytest.raises(folder.FolderError, match=r"event 'odd': .*numbers must be finite"):
            record.say("odd", more=[value])
        record.say("even", more=[1.0])

    recorded(tmp_path, work)
    [line] = (tmp_path / "events.jsonl").read_text().splitlines()
    assert json.loads(line)["event"] == "even"


def test_a_failed_write_is_the_record_s_problem(tmp_path: Path) -> None:
    def work(record: Record) -> None:
        put_in_the_place_of(tmp_path / "samples-001.csv", "/dev/full")
        record.keep(sample(1))
        wait_for(lambda: record.problem)
        assert record.problem == "the run folder cannot be written: No space left on device"

    recorded(tmp_path, work)


def test_a_folder_that_cannot_be_written_is_refused_at_once(tmp_path: Path) -> None:
    with pytest.raises((folder.FolderError, OSError)):
        recorded(tmp_path / "nowhere", lambda record: None)


def test_the_header_is_there_before_the_first_row(tmp_path: Path) -> None:
    recorded(tmp_path, lambda record: None)
    assert (tmp_path / "samples-001.csv").read_text() == columns.header(2, ["middle"])
    assert 0 < BEHIND_S <= 10.0
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY
