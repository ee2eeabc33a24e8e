"""Runs a whole test on a simulated bench on virtual time: engine, safety, drivers, maps, SCPI text, simulator.

Only the guardian is doubled, at its seam, the socket: it would live in another process and in real seconds.
"""

import asyncio
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from benchwarden.daemon.alarm.outside import NOBODY, Outside
from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.planning.jobs import Job
from benchwarden.daemon.planning.run_info import run_info
from benchwarden.daemon.recording.record import Record
from benchwarden.daemon.running.bay import BayRun
from benchwarden.daemon.running.conductor import Ending
from benchwarden.daemon.running.instruments import Instruments
from benchwarden.profiles.pack import read_pack
from benchwarden.profiles.plan import Plan, work_out
from benchwarden.profiles.profile import read_profile
from benchwarden.profiles.shipped import library_names, library_text
from benchwarden.results.folder import new_folder, read_run
from benchwarden.results.run import Run
from benchwarden.results.sample import Sample
from benchwarden.simulators.clock import VirtualLoop
from benchwarden.simulators.scenario import BayScenario
from benchwarden.simulators.start import SimulatedBench

STARTED_UNIX_S = 1_800_000_000.0

T = TypeVar("T")


def on_virtual_time(work: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine on a fresh virtual clock; fails if it leaves a task behind."""
    # Kept here, since the runner puts what its task returns into words when it ends: a whole run, sample by sample.
    result: list[T] = []

    async def checked() -> None:
        result.append(await work)
        await asyncio.sleep(0)
        left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        assert not left, f"left-over tasks: {left}"

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(checked())
    return result[0]


@dataclass
class StandInGuardian:
    """The other end of the guardian's socket: hears everything, and can be made to hang up."""

    armed: dict[str, Sequence[Mapping[str, object]]] = field(default_factory=dict)
    disarmed: list[str] = field(default_factory=list)
    beats: list[tuple[str, float, bool]] = field(default_factory=list)
    on_beat: Callable[[], None] = lambda: None

    async def arm(self, bay: str, off: Sequence[Mapping[str, object]], contactor: object = None) -> None:
        self.armed[bay] = off

    def beat(self, bay: str, sequence: int, on: bool) -> None:
        self.on_beat()
        self.beats.append((bay, asyncio.get_running_loop().time(), on))

    def disarm(self, bay: str, currents_a: Mapping[str, float | None]) -> None:
        self.disarmed.append(bay)


@dataclass
class Checked:
    """What the checks before the first sample had done to the bench: outputs changed, and taken out of the pack."""

    changes: int = 0
    drawn_ah: float = 0.0
    drawn_wh: float = 0.0

    @classmethod
    def by(cls, bench: SimulatedBench) -> "Checked":
        bay = next(iter(bench.bays.values()))
        return cls(len(bay.journal), bay.witness.discharged_ah, bay.witness.discharged_wh)


@dataclass
class Done:
    """A run that has ended: how, what it left on disk, the plan, and the bench with its own witness."""

    ending: Ending
    off_confirmed: bool
    run: Run
    plan: Plan
    bench: SimulatedBench
    guardian: StandInGuardian

    checked: Checked

    @property
    def journal(self) -> list[tuple[float, str]]:
        """Every change of an output since the first sample as the simulated bench saw it, with the loop's time."""
        return self.whole_journal[self.checked.changes :]

    @property
    def whole_journal(self) -> list[tuple[float, str]]:
        """The same from the beginning, with the test pulse."""
        return next(iter(self.bench.bays.values())).journal


async def run_test(
    folder: Path,
    scenario: BayScenario,
    pack: str,
    profile: str,
    *,
    sockets: bool = False,
    soc: float | None = None,
    before: Callable[[SimulatedBench], None] = lambda bench: None,
    each: Callable[[SimulatedBench, Sample], None] = lambda bench, sample: None,
    change_bench: Callable[[str], str] = lambda text: text,
    answer: str = "done",
    guardian: StandInGuardian | None = None,
    make_bench: type[SimulatedBench] = SimulatedBench,
    prepared: Job | None = None,
    outside: Outside = NOBODY,
    watch: bool = False,
    change_plan: Callable[[Plan], Plan] = lambda plan: plan,
    **record_more: Any,
) -> Done:
    """Run one profile (a shipped name or TOML text) on one simulated bay and return what became of it.

    `sockets`: over TCP and ptys instead of in memory. `soc` (0…1) overrides the packs' charge. `before` is
    called once the bench exists, `each` at every sample: both may break it. `guardian` stands in for the real one.
    `outside` is told what people must know. `prepared` takes the place of the job that pack and profile make,
    `change_plan` changes the plan they make; `record_more` goes to the run's `Record`.
    `watch`: look on after a trip that left the pack warm; otherwise somebody needs the instruments at once.
    """
    bench = make_bench([scenario], soc=soc)
    if sockets:
        await bench.start()
    try:
        settings = read_bench(change_bench(bench.bench_toml()), "bench.toml")
        entry = settings.bay[0]
        shipped = profile in library_names()
        text = library_text(profile) if shipped else profile
        wanted = read_profile(text, "profile")
        plan = change_plan(work_out(wanted, read_pack(pack), entry.abilities()))
        name = profile if shipped else "profile"
        job = prepared or Job(entry, read_pack(pack), wanted, name, plan, pack_text=pack, profile_text=text)
        entry, plan = job.entry, job.plan
        instruments = Instruments(entry, None if sockets else bench.memory())
        guardian = guardian or StandInGuardian()

        async def reply(text: str, answers: tuple[str, ...]) -> str:
            return answer

        loop = asyncio.get_running_loop()

        def record() -> Record:
            path = new_folder(folder, job.pack.name, job.profile_name, STARTED_UNIX_S)
            info = run_info(settings, job, instruments.identities(), STARTED_UNIX_S)
            return Record(path, info, STARTED_UNIX_S, loop=loop, **record_more)

        first: list[Checked] = []

        def show(sample: Sample, steps: int) -> None:
            if not first:
                first.append(Checked.by(bench))
            each(bench, sample)

        before(bench)
        running = BayRun(
            entry,
            plan,
            instruments,
            guardian,  # type: ignore[arg-type]
            ask=reply,
            show=show,
            note=lambda text: None,
            started_unix_s=STARTED_UNIX_S,
            outside=outside,
        )
        ending = await running.run(record)
        if running.aftermath:
            watching = asyncio.create_task(running.aftermath.watch())
            await asyncio.sleep(0)
            if not watch:
                watching.cancel()
            await watching
        run = read_run(running.folder) if running.folder else Run(folder, _nothing(), [], [], [])
        bench.journals()
        return Done(ending, running.off_confirmed, run, plan, bench, guardian, first[0] if first else Checked.by(bench))
    finally:
        if sockets:
            await bench.stop()


def _nothing() -> Any:
    from benchwarden.results.run import RunInfo

    return RunInfo()
