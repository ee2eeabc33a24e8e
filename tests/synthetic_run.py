"""A run folder made in closed form: a pack with a straight open-circuit line and one resistance per group.

Nothing here comes from the program under test except the words of its files.
"""

import json
import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from benchwarden.results.columns import header, row
from benchwarden.results.sample import Sample

STARTED_UNIX_S = 1795640651.0  # 2026-11-25T21:04:11Z
PLACES = ("middle", "joint", "ambient")


@dataclass
class Group:
    """Open circuit = full_v - slope_v_ah x charge drawn."""

    full_v: float = 4.2
    slope_v_ah: float = 0.2
    ohm: float = 0.02 / 6


@dataclass
class Writer:
    """Writes samples and events of a pack under loads that are solved exactly."""

    groups: list[Group] = field(default_factory=lambda: [Group() for _ in range(6)])
    noise_seed: int = 0
    samples: list[Sample] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    now_s: float = 0.0
    charge_c: float = 0.0
    discharging_wh: float = 0.0
    heat_k: float = 0.0
    step: int = 0
    kind: str = ""
    step_began_s: float = 0.0

    def event(self, name: str, **more: Any) -> None:
        self.events.append({"seq": len(self.events), "test_time_s": self.now_s, "utc": "x", "event": name, **more})

    def begin(self, kind: str) -> None:
        self.step += 1
        self.kind, self.step_began_s = kind, self.now_s
        self.event("step_began", step=self.step, type=kind, title=kind)

    def end(self, why: str, flags: list[str] | None = None) -> None:
        self.event("step_ended", step=self.step, why=why, flags=flags or [], state={})

    def open_v(self) -> list[float]:
        return [group.full_v - group.slope_v_ah * self.charge_c / 3600 for group in self.groups]

    def amperes(self, power_w: float | None, current_a: float | None) -> float:
        if current_a is not None:
            return current_a
        assert power_w is not None
        voltage, ohm = sum(self.open_v()), sum(group.ohm for group in self.groups)
        # Constant power on an ideal source: I = (E - sqrt(E^2 - 4PR)) / 2R, the root with the higher voltage.
        return (voltage - math.sqrt(voltage**2 - 4 * power_w * ohm)) / (2 * ohm)

    def put(self, amperes: float, output: str, phase: str) -> Sample:
        groups = tuple(v - amperes * g.ohm for v, g in zip(self.open_v(), self.groups, strict=True))
        sample = Sample(
            sequence=len(self.samples),
            test_time_s=self.now_s,
            unix_time_s=STARTED_UNIX_S + self.now_s,
            step_count=self.step,
            step_type=self.kind,
            step_time_s=self.now_s - self.step_began_s,
            phase=phase,
            output=output,
            voltage_v=sum(groups),
            current_a=0.0 if amperes == 0 else -amperes,
            groups_v=groups,
            temperatures_c=(23.0 + self.heat_k, 22.5 + 0.8 * self.heat_k, 23.0),
            charging_ah=0.0,
            discharging_ah=self.charge_c / 3600,
            charging_wh=0.0,
            discharging_wh=self.discharging_wh,
            groups_age_s=0.2 if output == "off" else 0.1,
            temperatures_age_s=0.5,
        )
        self.samples.append(sample)
        return sample

    def rest(self, seconds: float, every_s: float = 1.0, phase: str = "rest") -> None:
        for _ in range(round(seconds / every_s)):
            self.put(0.0, "off", phase)
            self.now_s += every_s
            self.heat_k *= math.exp(-every_s / 600)

    def draw(
        self,
        *,
        power_w: float | None = None,
        current_a: float | None = None,
        cut_off_v: float = 0.0,
        pack_cut_off_v: float = 0.0,
        at_most_s: float = 1e9,
        every_s: float = 1.0,
        phase: str = "draw",
        substeps: int = 5,
        kelvin_per_a2s: float = 0.0,
    ) -> Sample:
        """Draw until a voltage or the time is reached; the last sample stands at that moment."""
        left_s = at_most_s
        while True:
            now = self.put(self.amperes(power_w, current_a), "load", phase)
            assert now.voltage_v is not None
            lowest = min(value for value in now.groups_v if value is not None)
            if lowest <= cut_off_v or now.voltage_v <= pack_cut_off_v or left_s <= 1e-9:
                return now
            for _ in range(substeps):
                tick_s = min(every_s, left_s) / substeps
                start, first = self.charge_c, self.amperes(power_w, current_a)
                self.charge_c += first * tick_s / 2
                middle = self.amperes(power_w, current_a)  # midpoint rule
                self.charge_c = start + middle * tick_s
                drawn_v = sum(self.open_v()) - middle * sum(group.ohm for group in self.groups)
                self.discharging_wh += middle * drawn_v * tick_s / 3600
                self.heat_k += kelvin_per_a2s * middle**2 * tick_s
                self.now_s += tick_s
            left_s -= min(every_s, left_s)

    def info(self, name: str = "Heron", **more: Any) -> dict[str, Any]:
        return {
            "benchwarden": "0.1.0",
            "format": 1,
            "bench": "boat shed",
            "bay": "left",
            "pack": {"name": name, "chemistry": "li-ion"},
            "profile": {"title": "Constant-power capacity"},
            "plan": {"steps": []},
            "fingerprint": "1-0123456789abcdef",
            "fingerprint_parts": {},
            "instruments": {},
            "limits": {},
            "series": len(self.groups),
            "rated_capacity_ah": 5.0,
            "mass_kg": 0.452,
            "nominal_v": 21.6,
            "places": list(PLACES),
            "started_utc": "2026-11-25T21:04:11Z",
            "cooling": "still air",
            "sense": "pack connector",
            **more,
        }

    def finish(self, folder: Path, info: dict[str, Any] | None = None, how: str | None = "finished") -> Path:
        if how is not None:
            self.event("ended", how=how, why="plan done", off_confirmed=True)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "run.json").write_text(json.dumps(self.info() if info is None else info))
        text = header(len(self.groups), PLACES) + "".join(row(sample) for sample in self.samples)
        (folder / "samples-001.csv").write_text(text)
        (folder / "events.jsonl").write_text("".join(json.dumps(event) + "\n" for event in self.events))
        return folder


def discharge_run(power_w: float = 300.0, cut_off_v: float = 3.2, every_s: float = 1.0, **group: Any) -> Writer:
    """Rest, constant-power discharge of six like groups, rest."""
    writer = Writer([replace(Group(), **group) for _ in range(6)])
    writer.begin("rest")
    writer.rest(10)
    writer.end("rested 10 s")
    writer.begin("discharge")
    writer.put(0.0, "off", "draw")
    writer.now_s += 0.1
    last = writer.draw(power_w=power_w, cut_off_v=cut_off_v, every_s=every_s, kelvin_per_a2s=2e-4)
    lowest = min(value for value in last.groups_v if value is not None)
    writer.now_s += 0.1
    writer.put(0.0, "off", "draw")
    writer.now_s += 0.9
    writer.end(f"lowest group 1 at {lowest:.3f} V, cut-off {cut_off_v:.3f} V")
    writer.begin("rest")
    writer.rest(1900)
    writer.end("rested")
    return writer


def ladder_steps(
    writer: Writer, first_c: int, last_c: int, floor_v: float, hold_s: float = 5.0, rated_ah: float = 5.0
) -> None:
    """Add a ladder of constant-current bursts in 1C steps, 120 s of rest between; ends at the floor."""
    writer.begin("ladder")
    writer.put(0.0, "off", "rest 0")
    writer.now_s += 0.1
    for number, rate in enumerate(range(first_c, last_c + 1), start=1):
        amperes = rate * rated_ah
        last = writer.draw(
            current_a=amperes,
            cut_off_v=floor_v,
            at_most_s=hold_s,
            every_s=0.1,
            phase=f"burst {number}: {amperes:.1f} A",
            substeps=1,
            kelvin_per_a2s=2e-4,
        )
        lowest = min(value for value in last.groups_v if value is not None)
        writer.now_s += 0.1
        if lowest <= floor_v:
            writer.put(0.0, "off", f"rest {number}")
            writer.end(f"lowest group 1 at {lowest:.3f} V, floor {floor_v:.3f} V")
            break
        writer.rest(120, phase=f"rest {number}")
    else:
        writer.end("last planned burst held: the plan is bounded by max_burst")
    writer.begin("rest")
    writer.rest(60)
    writer.end("rested")


def ladder_plan(count: int, floor_v: float, hold_s: float = 5.0) -> dict[str, Any]:
    return {"steps": [{"number": count, "kind": "ladder", "hold_s": hold_s, "floor_v": floor_v}]}
