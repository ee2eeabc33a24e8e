"""A hand-made pack for tests of plans and steps: straight open-circuit voltage, resistance, one slow pair, warmth."""

import math
from dataclasses import dataclass, field
from typing import Any

from benchwarden.profiles.bay import BayAbilities
from benchwarden.profiles.pack import Pack
from benchwarden.profiles.steps import (
    Decision,
    Draw,
    Feed,
    PlannedStep,
    Question,
    Seen,
    begin,
    decide,
)

HERON: dict[str, Any] = {
    "name": "Heron",
    "chemistry": "li-ion",
    "series": 6,
    "rated_capacity": "5.0 Ah",
    "mass": "452 g",
    "max_charge": "5 A",
    "max_discharge": "45 A",
    "max_burst": "90 A for 5 s",
}


def heron(**changes: Any) -> Pack:
    return Pack.model_validate({**HERON, **changes})


def left_bay(**changes: Any) -> BayAbilities:
    values: dict[str, Any] = {
        "name": "left",
        "has_supply": True,
        "charge": "supply",
        "load_max_current_a": 120.0,
        "load_max_power_w": 3000.0,
        "load_max_voltage_v": 150.0,
        "load_min_voltage_v": 1.5,
        "supply_max_voltage_v": 60.0,
        "supply_max_current_a": 20.0,
        "group_channels": 6,
        "temperature_places": ("middle", "joint", "ambient"),
        "has_ambient": True,
        "sense": "pack connector",
        "taps": "each",
        "cooling": "fan",
        "load_off_a": 0.06,
        "load_offset_a": 0.03,
        "supply_offset_a": 0.02,
        "supply_least_a": 0.04,
        **changes,
    }
    return BayAbilities(**values)


@dataclass
class PretendPack:
    """Groups with their own charge; the same current through all. Charge in Ah per group, 5 Ah is full."""

    charge_ah: list[float]
    low_v: float = 3.0
    high_v: float = 4.2
    capacity_ah: float = 5.0
    ohm: float = 0.003
    slow_ohm: float = 0.002
    slow_s: float = 30.0
    warm_k_per_joule: float = 0.002
    temperature_c: float = 23.0
    ambient_c: float = 23.0
    current_a: float = 0.0
    slow_a: float = 0.0

    def open_v(self, index: int) -> float:
        return self.low_v + (self.high_v - self.low_v) * self.charge_ah[index] / self.capacity_ah

    def group_v(self, index: int, current_a: float) -> float:
        return self.open_v(index) + current_a * self.ohm + self.slow_a * self.slow_ohm

    def groups_v(self) -> tuple[float, ...]:
        return tuple(self.group_v(n, self.current_a) for n in range(len(self.charge_ah)))

    def set(self, want: object) -> None:
        series = len(self.charge_ah)
        idle_v = sum(self.group_v(n, 0.0) for n in range(series))
        path_ohm = series * self.ohm
        match want:
            case Draw("current", level):
                self.current_a = -level
            case Draw("power", level):
                # I = (V - sqrt(V² - 4 R P)) / 2 R, the stable root of P = V I - R I².
                self.current_a = -(idle_v - math.sqrt(idle_v**2 - 4 * path_ohm * level)) / (2 * path_ohm)
            case Draw("resistance", level):
                self.current_a = -idle_v / (level + path_ohm)
            case Feed(voltage_v, current_a):
                self.current_a = min(current_a, max(0.0, (voltage_v - idle_v) / path_ohm))
            case _:
                self.current_a = 0.0

    def wait(self, seconds: float) -> None:
        for index in range(len(self.charge_ah)):
            self.charge_ah[index] += self.current_a * seconds / 3600
        self.slow_a += (self.current_a - self.slow_a) * (1 - math.exp(-seconds / self.slow_s))
        heat_j = self.current_a**2 * (self.ohm + self.slow_ohm) * len(self.charge_ah) * seconds
        self.temperature_c += heat_j * self.warm_k_per_joule
        self.temperature_c += (self.ambient_c - self.temperature_c) * (1 - math.exp(-seconds / 600))


@dataclass
class Played:
    """What happened while a step was played."""

    last: Decision
    time_s: float
    wants: list[object] = field(default_factory=list)
    phases: list[str] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)
    highest_v: float = 0.0
    lowest_v: float = 9.0
    charging_ah: float = 0.0
    discharging_ah: float = 0.0
    set_points: int = 0


def play(
    step: PlannedStep,
    pack: PretendPack,
    *,
    answers: dict[int, str] | None = None,
    since_full_ah: float | None = None,
    with_groups: bool = True,
    beats: int = 60_000,
) -> Played:
    """Execute a step on the pretend pack as the program would, until it has finished."""
    state: object = begin(step, since_full_ah)
    time_s, on_since_s, output = 0.0, 0.0, "off"
    charging_ah = discharging_ah = 0.0
    want: object = None
    played: Played | None = None
    asked = 0
    for _ in range(beats):
        pack.set(want)
        groups_v = pack.groups_v()
        answer = None
        if isinstance(want, Question):
            asked += 1
            answer = (answers or {}).get(asked)
        seen = Seen(
            time_s,
            sum(groups_v),
            pack.current_a,
            groups_v if with_groups else (),
            pack.temperature_c,
            pack.ambient_c,
            charging_ah,
            discharging_ah,
            output,
            None if output == "off" else time_s - on_since_s,
            answer,
        )
        decision = decide(step, state, seen)
        if played is None:
            played = Played(decision, 0.0)
        played.last, played.time_s = decision, time_s
        played.highest_v = max(played.highest_v, *groups_v)
        played.lowest_v = min(played.lowest_v, *groups_v)
        played.charging_ah, played.discharging_ah = charging_ah, discharging_ah
        played.flags += decision.flags
        if not played.phases or played.phases[-1] != decision.phase:
            # It becomes a field of a row of comma-separated text, which has no quotes.
            assert not set(decision.phase) & set(',"\r\n'), decision.phase
            played.phases.append(decision.phase)
        if decision.want != want:
            played.set_points += 1
            played.wants.append(decision.want)
        if decision.finished is not None:
            pack.set(None)
            return played
        state = decision.state
        new = {Draw: "load", Feed: "supply"}.get(type(decision.want), "off")
        want = decision.want
        if new != output:
            output, on_since_s = new, time_s
            if new != "off":
                continue  # a sample right after an output went on
        pack.set(want)
        pack.wait(decision.next_s)
        time_s += decision.next_s
        if pack.current_a > 0:
            charging_ah += pack.current_a * decision.next_s / 3600
        else:
            discharging_ah -= pack.current_a * decision.next_s / 3600
    raise AssertionError(f"not finished after {beats} beats: {played}")
