"""A service over a whole simulated bench of two bays on virtual time, and what a person has on disk beside it.

Worker, drivers, maps, sockets and instruments are real code; only the guardian is doubled, at its socket.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from benchwarden.daemon.alarm.outside import Outside
from benchwarden.daemon.planning.jobs import Job, load_bench
from benchwarden.daemon.running.bay import Finished
from benchwarden.daemon.running.conductor import Ask
from benchwarden.daemon.running.progress import View
from benchwarden.daemon.safety import Heat
from benchwarden.daemon.serving.list_file import read_list
from benchwarden.daemon.serving.service import Service
from benchwarden.daemon.serving.waiting_list import Fate, Stand
from benchwarden.daemon.worker import run_one
from benchwarden.simulators.scenario import demo_bench
from benchwarden.simulators.start import SimulatedBench
from tests.test_bay_faults import HERON
from tests.virtual_bench import StandInGuardian

PLOVER = HERON.replace("Heron", "Plover")
REST = """
title = "Short rest"
[[step]]
do = "rest"
at_least = "20 s"
"""
DRAW = """
title = "Short draw"
[[step]]
do = "discharge"
power = "2C"
stop_at = { group_voltage = "discharge cut-off" }
"""
ASK = """
title = "Question"
[[step]]
do = "ask"
text = "Is the lid on?"
answers = ["yes", "no"]
"""
PROFILES = {"rest": REST, "draw": DRAW, "ask": ASK}


@dataclass
class Board:
    """What the service shows, kept."""

    views: dict[str, View] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    service: Service | None = None

    def show(self, bay: str, view: View) -> None:
        self.views[bay] = view
        if self.service:
            self.service.bays[bay].view = view

    def end(self, bay: str, how: str) -> None:
        self.views.pop(bay, None)

    def note(self, text: str) -> None:
        self.notes.append(text)

    def event(self, bay: str, run: str, event: Mapping[str, Any]) -> None:
        pass


class Told(Outside):
    """Keeps what people would be told: (bay, how, why, off confirmed) at once, and each list's end."""

    def __init__(self) -> None:
        super().__init__(None, print)
        self.at_once: list[tuple[str, str, str, bool]] = []
        self.lists: list[tuple[str, str, str, bool]] = []
        self.heats: list[Heat] = []

    def ended(self, bay: str, pack: str, how: str, why: str, *, off_confirmed: bool, heat: Heat = Heat.NO) -> None:
        self.at_once.append((bay, how, why, off_confirmed))

    def list_over(
        self,
        bay: str,
        pack: str,
        stand: str,
        why: str,
        state: Path,
        *,
        off_confirmed: bool,
        heat: Heat = Heat.NO,
    ) -> None:
        assert read_list(state, bay).stand.value == stand  # on disk before anybody is told to read it
        self.lists.append((bay, stand, why, off_confirmed))
        self.heats.append(heat)


@dataclass
class Serving:
    """A service on a simulated bench of two bays, and what a person has on disk beside it."""

    folder: Path
    service: Service
    simulated: SimulatedBench
    guardian: StandInGuardian
    board: Board
    over: list[Path]
    told: Told
    after_each: list[Callable[[Path], None]] = field(default_factory=list)

    async def ask(self, do: str, **more: Any) -> dict[str, Any]:
        return await self.service.handle({"do": do} | more)

    async def add(self, bay: str, pack: str, *profiles: str) -> dict[str, Any]:
        paths = [str(self.folder / f"{profile}.toml") for profile in profiles]
        return await self.ask("add", bay=bay, pack=str(self.folder / f"{pack}.toml"), profiles=paths)

    async def start(self, bay: str) -> dict[str, Any]:
        waiting = [test.number for test in self.service.bays[bay].list.waiting]
        return await self.ask("start", bay=bay, numbers=waiting)

    async def until(self, what: Callable[[], bool], seconds: float = 8000.0) -> None:
        for _ in range(int(seconds)):
            if what():
                return
            await asyncio.sleep(1.0)
        raise AssertionError(f"did not happen within {seconds} s: {self.board.notes[-8:]}")

    def stand(self, bay: str) -> Stand:
        return self.service.bays[bay].list.stand

    def fates(self, bay: str) -> list[Fate]:
        return [test.fate for test in self.service.bays[bay].list.tests]

    def drawing(self, bay: str) -> bool:
        return any(load.on for load in self.simulated.bays[bay].loads)

    def drew(self, bay: str) -> list[str]:
        """What the simulated bench itself saw switched in a bay."""
        return [what for _, what in self.simulated.journals()[bay] if what.endswith(" on")]


CarryOut = Callable[[Job, Ask], Awaitable[Finished]]


@asynccontextmanager
async def serving(
    folder: Path,
    *,
    soc: float = 0.5,
    ambient_c: float = 23.0,
    change: Callable[[CarryOut], CarryOut] = lambda carry_out: carry_out,
) -> AsyncIterator[Serving]:
    """Start a service over the demo's left and middle bays; `change` wraps how it runs a job."""
    state = folder / "state"
    state.mkdir(exist_ok=True)
    for name, text in ({"heron": HERON, "plover": PLOVER} | PROFILES).items():
        (folder / f"{name}.toml").write_text(text)
    scenario = [replace(bay, ambient_c=ambient_c) for bay in demo_bench()[:2]]
    async with SimulatedBench(scenario, soc=soc) as simulated:
        path = folder / "bench.toml"
        path.write_text(simulated.bench_toml())
        bench, guardian, board = load_bench(path), StandInGuardian(), Board()
        over: list[Path] = []
        told = Told()

        async def carry_out(job: Job, ask: Ask) -> Finished:
            return await run_one(bench, job, folder / "runs", guardian, board, ask)  # type: ignore[arg-type]

        def ended(run: Path) -> None:
            over.append(run)
            for do in one.after_each:
                do(run)

        service = Service(bench, path, folder / "runs", state, change(carry_out), board.note, ended, told)
        one = Serving(folder, service, simulated, guardian, board, over, told)
        board.service = service
        await service.begin()
        yield one
        await service.stop_everything("the test is over")
