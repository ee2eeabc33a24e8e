"""A worker killed or frozen at any moment of a run: the load goes off, and every row that was written is still there.

Real seconds and real processes; the moments are drawn from one seed, from before the instruments are connected to the
middle of a draw. Each simulated bench stays alive and has one run after the other.
"""

import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from queue import SimpleQueue

import pytest

from benchwarden.daemon.guardian import ASSERT_OFF_S, DIED, SILENCE_S, TOOK_OVER
from benchwarden.daemon.worker import STOPPED
from benchwarden.results.folder import read_run
from tests.benchmarks import measured
from tests.extent import SEED, extents
from tests.shed import ENVIRONMENT, SOON, Shed, hear, on_and_sampled, wait_for, worker_of

pytestmark = pytest.mark.realtime

KILLS, ALL_KILLS = 10, 200
FREEZES, ALL_FREEZES = 3, 50
# Longer than the second between two signs of life, on a machine that has much else to do.
QUICK_SILENCE_S = 2.5
QUICK_ASSERT_S = 0.2
# A run begins, connects and arms within the first; then comes a test pulse and a recovery; then it draws.
STARTS_S, PULSE_S, DRAWS_S = 2.5, 2.5, 2.0
# The figures that README gives are a tenth of what fails a test: a slow machine is no defect.
OFF_AFTER_KILL_S, OFF_AFTER_SILENCE_S = 0.1, 0.1
GENEROUS = 10.0


@dataclass(frozen=True, slots=True)
class Moment:
    """So many seconds after the worker's "start", the "pulse", which is the first current, or a "row" of the draw."""

    since: str
    after_s: float


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of one run: the guardian's code, rows lost, and, if the load was on, how long it was so (s)."""

    moment: Moment
    code: int
    rows: int
    lost: int
    off_s: float | None


def moments(count: int, kind: str) -> list[Moment]:
    """Return moments of which more than half lie while the load is on."""
    drawn = random.Random(f"{SEED} {kind}")
    few = round(0.2 * count)
    both = [Moment("start", drawn.uniform(0.0, STARTS_S)) for _ in range(few)]
    both += [Moment("pulse", drawn.uniform(0.0, PULSE_S)) for _ in range(few)]
    both += [Moment("row", drawn.uniform(0.0, DRAWS_S)) for _ in range(count - len(both))]
    drawn.shuffle(both)
    return both


@pytest.fixture(scope="module")
def sheds(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Shed]]:
    """Two benches for each core: most of a run is waiting."""
    folders = [tmp_path_factory.mktemp("shed") for _ in range(2 * (os.cpu_count() or 1))]
    with ThreadPoolExecutor(len(folders)) as pool:
        made = list(pool.map(partial(Shed, recovery=SOON), folders))
    yield made
    for shed in made:
        shed.close()


TRIES = 3


class EndedByItself(Exception):
    """The run was over before its moment came: on a busy machine an answer may come too late, and the run trips."""


def in_turn(sheds: list[Shed], work: Callable[[Shed, Moment], Fate], when: list[Moment]) -> list[Fate]:
    """Do all of it, each bench one run after the other."""
    free: SimpleQueue[Shed] = SimpleQueue()
    for shed in sheds:
        free.put(shed)

    def one(moment: Moment) -> Fate:
        shed = free.get()
        try:
            for _ in range(TRIES):
                try:
                    return work(shed, moment)
                except EndedByItself:
                    assert not shed.is_on()
                    for path in shed.folder.glob("runs/*/*"):
                        shutil.rmtree(path)
            raise AssertionError(f"the run ended by itself {TRIES} times")
        except AssertionError as error:
            raise AssertionError(f"{moment}: {error}") from error
        finally:
            free.put(shed)

    with ThreadPoolExecutor(len(sheds)) as pool:
        return list(pool.map(one, when))


def quick(shed: Shed, silence_s: float) -> "subprocess.Popen[str]":
    orders = {"bench": "bench.toml", "profile": "draw.toml", "packs": {"left": "pack.toml"}}
    root = str(Path(__file__).parents[1])
    return subprocess.Popen(
        [sys.executable, "-m", "tests.quick_run", str(silence_s), str(QUICK_ASSERT_S), json.dumps(orders)],
        env=ENVIRONMENT | {"PYTHONPATH": f"{ENVIRONMENT['PYTHONPATH']}:{root}"},
        cwd=shed.folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )


def samples(shed: Shed) -> list[Path]:
    return list(shed.folder.glob("runs/*/*/samples-001.csv"))


def child_of(process: "subprocess.Popen[str]") -> int | None:
    listed = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    return int(listed[0]) if listed else None


def hurt(shed: Shed, moment: Moment, number: signal.Signals) -> Fate:
    """Run, kill or freeze the worker at its moment, and look at the bench and at what was written."""
    running = quick(shed, QUICK_SILENCE_S)
    worker = 0
    try:
        found = wait_for(lambda: child_of(running), 60)
        assert isinstance(found, int)
        worker = found
        if moment.since != "start":
            _come_to(shed.is_on, running)
        if moment.since == "row":
            _come_to(lambda: any(path.read_bytes().count(b"\n") > 3 for path in samples(shed)), running)
        time.sleep(moment.after_s)
        was_on = shed.is_on()
        written = {path: path.read_bytes() for path in samples(shed)}
        at_s = time.monotonic()
        os.kill(worker, number)
        # Frozen before its bay was armed, a worker has switched nothing on and the guardian has nothing to do.
        begun = number is signal.SIGKILL or was_on or _ends(running, 2 * QUICK_SILENCE_S)
        if not begun:
            assert not shed.is_on()
            running.send_signal(signal.SIGTERM)
            os.kill(worker, signal.SIGCONT)
        said = running.communicate(timeout=30)[0]
    finally:
        running.kill()
        running.communicate()
        if worker and Path(f"/proc/{worker}").exists():
            os.kill(worker, signal.SIGKILL)
    assert not shed.is_on()
    assert shed.drawn_a() < 0.05
    assert not Path(f"/proc/{worker}").exists()
    took_over = running.returncode == TOOK_OVER
    assert took_over or not was_on, f"exit code {running.returncode} with the load on"
    # Asked to stop in its first second, a worker ends as any process does.
    assert running.returncode in ((TOOK_OVER, DIED) if begun else (STOPPED, DIED)), f"exit code {running.returncode}"
    rows, lost = kept(shed, written)
    return Fate(moment, running.returncode, rows, lost, _off_s(said, at_s) if was_on else None)


def _come_to(what: Callable[[], bool], running: "subprocess.Popen[str]") -> None:
    wait_for(lambda: what() or running.poll() is not None, 40)
    if running.poll() is not None:
        raise EndedByItself


def _ends(running: "subprocess.Popen[str]", seconds: float) -> bool:
    try:
        running.wait(seconds)
    except subprocess.TimeoutExpired:
        return False
    return True


def _off_s(said: str, at_s: float) -> float:
    """Return when the load read back off, by the guardian's own timeline on the clock that all processes share."""
    timeline: list[tuple[float, str, str]] = json.loads(said.splitlines()[-1])["timeline"]
    return min(time_s for time_s, what, who in timeline if what == "read back" and who == "left load") - at_s


def kept(shed: Shed, written: dict[Path, bytes]) -> tuple[int, int]:
    """Return how many rows were seen before, and how many of them are gone or changed; then remove the run."""
    rows = lost = 0
    for path in shed.folder.glob("runs/*/*"):
        before = written.get(path / "samples-001.csv", b"").splitlines(keepends=True)[1:]
        now = (path / "samples-001.csv").read_bytes().splitlines(keepends=True)[1:] if before else []
        rows += len(before)
        lost += sum(row not in now for row in before if row.endswith(b"\n"))
        if (path / "run.json").exists():  # else it was killed before there was anything to keep
            run = read_run(path)
            assert [sample.sequence for sample in run.samples] == list(range(1, len(run.samples) + 1))
            assert run.ending.how in ("interrupted", "stopped")
            lost += max(0, sum(row.endswith(b"\n") for row in before) - len(run.samples))
        shutil.rmtree(path)
    return rows, lost


@extents
def test_a_kill_loses_no_written_row_and_leaves_the_load_off(sheds: list[Shed], whole: bool) -> None:
    count = ALL_KILLS if whole else KILLS
    fates = in_turn(sheds, lambda shed, moment: hurt(shed, moment, signal.SIGKILL), moments(count, "kill"))
    off_s = [fate.off_s for fate in fates if fate.off_s is not None]
    rows, lost = sum(fate.rows for fate in fates), sum(fate.lost for fate in fates)
    assert lost == 0
    assert {fate.code for fate in fates} == {TOOK_OVER, DIED}
    assert len(off_s) >= (0.5 * count if whole else 2)  # of few, chance and a busy machine decide
    assert rows >= count / 4
    p50_s, p99_s = measured.share(off_s, 0.5), measured.share(off_s, 0.99)
    assert p50_s <= GENEROUS * OFF_AFTER_KILL_S
    if whole:  # of few, the slowest tells what the machine did meanwhile
        assert p99_s <= GENEROUS * OFF_AFTER_KILL_S
        assert len(off_s) >= 100
        load = round(os.getloadavg()[1], 1)  # what else the machine does is in the figure
        measured.keep("kills", kills=count, on=len(off_s), p50_s=p50_s, p99_s=p99_s, rows=rows, lost=lost, load=load)


@extents
def test_a_freeze_is_ended_at_the_deadline_and_loses_no_row(sheds: list[Shed], whole: bool) -> None:
    count = ALL_FREEZES if whole else FREEZES
    fates = in_turn(sheds, lambda shed, moment: hurt(shed, moment, signal.SIGSTOP), moments(count, "freeze"))
    late_s = [fate.off_s - QUICK_SILENCE_S for fate in fates if fate.off_s is not None]
    assert sum(fate.lost for fate in fates) == 0
    assert measured.share(late_s, 0.5) <= GENEROUS * OFF_AFTER_SILENCE_S
    if whole:
        assert max(late_s) <= GENEROUS * OFF_AFTER_SILENCE_S
        measured.keep("freezes", freezes=count, on=len(late_s), deadline_s=QUICK_SILENCE_S, latest_s=max(late_s))


@pytest.mark.endure
def test_with_its_real_times_the_guardian_holds_off_for_two_minutes(sheds: list[Shed]) -> None:
    """Whatever switches the load on again meanwhile, as a command would that a dead connection still delivers."""
    shed = sheds[0]
    running = shed.run()
    try:
        wait_for(lambda: on_and_sampled(shed), 60)
        worker = worker_of(running)
        at_s = time.monotonic()
        os.kill(worker, signal.SIGSTOP)
        wait_for(lambda: not shed.is_on(), SILENCE_S + 30.0)
        noticed_s = time.monotonic()
        assert noticed_s - at_s > SILENCE_S - 1.5  # its last sign of life may have been a second old
        drawn = random.Random(SEED)
        while time.monotonic() - noticed_s < ASSERT_OFF_S - 10.0:
            time.sleep(drawn.uniform(0.5, 4.0))
            assert running.poll() is None
            assert shed.ask_load("INP ON;:INP?") == "1"
            wait_for(lambda: not shed.is_on(), 15.0)
        said = hear(running, "read back", 5.0)
        assert re.search(r"no sign of life from bay left for \d+\.\d s", said)
        assert running.wait(90.0) == TOOK_OVER
        assert time.monotonic() - noticed_s >= ASSERT_OFF_S - 1.0
        assert not shed.is_on()
    finally:
        running.kill()
        running.communicate(timeout=60)
