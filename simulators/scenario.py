"""The demo bench of a coastal bird survey: three bays with their instruments, as data.

What stands here is the truth behind the simulated instruments; the program under test never reads it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchwarden.simulators.demo_packs import at_soc, heron, plover, tern
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.pack import PackModel
from benchwarden.simulators.wiring import Bay, LoadState, SupplyState

__all__ = [
    "BayScenario",
    "InstrumentScenario",
    "at_soc",
    "demo_bench",
    "heron",
    "plover",
    "simple",
    "tern",
]


@dataclass(frozen=True, slots=True)
class InstrumentScenario:
    """One simulated instrument as data.

    `kind` is "load-function", "load-mode", "supply", "scanner", "thermometer", "thermometer-voltage" (type K),
    "thermometer-resistance" (NTC), "voltmeter" or "contactor"; `role` what it does in the bay. `index` is its place in
    `Bay.loads` (loads only). `link` is "tcp" or "serial". `channels` of a scanner are group 1 … n in order; of a
    thermometer they belong to `places`. Ratings in A, W, V. `meters` maps "voltage", "current", "temperature" or
    "resistance" to (gain, offset, noise, resolution) in the reading's unit.
    """

    kind: str
    role: str
    serial: str
    index: int = 0
    link: str = "tcp"
    channels: tuple[int, ...] = ()
    places: tuple[str, ...] = ()
    max_current_a: float = 0.0
    max_power_w: float = 0.0
    max_voltage_v: float = 0.0
    min_voltage_v: float = 0.0
    lead_ohm: float = 0.0
    diode_drop_v: float = 0.0
    bleed_a: float = 0.0
    meters: tuple[tuple[str, tuple[float, float, float, float]], ...] = ()

    def meter(self, quantity: str, *, seed: int = 0) -> Meter:
        """Return a fresh meter for a quantity; an ideal one where the data names none."""
        for name, (gain, offset, noise, resolution) in self.meters:
            if name == quantity:
                return Meter(gain=gain, offset=offset, noise=noise, resolution=resolution, seed=seed)
        return Meter()


@dataclass(frozen=True, slots=True)
class BayScenario:
    """One simulated bay as data: the pack on it, its instruments, its surroundings (°C)."""

    name: str
    pack: PackModel
    instruments: tuple[InstrumentScenario, ...]
    taps: str = "each"
    cooling: str = "fan"
    sense: str = "pack connector"
    ambient_c: float = 23.0
    seed: int = 1

    def build(self, *, start_s: float = 0.0, soc: float | None = None) -> Bay:
        """Return the bay at a time of its caller's clock (s), every group at `soc` (0…1) if one is given."""
        pack = self.pack if soc is None else at_soc(self.pack, soc)
        loads = [
            LoadState(
                limit_a=item.max_current_a,
                max_current_a=item.max_current_a,
                max_power_w=item.max_power_w,
                max_voltage_v=item.max_voltage_v,
                min_voltage_v=item.min_voltage_v,
                lead_ohm=item.lead_ohm,
                sense=self.sense,
            )
            for item in sorted((item for item in self.instruments if item.role == "load"), key=lambda item: item.index)
        ]
        supply = None
        for item in self.instruments:
            if item.role == "supply":
                supply = SupplyState(
                    max_voltage_v=item.max_voltage_v,
                    max_current_a=item.max_current_a,
                    over_voltage_v=item.max_voltage_v * 1.1,
                    over_current_a=item.max_current_a * 1.1,
                    diode_drop_v=item.diode_drop_v,
                    bleed_a=item.bleed_a,
                    lead_ohm=item.lead_ohm,
                    sense=self.sense,
                )
        return Bay(
            pack,
            name=self.name,
            loads=loads,
            supply=supply,
            ambient_c=self.ambient_c,
            start_s=start_s,
            contactor=any(item.role == "contactor" for item in self.instruments),
        )

    def with_contactor(self) -> "BayScenario":
        """Return the same bay with a contactor between the pack and every instrument."""
        contactor = InstrumentScenario(kind="contactor", role="contactor", serial=f"C-{self.name}-1")
        return replace(self, instruments=(*self.instruments, contactor))

    def with_thermometer(self, kind: str) -> "BayScenario":
        """Return the same bay with another kind of thermometer on its probes' places."""
        return replace(
            self,
            instruments=tuple(
                replace(item, kind=kind, meters=_PROBE_METERS[kind]) if item.role == "temperature" else item
                for item in self.instruments
            ),
        )


_PROBE_METERS: dict[str, tuple[tuple[str, tuple[float, float, float, float]], ...]] = {
    "thermometer": (("temperature", (0.0, 0.1, 0.02, 0.01)),),
    # 4 µV are 0.1 K of type K; of the thermistor 0.05 % are 0.01 K at 25 °C.
    "thermometer-voltage": (("voltage", (1e-4, 4e-6, 8e-7, 1e-7)),),
    "thermometer-resistance": (("resistance", (5e-4, 0.2, 0.5, 0.1)),),
}


def _load(kind: str, serial: str, index: int = 0, *, seed: int = 0, max_power_w: float = 1500.0) -> InstrumentScenario:
    # 0.05 % + 0.02 % of 150 V and 0.1 % + 0.05 % of 120 A are the accuracies; a meter sits well inside them.
    gain = (-1.0 if seed % 2 else 1.0) * 1.5e-4
    return InstrumentScenario(
        kind=kind,
        role="load",
        serial=serial,
        index=index,
        max_current_a=120.0,
        max_power_w=max_power_w,
        max_voltage_v=150.0,
        min_voltage_v=1.5,
        lead_ohm=0.0035,
        meters=(("voltage", (gain, 2e-3, 5e-4, 1e-3)), ("current", (2.0 * gain, 4e-3, 2e-3, 1e-3))),
    )


def _supply(serial: str) -> InstrumentScenario:
    return InstrumentScenario(
        kind="supply",
        role="supply",
        serial=serial,
        max_current_a=20.0,
        max_voltage_v=60.0,
        max_power_w=600.0,
        lead_ohm=0.006,
        meters=(("voltage", (1e-4, -2e-3, 5e-4, 1e-3)), ("current", (3e-4, 2e-3, 1e-3, 1e-3))),
    )


def _scanner(serial: str, *, link: str = "tcp") -> InstrumentScenario:
    return InstrumentScenario(
        kind="scanner",
        role="cells",
        serial=serial,
        link=link,
        channels=tuple(range(101, 107)),
        max_voltage_v=60.0,
        meters=(("voltage", (5e-5, 1e-4, 5e-5, 1e-4)),),
    )


def _thermometer(serial: str) -> InstrumentScenario:
    return InstrumentScenario(
        kind="thermometer",
        role="temperature",
        serial=serial,
        channels=(1, 2, 3),
        places=("middle", "joint", "ambient"),
        meters=_PROBE_METERS["thermometer"],
    )


def _voltmeter(serial: str) -> InstrumentScenario:
    return InstrumentScenario(
        kind="voltmeter",
        role="voltmeter",
        serial=serial,
        max_voltage_v=100.0,
        meters=(("voltage", (2e-5, 5e-4, 1e-4, 1e-4)),),
    )


def demo_bench() -> list[BayScenario]:
    """Return the three bays of the demo: left (Heron), middle (Plover), right (Tern, two loads in parallel).

    Two dialects of load; the scanner of the left bay is on a serial port, everything else on TCP; only the
    left bay has an independent voltmeter.
    """
    return [
        BayScenario(
            name="left",
            pack=heron(),
            instruments=(
                _load("load-function", "L-left-1", seed=1, max_power_w=3000.0),
                _supply("P-left-1"),
                _scanner("S-left-1", link="serial"),
                _thermometer("T-left-1"),
                _voltmeter("V-left-1"),
            ),
            seed=11,
        ),
        BayScenario(
            name="middle",
            pack=plover(),
            instruments=(
                _load("load-mode", "L-middle-1", seed=2, max_power_w=3000.0),
                _supply("P-middle-1"),
                _scanner("S-middle-1"),
                _thermometer("T-middle-1"),
            ),
            seed=12,
        ),
        BayScenario(
            name="right",
            pack=tern(),
            instruments=(
                _load("load-function", "L-right-1", 0, seed=3),
                _load("load-function", "L-right-2", 1, seed=4),
                _supply("P-right-1"),
                _scanner("S-right-1"),
                _thermometer("T-right-1"),
            ),
            seed=13,
        ),
    ]


def simple(
    pack: PackModel,
    *,
    name: str = "test",
    loads: Sequence[LoadState] | None = None,
    supply: SupplyState | None = None,
    ambient_c: float = 23.0,
    start_s: float = 0.0,
) -> Bay:
    """Return one bay for tests: a pack with one load (or the given ones) and a supply, ideal wiring."""
    return Bay(
        pack,
        name=name,
        loads=[LoadState()] if loads is None else loads,
        supply=SupplyState() if supply is None else supply,
        ambient_c=ambient_c,
        start_s=start_s,
    )
