"""Makes the golden files thevenin_*.json with PyBaMM's equivalent circuit, or checks them with --check.

Needs the dependency group `oracle` (pybamm 26.10.1.1, BSD-3). The files name the package and its version and hold
every parameter that went in, so that the test needs no PyBaMM. The model: `pybamm.equivalent_circuit.Thevenin`
with two RC elements, its own cell and jig temperatures, entropic change 0. --check makes all afresh and compares
every number to 1e-6 relative; exit 1 on a difference.
"""

import argparse
import json
import math
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")

import pybamm

HERE = Path(__file__).parent
TOLERANCE = 1e-6

PARAMETERS: dict[str, Any] = {
    "capacity_ah": 5.0,
    "ocv_v": [
        [0.0, 2.5], [0.01, 2.8], [0.02, 2.98], [0.05, 3.2], [0.1, 3.38], [0.2, 3.5], [0.3, 3.58], [0.4, 3.64],
        [0.5, 3.71], [0.6, 3.8], [0.7, 3.9], [0.8, 4.0], [0.9, 4.08], [0.95, 4.12], [1.0, 4.2],
    ],
    "r0_ohm": 0.009,
    "r0_factor": [[0.0, 1.5], [0.1, 1.15], [0.3, 1.0], [0.8, 1.0], [1.0, 1.05]],
    "pairs": [[0.003, 2.0], [0.002, 40.0]],
    "crowding_a": 38.0,
    "activation_k": 900.0,
    "reference_c": 25.0,
    "ambient_c": 23.0,
    "core_j_per_k": 61.6,
    "surface_j_per_k": 8.4,
    "core_to_surface_w_per_k": 1.3,
    "surface_to_ambient_w_per_k": 0.175,
    "start_soc": 0.98,
    "cut_off_v": 2.5,
}  # fmt: skip

# Athermal: no dependence on temperature and none on the current, so nothing but the circuit is compared.
ATHERMAL = {"activation_k": 0.0, "crowding_a": 1e9}

CASES: dict[str, dict[str, Any]] = {
    "athermal": {"quantity": "power", "level": 90.0, "parameters": PARAMETERS | ATHERMAL},
    "heated": {"quantity": "power", "level": 90.0, "parameters": PARAMETERS},
    "gentle": {"quantity": "power", "level": 30.0, "parameters": PARAMETERS},
}
CURRENT_CASES: dict[str, dict[str, Any]] = {
    "heated": {"quantity": "current", "level": 25.0, "parameters": PARAMETERS},
}
# A pulse series as `do = "pulse"`, `method = "series"` draws it: currents in A, times in s.
PULSE_CASES: dict[str, dict[str, Any]] = {
    "heated": {
        "parameters": PARAMETERS | {"start_soc": 0.995},
        "levels_a": [5.0, 20.0],
        "hold_s": 10.0,
        "times_s": [0.1, 1.0, 10.0],
        "rest_s": 300.0,
        "settle_s": 600.0,
        "portion_ah": 1.0,
        "portions": 4,
        "move_a": 5.0,
    },
}


def simulation(quantity: str, level: float | str, parameters: dict[str, Any]) -> Any:
    """One cell that gives a constant power (W) or current (A); "[input]" for one that each step is told."""
    p = parameters

    def arrhenius(cell_c: Any) -> Any:
        reference = 1.0 / (p["reference_c"] + 273.15)
        return pybamm.exp(p["activation_k"] * (1.0 / (cell_c + 273.15) - reference))

    def table(points: list[list[float]], name: str) -> Any:
        import numpy

        x, y = numpy.array(points).T
        return lambda soc: pybamm.Interpolant(x, y, soc, name, interpolator="linear")

    ocv = table(p["ocv_v"], "ocv")
    r0_factor = table(p["r0_factor"], "r0 factor")

    def resistance(pair: int) -> Any:
        def of(cell_c: Any, current: Any, soc: Any) -> Any:
            crowded = 1.0 + (current / p["crowding_a"]) ** 2 if pair == 0 else 1.0
            return p["pairs"][pair][0] * crowded * arrhenius(cell_c)

        return of

    def capacitance(pair: int) -> Any:
        of = resistance(pair)
        return lambda cell_c, current, soc: p["pairs"][pair][1] / of(cell_c, current, soc)

    model = pybamm.equivalent_circuit.Thevenin(
        options={
            "number of rc elements": 2,
            "operating mode": quantity,
        }
    )
    ambient = p["ambient_c"] + 273.15
    values = pybamm.ParameterValues(
        {
            "chemistry": "ecm",
            "Initial SoC": p["start_soc"],
            "Initial temperature [K]": ambient,
            "Cell capacity [A.h]": p["capacity_ah"],
            "Nominal cell capacity [A.h]": p["capacity_ah"],
            "Ambient temperature [K]": ambient,
            "Upper voltage cut-off [V]": 5.0,
            "Lower voltage cut-off [V]": p["cut_off_v"],
            "Cell thermal mass [J/K]": p["core_j_per_k"],
            "Cell-jig heat transfer coefficient [W/K]": p["core_to_surface_w_per_k"],
            "Jig thermal mass [J/K]": p["surface_j_per_k"],
            "Jig-air heat transfer coefficient [W/K]": p["surface_to_ambient_w_per_k"],
            "Open-circuit voltage [V]": ocv,
            "R0 [Ohm]": lambda cell_c, current, soc: p["r0_ohm"] * r0_factor(soc) * arrhenius(cell_c),
            "R1 [Ohm]": resistance(0),
            "C1 [F]": capacitance(0),
            "R2 [Ohm]": resistance(1),
            "C2 [F]": capacitance(1),
            "Element-1 initial overpotential [V]": 0.0,
            "Element-2 initial overpotential [V]": 0.0,
            "Entropic change [V/K]": lambda ocv, cell_c: 0.0 * cell_c,
            "Current function [A]" if quantity == "current" else "Power function [W]": level,
        }
    )
    solver = pybamm.IDAKLUSolver(rtol=1e-9, atol=1e-11)
    return pybamm.Simulation(model, parameter_values=values, solver=solver)


NAMES = {
    "time_s": "Time [s]",
    "voltage_v": "Voltage [V]",
    "current_a": "Current [A]",
    "core_c": "Cell temperature [degC]",
    "surface_c": "Jig temperature [degC]",
}


def columns_of(solution: Any, parameters: dict[str, Any]) -> dict[str, list[float]]:
    """What a solution holds, by our names, and the charge that was drawn (Ah)."""
    p = parameters
    columns = {key: [float(x) for x in solution[name].entries] for key, name in NAMES.items()}
    columns["discharged_ah"] = [float(p["start_soc"] - soc) * p["capacity_ah"] for soc in solution["SoC"].entries]
    return columns


def run(quantity: str, level: float, parameters: dict[str, Any]) -> dict[str, Any]:
    """Discharge one cell at a constant power (W) or current (A) from its start charge to its cut-off voltage."""
    p = parameters
    longest_s = math.ceil(p["capacity_ah"] * 4.2 * 3600.0 / (level if quantity == "power" else level * 2.5))
    keep_every_s = 10 if level > 50.0 or quantity == "current" else 40
    solution = simulation(quantity, level, p).solve(
        [0.0, float(longest_s)], t_interp=[float(t) for t in range(longest_s + 1)]
    )
    columns = columns_of(solution, p)
    # This model counts no energy; the trapezoid over 1 s samples is far below the test's tolerance.
    energy_wh = [0.0]
    time, volts, amps = columns["time_s"], columns["voltage_v"], columns["current_a"]
    for k in range(1, len(time)):
        mean_w = (volts[k] * amps[k] + volts[k - 1] * amps[k - 1]) / 2.0
        energy_wh.append(energy_wh[-1] + mean_w * (time[k] - time[k - 1]) / 3600.0)
    columns["discharged_wh"] = energy_wh
    rows = [list(row) for row in zip(*columns.values(), strict=True)]
    return {
        "quantity": quantity,
        "level": level,
        "parameters": p,
        "columns": list(columns),
        "rows": rows[:-1:keep_every_s],
        "end": dict(zip(columns, rows[-1], strict=True)),
        "termination": str(solution.termination),
    }


def pulses(parameters: dict[str, Any], **series: Any) -> dict[str, Any]:
    """Drive one cell by the currents of a pulse series; rows at each segment's end, and at the named times of a pulse.

    A segment is (current in A, duration in s): a draw to the next state, a rest, the pulses with rests between them.
    """
    sim = simulation("current", "[input]", parameters)
    segments: list[tuple[float, float]] = []
    drawn_ah = 0.0
    for portion in range(1, series["portions"] + 1):
        left_ah = portion * series["portion_ah"] - drawn_ah
        wanted = [(series["move_a"], round(left_ah / series["move_a"] * 3600.0, 6)), (0.0, series["settle_s"])]
        for place, level_a in enumerate(series["levels_a"]):
            wanted += [(0.0, series["rest_s"])] * (place > 0) + [(level_a, series["hold_s"])]
        drawn_ah += sum(current_a * took_s / 3600.0 for current_a, took_s in wanted)
        segments += wanted
    rows: list[list[float]] = []
    names: list[str] = []
    began_s, solution = 0.0, None
    for current_a, took_s in segments:
        pulse = current_a > 0.0 and took_s == series["hold_s"]
        at_s = series["times_s"] if pulse else [took_s]
        # Each segment by itself goes on where the one before has ended; only its own points are kept.
        solution = sim.step(
            took_s,
            starting_solution=solution,
            t_interp=[0.0, *at_s],
            inputs={"Current function [A]": current_a},
            save=False,
        )
        columns = columns_of(solution, parameters)
        names = list(columns)
        for after_s in at_s:
            wanted_s = began_s + after_s
            place = min(range(len(columns["time_s"])), key=lambda k: abs(columns["time_s"][k] - wanted_s))
            assert abs(columns["time_s"][place] - wanted_s) < 1e-6, (columns["time_s"], wanted_s)
            assert abs(columns["current_a"][place] - current_a) < 1e-9
            rows.append([column[place] for column in columns.values()])
        began_s += took_s
    shown = {"segments": [list(one) for one in segments], "columns": names, "rows": rows}
    return {"parameters": parameters, **series, **shown}


FILES: dict[str, tuple[Callable[..., dict[str, Any]], dict[str, dict[str, Any]]]] = {
    "thevenin_constant_power.json": (run, CASES),
    "thevenin_constant_current.json": (run, CURRENT_CASES),
    "thevenin_pulses.json": (pulses, PULSE_CASES),
}


def make(by: Callable[..., dict[str, Any]], cases: dict[str, dict[str, Any]]) -> dict[str, Any]:
    """Run the cases of one file."""
    return {
        "made_by": "tests/golden/make_thevenin.py",
        "package": "pybamm",
        "version": pybamm.__version__,
        "model": "pybamm.equivalent_circuit.Thevenin, 2 RC elements",
        "sign": "current positive discharges",
        "cases": {name: by(**case) for name, case in cases.items()},
    }


def differences(old: Any, new: Any, where: str = "") -> list[str]:
    """List where two trees of numbers and texts differ by more than `TOLERANCE` relative."""
    if isinstance(old, dict) and isinstance(new, dict) and old.keys() == new.keys():
        return [line for key in old for line in differences(old[key], new[key], f"{where}/{key}")]
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        return [
            line for k, (a, b) in enumerate(zip(old, new, strict=True)) for line in differences(a, b, f"{where}/{k}")
        ]
    if isinstance(old, float) and isinstance(new, float):
        same = math.isclose(old, new, rel_tol=TOLERANCE, abs_tol=1e-9)
    else:
        same = old == new
    return [] if same else [f"{where}: file has {str(old)[:60]}, made afresh {str(new)[:60]}"]


def main() -> int:
    """Write the golden files, or compare them (--check)."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="compare only; exit 1 on a difference")
    check = parser.parse_args().check
    found = []
    for name, (by, cases) in FILES.items():
        made = make(by, cases)
        path = HERE / name
        if check:
            stored = json.loads(path.read_text(encoding="utf-8"))
            found += differences(stored, json.loads(json.dumps(made)), name)
        else:
            # json writes floats with repr: they come back as the same number.
            path.write_text(json.dumps(made).replace("], [", "],\n[") + "\n", encoding="utf-8")
    for line in found[:20]:
        print(line)
    print(f"{len(found)} differences" if check else "written")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
