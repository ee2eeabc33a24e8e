"""The instruments of one bay, built from its entries in the bench file."""

from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchwarden.daemon.bench import BayEntry, Instrument, threshold_a
from benchwarden.daemon.guard.guardian_link import off_entry
from benchwarden.daemon.running.eyes import Trip, Watched
from benchwarden.drivers.errors import InstrumentError
from benchwarden.drivers.fitting import Wire
from benchwarden.drivers.off_plan import OffPlan
from benchwarden.drivers.parallel import ParallelLoad
from benchwarden.drivers.reply import Identity
from benchwarden.drivers.roles import Cells, Load, Supply, Thermometer, Voltmeter

Memory = Mapping[str, Callable[[str], str | None]]


def map_path(entry: Instrument, folder: Path) -> str | Path:
    """Return what names an instrument's command map: a shipped one's name, or a path from the bench file's folder."""
    return folder / entry.map if entry.map.endswith(".toml") else entry.map


class Instruments:
    """Every role of one bay. Building connects to nothing; raises ValueError where map or address are wrong.

    `memory` holds what answers at "MEMORY::<name>" addresses: the test seam. A map that is a file is looked for
    from `folder`, where the bench file lies.
    """

    def __init__(self, entry: BayEntry, memory: Memory | None = None, folder: Path = Path()) -> None:
        self._entry = entry
        self._folder = folder
        self._memory = memory
        loads = [self._wire(load).load(f"{entry.name} {name}") for name, load in self._loads()]
        self._single_loads: list[Load] = loads
        self.load: Load | ParallelLoad = (
            loads[0]
            if len(loads) == 1
            else ParallelLoad(loads, [load.limits.current_a for load in entry.loads], who=f"{entry.name} loads")
        )
        self.supply: Supply | None = self._wire(entry.supply).supply(f"{entry.name} supply") if entry.supply else None
        self.cells: Cells | None = (
            self._wire(entry.cells).cells(f"{entry.name} cells", entry.cells.channels, entry.taps)
            if entry.cells
            else None
        )
        self.thermometer: Thermometer | None = (
            self._wire(entry.temperature).thermometer(
                f"{entry.name} temperature",
                entry.temperature.sensors,
                entry.temperature.probe.probe() if entry.temperature.probe else None,
            )
            if entry.temperature
            else None
        )
        self.voltmeter: Voltmeter | None = (
            self._wire(entry.voltmeter).voltmeter(f"{entry.name} voltmeter") if entry.voltmeter else None
        )
        self.watched: dict[str, Watched] = self._watch()

    def _loads(self) -> list[tuple[str, Instrument]]:
        return [(name, entry) for name, entry in self._entry.entries.items() if name.startswith("load")]

    def _wire(self, entry: Instrument) -> Wire:
        return Wire(
            entry.at,
            map_path(entry, self._folder),
            via=entry.via,
            backend=entry.visa_library,
            baud=entry.baud,
            timeout_s=entry.timeout_s,
            memory=self._memory,
        )

    def _by_name(self) -> dict[str, Load | Supply | Cells | Thermometer | Voltmeter]:
        found: dict[str, Load | Supply | Cells | Thermometer | Voltmeter] = {}
        for (name, _), load in zip(self._loads(), self._single_loads, strict=True):
            found[name] = load
        for name, role in (
            ("supply", self.supply),
            ("cells", self.cells),
            ("temperature", self.thermometer),
            ("voltmeter", self.voltmeter),
        ):
            if role is not None:
                found[name] = role
        return found

    def _watch(self) -> dict[str, Watched]:
        entry = self._entry
        found = {"load": self._watched(self.load, entry.loads[0], ("voltage_v", "current_a"))}
        if self.supply and entry.supply:
            found["supply"] = self._watched(self.supply, entry.supply, ("voltage_v", "current_a"))
        if self.cells and entry.cells:
            names = tuple(f"group_{number}_v" for number in range(1, entry.abilities().group_channels + 1))
            found["cells"] = self._watched(self.cells, entry.cells, names)
        if self.thermometer and entry.temperature:
            names = tuple(f"{place}_c" for place in entry.places)
            found["temperature"] = self._watched(self.thermometer, entry.temperature, names)
        if self.voltmeter and entry.voltmeter:
            found["voltmeter"] = self._watched(self.voltmeter, entry.voltmeter, ("voltage_v",))
        return found

    @staticmethod
    def _watched(role: Any, entry: Instrument, quantities: tuple[str, ...]) -> Watched:
        burst_every_s = getattr(entry, "burst_every_s", None) or entry.every_s
        return Watched(role, entry.every_s, entry.stale_after_s, quantities, min(burst_every_s, entry.every_s))

    @property
    def outputs(self) -> dict[str, Load | Supply]:
        """Every load and supply by name, loads in parallel one by one."""
        return {name: role for name, role in self._by_name().items() if isinstance(role, Load | Supply)}

    async def open(self) -> None:
        """Connect to every instrument and learn its identity; raises InstrumentError."""
        for role in self._by_name().values():
            await role.open()

    async def let_go(self) -> None:
        """Close the connections to loads and supply; the next exchange, or `open`, makes them again."""
        for output in self.outputs.values():
            await output.close()

    async def close(self) -> None:
        """Close every connection; never raises for what an instrument does."""
        for role in self._by_name().values():
            await role.close()

    def identities_by_role(self) -> dict[str, Identity]:
        """Return who answered at each address; only after `open`."""
        return {name: role.identity for name, role in self._by_name().items()}

    def identities(self) -> dict[str, dict[str, str] | None]:
        """Return the same as JSON data; None for an instrument that has not answered yet."""
        found: dict[str, dict[str, str] | None] = {}
        for name, role in self._by_name().items():
            try:
                found[name] = asdict(role.identity)
            except InstrumentError:
                found[name] = None
        return found

    def off_plans(self) -> list[tuple[OffPlan, float]]:
        """Return how a separate process switches each load and supply off, with its off threshold in amperes.

        Raises Trip if one of them cannot be reached without a driver.
        """
        plans, unreachable = self.off_plans_and_rest()
        # What is in memory ends with this process, so there is nothing that a guardian could reach.
        if unreachable and self._memory is None:
            raise Trip(f"{'; '.join(unreachable)}; nothing goes on that the guardian could not switch off")
        return plans

    def off_entries(self) -> list[dict[str, object]]:
        """Return what the guardian needs of each load and supply, identity included; only after `open`.

        Raises Trip if one of them cannot be reached without a driver.
        """
        known = {output.who: output.identity for output in self.outputs.values()}
        return [
            off_entry(plan, threshold, (known[plan.name].maker, known[plan.name].model, known[plan.name].serial))
            for plan, threshold in self.off_plans()
        ]

    def off_plans_and_rest(self) -> tuple[list[tuple[OffPlan, float]], list[str]]:
        """Return the same, and in words each load and supply that cannot be reached without a driver."""
        found: list[tuple[OffPlan, float]] = []
        unreachable: list[str] = []
        entries = self._entry.entries
        for name, role in self._by_name().items():
            if not isinstance(role, Load | Supply):
                continue
            plans = role.off_plans()
            if not plans:
                unreachable.append(
                    f"{role.who} at {entries[name].at}: the guardian reaches TCPIP…::SOCKET and ASRL…::INSTR "
                    "addresses only"
                )
            found += [(plan, threshold_a(entries[name])) for plan in plans]
        return found, unreachable
