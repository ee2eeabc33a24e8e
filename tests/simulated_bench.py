"""A run in closed form as one bench with errors of its own would read it: pure arithmetic, fast enough for a thousand.

The pack gives a constant 20 A (the load holds its set-point by a perfect meter of its own) on a voltage that falls
along a straight line. Every error is drawn from its stated limits, evenly.
"""

import math
import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchwarden.results.run import Run, info_from
from benchwarden.results.sample import Sample
from benchwarden.results.series import Series

AMPERES, FULL_V, SAGGED_V, FALL_V_S, OHM, KG = 20.0, 25.2, 0.4, 0.02, 0.02, 0.452


@dataclass(frozen=True)
class Limits:
    """Largest errors: shares of the reading, and volts, amperes, kelvins, kilograms."""

    gain_v: float = 0.0005
    offset_v: float = 0.0113
    gain_a: float = 0.0005
    offset_a: float = 0.010
    offset_k: float = 0.5
    mass_kg: float = 0.0002
    gain_cell: float = 0.0002
    offset_cell: float = 0.001
    clock: float = 1e-4

    def accuracy(self) -> dict[str, dict[str, Any]]:
        return {
            "voltage": {"of_reading": self.gain_v, "absolute": self.offset_v, "unit": "V"},
            "current": {"of_reading": self.gain_a, "absolute": self.offset_a, "unit": "A"},
        }


@dataclass(frozen=True)
class Errors:
    """What one bench is wrong by, as shares and volts, amperes, kelvins; a gain and an offset for each channel."""

    gain_v: float
    offset_v: float
    gain_a: float
    offset_a: float
    clock: float
    kelvin: tuple[float, float]
    channels: tuple[tuple[float, float], ...] = ()


def bench_errors(chance: random.Random, limits: Limits, channels: str = "none") -> Errors:
    """Draw a bench's errors evenly from its limits; `channels`: "none", "own" errors for each, or all "alike"."""
    names = (limits.gain_v, limits.offset_v, limits.gain_a, limits.offset_a, limits.clock)
    gain_v, offset_v, gain_a, offset_a, clock = (chance.uniform(-a, a) for a in names)
    kelvin = (chance.uniform(-limits.offset_k, limits.offset_k), chance.uniform(-limits.offset_k, limits.offset_k))
    pairs = [
        (chance.uniform(-limits.gain_cell, limits.gain_cell), chance.uniform(-limits.offset_cell, limits.offset_cell))
        for _ in range({"none": 0, "own": 6, "alike": 1}[channels])
    ]
    return Errors(gain_v, offset_v, gain_a, offset_a, clock, kelvin, tuple(pairs * (6 if channels == "alike" else 1)))


@dataclass(frozen=True)
class Pack:
    """The pack in the bay: its voltage at rest, its name, and how far its groups lie from their mean, in V."""

    full_v: float = FULL_V
    name: str = "Heron"
    apart_v: tuple[float, ...] = (0.030, 0.010, 0.0, -0.005, -0.015, -0.020)


HERON = Pack()


def energy_wh(full_v: float, on_s: float, before_s: float) -> float:
    """Return the energy of so many seconds, of which `before_s` lie before the first sample."""
    return AMPERES * ((full_v - SAGGED_V) * on_s - FALL_V_S * (on_s - before_s) ** 2 / 2.0) / 3600.0


def bench_run(
    chance: random.Random,
    limits: Limits,
    period_s: float = 0.5,
    count: int = 400,
    errors: Errors | None = None,
    pack: Pack = HERON,
) -> tuple[Run, dict[str, float]]:
    """Return a run as a random bench reads it, or as one with these errors does, and the truth of its figures."""
    errors = bench_errors(chance, limits) if errors is None else errors
    before_s, late_s = chance.uniform(0.0, 0.01), chance.uniform(0.0, period_s)
    at = np.concatenate((-np.arange(10, 0, -1) * 1.0 - 0.01 + 1.0, period_s * np.arange(count), [period_s * count]))
    load = np.zeros(len(at), dtype=bool)
    load[10 : 10 + count] = True
    true_a = np.where(load, -AMPERES, 0.0)
    flowed_s = np.clip(at, 0.0, period_s * (count - 1))
    true_v = pack.full_v - np.where(load, SAGGED_V, 0.0) - FALL_V_S * flowed_s
    # What a bench reads is what there is, less its error: its limits are of the reading.
    read_v, read_a = (
        (true_v - errors.offset_v) / (1.0 + errors.gain_v),
        (true_a + errors.offset_a) / (1.0 + errors.gain_a),
    )
    true_groups = true_v[:, None] / 6.0 + np.array(pack.apart_v)
    read_groups = np.empty((len(at), len(errors.channels)))
    for number, (gain, offset) in enumerate(errors.channels):
        read_groups[:, number] = (true_groups[:, number] - offset) / (1.0 + gain)
    on_s = period_s * (count - 1) - late_s + before_s
    energy = energy_wh(pack.full_v, on_s, before_s)
    warm = np.where(at < period_s * (count - 1), 23.0 + errors.kelvin[0], 61.0 + errors.kelvin[1])
    rows = len(at)
    codes = np.where(load, 1, 0)
    zero = np.zeros(rows)
    samples = Series(
        sequence=np.arange(1, rows + 1),
        step_count=np.where(np.arange(rows) < 9, 1, 2),
        test_time_s=(at + 10.0) / (1.0 + errors.clock),
        unix_time_s=at,
        step_time_s=at,
        voltage_v=read_v,
        current_a=read_a,
        charging_ah=zero,
        discharging_ah=zero,
        charging_wh=zero,
        discharging_wh=zero,
        groups_age_s=zero if errors.channels else np.full(rows, np.nan),
        temperatures_age_s=zero,
        groups_v=read_groups,
        temperatures_c=warm.reshape(rows, 1),
        step_type=np.where(np.arange(rows) < 9, 2, 3),
        phase=np.full(rows, 2),
        output=codes,
        words=("off", "load", "rest", "discharge"),
    )
    cells = {"voltage": {"of_reading": limits.gain_cell, "absolute": limits.offset_cell, "unit": "V"}}
    info = info_from(
        {
            "bench": "boat shed",
            "bay": "left",
            "pack": {"name": pack.name, "mass_accuracy": limits.mass_kg},
            "instruments": {
                "load": {"accuracy": limits.accuracy(), "identity": {"maker": "-", "model": "-", "serial": "7"}},
                "cells": {"accuracy": cells, "identity": {"maker": "-", "model": "-", "serial": "8"}},
                "temperature": {
                    "accuracy": {"temperature": {"of_reading": 0, "absolute": limits.offset_k, "unit": "K"}}
                },
            },
            "mass_kg": KG + chance.uniform(-limits.mass_kg, limits.mass_kg),
            "places": ["middle"],
            "series": 6,
        },
        [],
    )
    events = [
        {"event": "step_began", "step": 2},
        {"event": "step_ended", "step": 2, "ended_by": "cut-off", "why": "lowest group at its cut-off"},
    ]
    truth = {
        "delivered_ah": AMPERES * on_s / 3600.0,
        "delivered_wh": energy,
        "mean_voltage_v": 3600.0 * energy / (AMPERES * on_s),
        "energy_per_mass_wh_kg": energy / KG,
        "rest_before_v": pack.full_v,
        "dc_resistance_ohm": OHM,
        "temperature_rise_k": 38.0,
        "discharge_power_w": 3600.0 * energy / on_s,
        "discharge_time_s": on_s,
        "sag_50_v": pack.full_v - SAGGED_V - FALL_V_S * (on_s / 2.0 - before_s),
    }
    if errors.channels:
        last = true_groups[10 + count - 1]
        lowest = int(np.argmin(read_groups[10 + count - 1]))
        truth |= {
            "group_spread_end_v": float(last.max() - last.min()),
            "groups_against_pack_v": 0.0,
            "ending_group_v": float(last[lowest]),
        }
    assert math.isclose(OHM, SAGGED_V / AMPERES)
    return Run(Path("heron/simulated"), info, samples, events, []), truth


RATED_AH, FLOOR_V, BEND, HOLD_S = 5.0, 2.5, 0.15, 2.0


def ladder_run(
    limits: Limits, errors: Errors, limit_c: float, last_c: int = 99, pack: Pack = HERON, shift_c: float = 0.0
) -> Run:
    """Return a ladder of 1C steps from 5C (and `shift_c`), as a bench with these errors and channels reads it.

    The pack's lowest group, the third, ends at the floor at `limit_c`: it falls from 4.0 V along a line that bends.
    The ladder ends at the floor, or once `last_c` was held.
    """

    def group_v(rate_c: float) -> float:
        share = rate_c / limit_c
        return 4.0 - (4.0 - FLOOR_V) * ((1.0 - BEND) * share + BEND * share**3)

    samples: list[Sample] = []
    at_s = 0.0

    def put(rate_c: float, phase: str) -> float:
        true = [group_v(rate_c) + (0.0 if number == 2 else 0.05) for number in range(6)]
        read = [(v - offset) / (1.0 + gain) for v, (gain, offset) in zip(true, errors.channels, strict=True)]
        samples.append(
            Sample(
                sequence=len(samples),
                test_time_s=at_s,
                unix_time_s=at_s,
                step_count=1,
                step_type="ladder",
                step_time_s=at_s,
                phase=phase,
                output="load" if rate_c else "off",
                voltage_v=(sum(true) - errors.offset_v) / (1.0 + errors.gain_v),
                current_a=(-rate_c * RATED_AH + errors.offset_a) / (1.0 + errors.gain_a),
                groups_v=tuple(read),
                temperatures_c=(23.0,),
                charging_ah=0.0,
                discharging_ah=0.0,
                charging_wh=0.0,
                discharging_wh=0.0,
                groups_age_s=0.0,
                temperatures_age_s=0.0,
            )
        )
        return min(read)

    why, number, rate_c = "last planned burst held", 0, 5.0 + shift_c
    while rate_c <= last_c + 0.5 and why.startswith("last"):
        number += 1
        put(0.0, f"rest {number}")
        for _ in range(round(HOLD_S / 0.5) + 1):
            at_s += 0.5
            lowest = put(rate_c, f"burst {number}: {rate_c * RATED_AH:.1f} A")
        if lowest < FLOOR_V:
            why = "lowest group 3 below its floor"
        at_s += 0.5
        rate_c += 1.0
    info = {
        "bench": "boat shed",
        "bay": "left",
        "pack": {"name": pack.name, "mass_accuracy": limits.mass_kg},
        "plan": {"steps": [{"number": 1, "kind": "ladder", "hold_s": HOLD_S, "floor_v": FLOOR_V}]},
        "instruments": {
            "load": {"accuracy": limits.accuracy(), "identity": {"maker": "-", "model": "-", "serial": "7"}},
            "cells": {
                "accuracy": {"voltage": {"of_reading": limits.gain_cell, "absolute": limits.offset_cell, "unit": "V"}},
                "identity": {"maker": "-", "model": "-", "serial": "8"},
            },
        },
        "mass_kg": KG,
        "rated_capacity_ah": RATED_AH,
        "places": ["middle"],
        "series": 6,
    }
    events = [{"event": "step_began", "step": 1}, {"event": "step_ended", "step": 1, "why": why}]
    return Run(Path("heron/ladder"), info_from(info, []), Series.of(samples), events, [])
