"""One bay as wired: a pack, its loads, its supply and its sensors on the same terminals.

Bay figures are TRUE values at the instrument's sense point, without noise; a device passes them through its
own `benchwarden.simulators.meter.Meter`. The order for a device that changes a set-point: `advance(now)`,
write the field, `touch(now)`. `on` and `tripped` are the bay's to write: `switch_load`, `switch_supply`,
`clear_load_trip`, `clear_supply_trip`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchwarden.simulators.circuit import balance, held, sense_drop_v
from benchwarden.simulators.pack import Pack, PackModel
from benchwarden.simulators.terminals import (
    MODES,
    OVER_CURRENT,
    OVER_POWER,
    SENSES,
    SUPPLY_OVER_CURRENT,
    SUPPLY_OVER_VOLTAGE,
    TIMER,
    UNDER_VOLTAGE,
    LoadState,
    SupplyState,
)

__all__ = [
    "OVER_CURRENT",
    "OVER_POWER",
    "SUPPLY_OVER_CURRENT",
    "SUPPLY_OVER_VOLTAGE",
    "TIMER",
    "UNDER_VOLTAGE",
    "Bay",
    "LoadState",
    "SupplyState",
    "Witness",
]

_TRIP_NAMES = {
    UNDER_VOLTAGE: "under-voltage",
    OVER_CURRENT: "over-current",
    OVER_POWER: "over-power",
    TIMER: "timer",
}
_SUPPLY_TRIP_NAMES = {SUPPLY_OVER_VOLTAGE: "over-voltage", SUPPLY_OVER_CURRENT: "over-current"}

STEP_S = 0.25  # longest sub-step while a current flows
REST_STEP_S = 5.0
_POWER_MARGIN = 1.05  # above its rated power a load protects itself, asked or not


@dataclass(slots=True)
class Witness:
    """What truly happened to the pack, for tests to compare with what was measured.

    Ah and Wh at the pack connector; the lowest and highest group voltage and the hottest core and joint (°C).
    """

    charged_ah: float = 0.0
    discharged_ah: float = 0.0
    charged_wh: float = 0.0
    discharged_wh: float = 0.0
    lowest_group_v: float = math.inf
    highest_group_v: float = -math.inf
    hottest_core_c: float = -math.inf
    hottest_joint_c: float = -math.inf


class Bay:
    """One pack with its loads, supply and sensors; moves on only when told the time.

    `journal` lists every output change and trip with its time (s): the witness that tests read. ValueError
    at a mode, sense or place that is not known. `contactor`: one lies between the pack and every instrument (the
    balance taps excepted), open until `hold_contactor`. `interrupt` opens the pack itself, as its protection board,
    a fuse or a clip that came off does.
    """

    def __init__(
        self,
        pack: PackModel,
        *,
        name: str = "bay",
        loads: Sequence[LoadState] = (),
        supply: SupplyState | None = None,
        ambient_c: float = 23.0,
        start_s: float = 0.0,
        contactor: bool = False,
    ) -> None:
        self.name = name
        self.pack = Pack(pack, ambient_c=ambient_c)
        self.loads = list(loads)
        self.supply = supply
        self.journal: list[tuple[float, str]] = []
        self.witness = Witness()
        self.now_s = start_s
        self.contactor_until_s: float | None = start_s if contactor else None
        self.contactor_is_open = contactor
        self.interrupted_until_s: float | None = None
        self._voltage_v = 0.0
        self._draw_a = 0.0  # out of the pack: positive discharges
        self._supply_a = 0.0
        self._loads_a = [0.0] * len(self.loads)
        self._groups_v: list[float] = []
        self._rest_step_s = min(REST_STEP_S, pack.thermal.longest_step_s)
        self._step_s = min(STEP_S, self._rest_step_s)
        self._check()
        self._settle()

    def advance(self, now_s: float) -> None:
        """Move on to a time of the caller's clock (s); a time that has passed already changes nothing."""
        while now_s > self.now_s:
            target = min(now_s, self._next_timer_s())
            left = target - self.now_s
            if left > 0.0:
                longest = self._step_s if self._draw_a or self._supply_a else self._rest_step_s
                h = left if left <= longest else left / math.ceil(left / longest - 1e-9)
                self._step(h)
                self.now_s = target if left <= longest else self.now_s + h
            self._settle()

    def touch(self, now_s: float) -> None:
        """Find the operating point anew after a set-point was written at this time (s)."""
        self.advance(now_s)
        self._check()
        self._settle()

    def switch_load(self, index: int, on: bool, now_s: float) -> bool:
        """Switch a load's input; False if a latched trip forbids it."""
        self.advance(now_s)
        load = self.loads[index]
        if on and load.tripped:
            return False
        if on != load.on:
            load.on = on
            load.on_since_s = self.now_s
            self._note(f"load {index + 1} {'on' if on else 'off'}")
            self._note_if_both()
            self._settle()
        return True

    def switch_supply(self, on: bool, now_s: float) -> bool:
        """Switch the supply's output; False if a latched trip forbids it or there is no supply."""
        self.advance(now_s)
        supply = self.supply
        if supply is None or (on and supply.tripped):
            return False
        if on != supply.on:
            supply.on = on
            self._note(f"supply {'on' if on else 'off'}")
            self._note_if_both()
            self._settle()
        return True

    def clear_load_trip(self, index: int, now_s: float) -> None:
        """Forget a load's latched trips; its input stays off."""
        self.advance(now_s)
        self.loads[index].tripped = 0

    def clear_supply_trip(self, now_s: float) -> None:
        """Forget the supply's latched trips; its output stays off."""
        self.advance(now_s)
        if self.supply is not None:
            self.supply.tripped = 0

    def hold_contactor(self, for_s: float, now_s: float) -> None:
        """Keep the contactor closed for so many seconds from now on; 0 opens it."""
        self.advance(now_s)
        if self.contactor_until_s is None:
            raise ValueError(f"bay {self.name}: found no contactor, right would be Bay(…, contactor=True)")
        self.contactor_until_s = now_s + for_s
        self._settle()

    def interrupt(self, for_s: float, now_s: float) -> None:
        """Cut the pack's current off for so many seconds from now on; infinity for good."""
        self.advance(now_s)
        self.interrupted_until_s = now_s + for_s
        self._note("pack interrupted")
        self._settle()

    def load_voltage_v(self, index: int) -> float:
        """Return the voltage that a load senses, in V."""
        load = self.loads[index]
        return self._voltage_v - sense_drop_v(load.lead_ohm, load.sense, self._loads_a[index])

    def load_current_a(self, index: int) -> float:
        """Return what a load draws, in A; positive draws (the load's own sign)."""
        return self._loads_a[index]

    def load_power_w(self, index: int) -> float:
        """Return what a load takes at its sense point, in W."""
        return self.load_voltage_v(index) * self._loads_a[index]

    def supply_voltage_v(self) -> float:
        """Return the voltage that the supply senses, in V; a switched-off output behind a diode senses 0."""
        supply = self.supply
        if supply is None:
            return 0.0
        if supply.sense == "pack connector":
            return self._voltage_v
        if supply.diode_drop_v > 0.0 and self._supply_a <= 0.0:
            return supply.voltage_v if supply.on else 0.0
        return self._voltage_v + self._supply_a * supply.lead_ohm + supply.diode_drop_v

    def supply_current_a(self) -> float:
        """Return what the supply gives, in A; positive into the pack, negative fed back."""
        return self._supply_a

    def pack_voltage_v(self) -> float:
        """Return the voltage at the pack connector, in V."""
        return self._voltage_v

    def pack_current_a(self) -> float:
        """Return the pack's current, in A; positive charges it."""
        return -self._draw_a

    def groups_v(self) -> list[float]:
        """Return the voltages between neighbouring balance taps, group 1 (negative end) first, in V."""
        return list(self._groups_v)

    def taps_v(self) -> list[float]:
        """Return the voltages of taps 1…n against the pack's negative tap, in V: sums of the groups."""
        total = 0.0
        taps = []
        for group_v in self.groups_v():
            total += group_v
            taps.append(total)
        return taps

    def temperature_c(self, place: str) -> float:
        """Return what a probe shows, in °C: "middle", "joint", "connector", "ambient", each with its lag.

        "surface" and "core" are the cells without a probe's lag. A probe on the middle cell sees its surface.
        """
        if place == "core":
            return self.pack.core_c
        if place == "surface":
            return self.pack.surface_c
        if place not in self.pack.probes_c:
            known = ", ".join([*self.pack.probes_c, "surface", "core"])
            raise ValueError(f"bay {self.name}: found no place {place!r} for a probe, right would be {known}")
        return self.pack.probes_c[place]

    def _step(self, h_s: float) -> None:
        draw_a = self._draw_a
        witness = self.witness
        if draw_a > 0.0:
            witness.discharged_ah += draw_a * h_s / 3600.0
            witness.discharged_wh += draw_a * self._voltage_v * h_s / 3600.0
        elif draw_a < 0.0:
            witness.charged_ah -= draw_a * h_s / 3600.0
            witness.charged_wh -= draw_a * self._voltage_v * h_s / 3600.0
        for index, load in enumerate(self.loads):
            if load.on:
                amperes, volts, drawn = self._loads_a[index], self.load_voltage_v(index), load.drawn
                drawn.charge_as += amperes * h_s
                drawn.energy_ws += amperes * volts * h_s
                drawn.volt_s += volts * h_s
                drawn.on_s += h_s
        pack = self.pack
        pack.step(draw_a, h_s)
        if pack.core_c > witness.hottest_core_c:
            witness.hottest_core_c = pack.core_c
        if pack.joint_c > witness.hottest_joint_c:
            witness.hottest_joint_c = pack.joint_c

    def _settle(self) -> None:
        """Find the operating point, let protections judge it, and find it again after each trip."""
        if self.contactor_until_s is not None and self.contactor_is_open is not (self.now_s >= self.contactor_until_s):
            self.contactor_is_open = not self.contactor_is_open
            self._note(f"contactor {'open' if self.contactor_is_open else 'closed'}")
        if self.interrupted_until_s is not None and self.now_s >= self.interrupted_until_s:
            self.interrupted_until_s = None
            self._note("pack connected again")
        self._solve()
        while self._judge():
            self._solve()
        witness = self.witness
        groups = self._groups_v = self.pack.group_voltages_v(self._draw_a)
        low, high = min(groups), max(groups)
        if low < witness.lowest_group_v:
            witness.lowest_group_v = low
        if high > witness.highest_group_v:
            witness.highest_group_v = high

    def _solve(self) -> None:
        emf, ohm, supply = self.pack.emf_v, self.pack.resistance_ohm, self.supply
        if self.contactor_is_open or self.interrupted_until_s is not None:  # the instruments see no pack
            self._voltage_v = supply.voltage_v if supply is not None and supply.on else 0.0
            self._loads_a = held(self._voltage_v, self.loads)
            self._supply_a, self._draw_a = sum(self._loads_a), 0.0
            return
        supply_a = 0.0
        if supply is None or not supply.on:
            if supply is not None and emf > 0.0:
                supply_a = -supply.bleed_a
            self._voltage_v, self._loads_a = balance(emf, ohm, self.loads, -supply_a)
        else:
            supply_a = self._feed(supply, emf, ohm)
        self._supply_a = supply_a
        self._draw_a = sum(self._loads_a) - supply_a

    def _feed(self, supply: SupplyState, emf: float, ohm: float) -> float:
        """Settle with the supply's output on; return what it gives (A)."""
        self._voltage_v, self._loads_a = balance(emf, ohm, self.loads)
        remote = supply.sense == "pack connector"
        target_v = supply.voltage_v if remote else supply.voltage_v - supply.diode_drop_v
        if self._voltage_v >= target_v:  # the pack stands above the set-point: nothing flows in
            if supply.bleed_a:
                self._voltage_v, self._loads_a = balance(emf, ohm, self.loads, supply.bleed_a)
            return -supply.bleed_a
        if remote or supply.lead_ohm == 0.0:
            self._voltage_v, self._loads_a = target_v, held(target_v, self.loads)
            given_a = sum(self._loads_a) + (target_v - emf) / max(ohm, 1e-9)
        else:
            siemens = 1.0 / supply.lead_ohm
            self._voltage_v, self._loads_a = balance(emf, ohm, self.loads, -target_v * siemens, siemens)
            given_a = (target_v - self._voltage_v) * siemens
        limit_a = min(supply.current_a, supply.max_current_a)
        if given_a > limit_a:
            self._voltage_v, self._loads_a = balance(emf, ohm, self.loads, -limit_a)
            return limit_a
        return given_a

    def _judge(self) -> bool:
        """Let each own protection see the operating point; True if one switched something off."""
        acted = False
        for k, load in enumerate(self.loads):
            if not load.on:
                continue
            current_a = self._loads_a[k]
            voltage_v = self.load_voltage_v(k)
            bits = 0
            if load.under_voltage_on and voltage_v < load.under_voltage_v:
                bits |= UNDER_VOLTAGE
            if load.over_current_on and current_a > load.over_current_a:
                bits |= OVER_CURRENT
            most_w = load.max_power_w * _POWER_MARGIN
            if load.over_power_on and load.over_power_w < most_w:
                most_w = load.over_power_w
            if current_a * voltage_v > most_w:
                bits |= OVER_POWER
            if load.timer_on and self.now_s - load.on_since_s >= load.timer_s - 1e-9:
                bits |= TIMER
            if bits:
                load.tripped |= bits
                load.on = False
                names = ", ".join(name for bit, name in _TRIP_NAMES.items() if bits & bit)
                self._note(f"load {k + 1} tripped: {names}")
                self._note(f"load {k + 1} off")
                acted = True
        supply = self.supply
        if supply is not None and supply.on:
            bits = 0
            if self._voltage_v > supply.over_voltage_v:
                bits |= SUPPLY_OVER_VOLTAGE
            if supply.over_current_on and self._supply_a > supply.over_current_a:
                bits |= SUPPLY_OVER_CURRENT
            if bits:
                supply.tripped |= bits
                supply.on = False
                names = ", ".join(name for bit, name in _SUPPLY_TRIP_NAMES.items() if bits & bit)
                self._note(f"supply tripped: {names}")
                self._note("supply off")
                acted = True
        return acted

    def _check(self) -> None:
        for k, load in enumerate(self.loads):
            if load.mode not in MODES:
                raise ValueError(
                    f"bay {self.name}, load {k + 1}: found mode {load.mode!r}, right would be one of {MODES}"
                )
        for item in (*self.loads, self.supply):
            if item is not None and item.sense not in SENSES:
                raise ValueError(f"bay {self.name}: found sense {item.sense!r}, right would be one of {SENSES}")

    def _next_timer_s(self) -> float:
        soonest = math.inf
        for load in self.loads:
            if load.on and load.timer_on:
                soonest = min(soonest, load.on_since_s + load.timer_s)
        if self.contactor_until_s is not None and self.contactor_until_s > self.now_s:
            soonest = min(soonest, self.contactor_until_s)
        if self.interrupted_until_s is not None and self.interrupted_until_s > self.now_s:
            soonest = min(soonest, self.interrupted_until_s)
        return max(soonest, self.now_s)

    def _note(self, what: str) -> None:
        self.journal.append((self.now_s, what))

    def _note_if_both(self) -> None:
        if self.supply is not None and self.supply.on and any(load.on for load in self.loads):
            self._note("load and supply on together")
