"""Starts a simulated bench: every instrument of a scenario on sockets and serial ports, or in memory.

The only file of the simulators that the program under test may import.
"""

import asyncio
import contextlib
import importlib.metadata
import re
import signal
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchwarden.simulators import bench_file
from benchwarden.simulators.clock import PacedLoop, VirtualLoop
from benchwarden.simulators.contactor import ContactorDevice
from benchwarden.simulators.endpoint import Endpoint
from benchwarden.simulators.load import Meters
from benchwarden.simulators.load_function import FunctionLoad
from benchwarden.simulators.load_mode import ModeLoad
from benchwarden.simulators.scanner import ScannerDevice
from benchwarden.simulators.scenario import BayScenario, InstrumentScenario, demo_bench
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.serve import serve_pty, serve_tcp
from benchwarden.simulators.supply import SupplyDevice
from benchwarden.simulators.thermometer import ProbesDevice, ThermistorDevice, ThermocoupleDevice, ThermometerDevice
from benchwarden.simulators.voltmeter import VoltmeterDevice
from benchwarden.simulators.wiring import Bay

__all__ = ["PacedLoop", "Placed", "SimulatedBench", "VirtualLoop", "is_simulated", "simulate"]

THERMOMETERS: dict[str, tuple[str, type[ProbesDevice]]] = {
    "thermometer": ("temperature", ThermometerDevice),
    "thermometer-voltage": ("voltage", ThermocoupleDevice),
    "thermometer-resistance": ("resistance", ThermistorDevice),
}
"""Kind of thermometer to what its meter measures, and its device."""


@dataclass(frozen=True, slots=True)
class Placed:
    """One instrument of a started bench: where it is wired, what it is, its device and its line's faults."""

    bay: str
    name: str
    instrument: InstrumentScenario
    endpoint: Endpoint


class SimulatedBench:
    """A bench of simulated instruments.

    `now` gives seconds; without it, the clock of the loop that runs. `soc` (0…1) overrides the packs' state
    of charge. Built at once and usable in memory; `start` also puts it onto sockets and serial ports. `bays`
    holds the wiring by bay, `instruments` every instrument by "bay/role"; loads in parallel are "bay/load 1"
    and so on. `addresses` has the same keys.
    """

    def __init__(
        self,
        scenario: Sequence[BayScenario] | None = None,
        *,
        now: Callable[[], float] | None = None,
        soc: float | None = None,
        single_session: bool = False,
    ) -> None:
        self.scenario = list(scenario) if scenario is not None else demo_bench()
        self.now = now or _loop_time
        self.single_session = single_session
        self.bays: dict[str, Bay] = {}
        self.instruments: dict[str, Placed] = {}
        self.addresses: dict[str, str] = {}
        self._lines = contextlib.AsyncExitStack()
        firmware = _firmware()
        start_s = self.now()
        for setting in self.scenario:
            bay = self.bays[setting.name] = setting.build(start_s=start_s, soc=soc)
            several = sum(item.role == "load" for item in setting.instruments) > 1
            for place, item in enumerate(setting.instruments):
                name = f"load {item.index + 1}" if item.role == "load" and several else item.role
                device = _device(setting, item, bay, firmware, self.now, setting.seed * 1000 + place * 10)
                self.instruments[f"{setting.name}/{name}"] = Placed(setting.name, name, item, Endpoint(device))
        self.addresses = {key: f"MEMORY::{key}" for key in self.instruments}

    async def start(self, host: str = "127.0.0.1", base_port: int = 0) -> None:
        """Serve every instrument, from `base_port` on, one port after the other; 0 takes free ports."""
        for number, (key, placed) in enumerate(self.instruments.items()):
            if placed.instrument.link == "serial":
                served = serve_pty(placed.endpoint)
            else:
                port = base_port + number if base_port else 0
                served = serve_tcp(placed.endpoint, host, port, single_session=self.single_session)
            self.addresses[key] = await self._lines.enter_async_context(served)

    async def stop(self) -> None:
        """Close every line; the bench is in memory again."""
        await self._lines.aclose()
        self.addresses = {key: f"MEMORY::{key}" for key in self.instruments}

    async def __aenter__(self) -> "SimulatedBench":
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop()

    def memory(self) -> Mapping[str, Callable[[str], str | None]]:
        """Return what answers at each address "MEMORY::<name>", by name."""
        return {key: placed.endpoint.handle for key, placed in self.instruments.items()}

    def journals(self) -> dict[str, list[tuple[float, str]]]:
        """Return, by bay, every change of an output with its time (s), up to this moment."""
        now_s = self.now()
        for bay in self.bays.values():
            bay.advance(now_s)
        return {name: bay.journal for name, bay in self.bays.items()}

    def bench_toml(self, *, name: str = "simulated boat shed", runs: str = "runs") -> str:
        """Return the bench file that fits the addresses of this moment."""
        return bench_file.bench_toml(self.scenario, self.addresses, name=name, runs=runs)


def _firmware() -> str:
    try:
        return importlib.metadata.version("benchwarden")
    except importlib.metadata.PackageNotFoundError:
        return "0"  # a checkout that is not installed; IEEE 488.2 10.14.3: 0 where a field is not known


def _loop_time() -> float:
    return asyncio.get_running_loop().time()


def _device(
    setting: BayScenario,
    item: InstrumentScenario,
    bay: Bay,
    firmware: str,
    now: Callable[[], float],
    seed: int,
) -> Device:
    voltage = item.meter("voltage", seed=seed + 1)
    current = item.meter("current", seed=seed + 2)
    meters = Meters(voltage, current)
    serial = item.serial
    if item.kind == "load-function":
        return FunctionLoad(
            bay, item.index, model="SIM-LOAD-F", serial=serial, firmware=firmware, now=now, meters=meters
        )
    if item.kind == "load-mode":
        return ModeLoad(bay, item.index, model="SIM-LOAD-M", serial=serial, firmware=firmware, now=now, meters=meters)
    if item.kind == "supply":
        return SupplyDevice(bay, serial=serial, firmware=firmware, now=now, meters=meters)
    if item.kind == "scanner":
        taps = {channel: (bay, place) for place, channel in enumerate(item.channels)}
        cumulative = setting.taps == "cumulative"
        return ScannerDevice(taps, serial=serial, firmware=firmware, now=now, cumulative=cumulative, meter=voltage)
    if item.kind in THERMOMETERS:
        probes = {channel: (bay, place) for channel, place in zip(item.channels, item.places, strict=True)}
        quantity, device = THERMOMETERS[item.kind]
        meter = item.meter(quantity, seed=seed + 3)
        return device(probes, serial=serial, firmware=firmware, now=now, meter=meter)
    if item.kind == "voltmeter":
        return VoltmeterDevice(bay, serial=serial, firmware=firmware, now=now, meter=voltage)
    if item.kind == "contactor":
        return ContactorDevice(bay, serial=serial, firmware=firmware, now=now)
    raise ValueError(
        f"bay {setting.name}, {item.role} {serial}: kind is {item.kind!r}; right is load-function, "
        f"load-mode, supply, scanner, {', '.join(THERMOMETERS)}, voltmeter or contactor"
    )


def simulate(
    bench_path: Path,
    *,
    soc: float | None = None,
    host: str = "127.0.0.1",
    base_port: int = 0,
    say: Callable[[str], None] = print,
    scenario: Sequence[BayScenario] | None = None,
) -> None:
    """Serve a simulated bench until interrupted, and write the bench file that reaches it to `bench_path`.

    `soc` is how full every pack begins, 0 to 1. `say` gets a line for every instrument.
    """
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(serve_forever(bench_path, soc=soc, host=host, base_port=base_port, say=say, scenario=scenario))


async def serve_forever(
    bench_path: Path,
    *,
    soc: float | None = None,
    host: str = "127.0.0.1",
    base_port: int = 0,
    say: Callable[[str], None] = print,
    scenario: Sequence[BayScenario] | None = None,
    stop: asyncio.Event | None = None,
) -> None:
    """Serve a simulated bench until cancelled, `stop` is set, or SIGTERM; see `simulate`."""
    stop = stop or asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    bench = SimulatedBench(scenario, soc=soc)
    await bench.start(host, base_port)
    try:
        _write(bench_path, bench.bench_toml())
        for key, address in bench.addresses.items():
            say(f"{key}: {address}")
        say(f"bench file: {bench_path}")
        await stop.wait()
    finally:
        asyncio.get_running_loop().remove_signal_handler(signal.SIGTERM)
        await bench.stop()


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")


def is_simulated(identity: str) -> bool:
    """Return whether an answer to *IDN? is that of an instrument of this simulated bench."""
    return re.fullmatch(r"BENCHWARDEN,SIM-[A-Z-]+,[^,]+,[^,]+", identity) is not None
