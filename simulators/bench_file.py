"""The bench file of a simulated bench: text that says where its instruments are and what they can do."""

from collections.abc import Mapping, Sequence

from benchwarden.simulators.probe_curves import NTC_BETA_K, NTC_R25_OHM
from benchwarden.simulators.scenario import BayScenario, InstrumentScenario

ACCURACY = {
    # Data sheet figures of the invented instruments; the meters' true errors lie well inside (scenario.py).
    "load": {"voltage": "0.05 % + 0.02 % of 150 V", "current": "0.1 % + 0.05 % of 120 A"},
    "supply": {"voltage": "0.05 % + 0.02 % of 60 V", "current": "0.1 % + 0.05 % of 20 A"},
    "cells": {"voltage": "0.02 % + 1 mV"},
    "temperature": {"temperature": "0.5 K"},
    "voltmeter": {"voltage": "0.01 % + 2 mV"},
}
MAPS = {
    "load-function": "load-function",
    "load-mode": "load-mode",
    "supply": "supply",
    "scanner": "scanner",
    "thermometer": "thermometer",
    "thermometer-resistance": "thermometer-resistance",
    "thermometer-voltage": "thermometer-voltage",
    "voltmeter": "voltmeter",
}
"""Kind of instrument to the name of the command map that understands it."""


PROBES = {
    "thermometer-resistance": {
        "kind": '"ntc"',
        "r25": f'"{NTC_R25_OHM:g} ohm"',
        "beta": f'"{NTC_BETA_K:g} K"',
    },
    "thermometer-voltage": {"kind": '"type-k"'},
}
"""Kind of thermometer to what is wired to it, where it does not answer degrees."""


def bench_toml(scenario: Sequence[BayScenario], addresses: Mapping[str, str], *, name: str, runs: str = "runs") -> str:
    """Return a bench file. `addresses` maps "bay/name" to a resource string (see start.py for the names)."""
    lines = [f"name = {_quoted(name)}", f"runs = {_quoted(runs)}", "simulated = true"]
    for bay in scenario:
        lines += ["", "[[bay]]", f"name = {_quoted(bay.name)}", f"taps = {_quoted(bay.taps)}"]
        lines += [f"cooling = {_quoted(bay.cooling)}", "unattended_charge = true"]
        loads = [item for item in bay.instruments if item.role == "load"]
        if len(loads) == 1:
            lines.append(f"load = {_entry(bay, loads[0], addresses[f'{bay.name}/load'])}")
        elif loads:
            lines.append("load = [")
            lines += [f"    {_entry(bay, load, addresses[f'{bay.name}/load {load.index + 1}'])}," for load in loads]
            lines.append("]")
        lines += [
            f"{item.role} = {_entry(bay, item, addresses[f'{bay.name}/{item.role}'])}"
            for item in bay.instruments
            if item.role != "load"
        ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _table(pairs: Mapping[str, str]) -> str:
    return "{ " + ", ".join(f"{key} = {value}" for key, value in pairs.items()) + " }"


def _entry(bay: BayScenario, item: InstrumentScenario, address: str) -> str:
    if item.role == "contactor":
        return _table({"at": _quoted(address), "renew": _quoted("HOLD 2"), "open": _quoted("OPEN")})
    pairs = {"at": _quoted(address), "map": _quoted(MAPS[item.kind])}
    if item.role in ("load", "supply"):
        limits = {
            "voltage": _quoted(f"{item.max_voltage_v:g} V"),
            "current": _quoted(f"{item.max_current_a:g} A"),
        }
        if item.max_power_w:
            limits["power"] = _quoted(f"{item.max_power_w:g} W")
        if item.role == "load":
            limits["min_voltage"] = _quoted(f"{item.min_voltage_v:g} V")
        else:
            pairs["isolation"] = _quoted(_isolation(item))
        pairs |= {"sense": _quoted(bay.sense), "limits": _table(limits)}
    elif item.role == "cells":
        pairs |= {"channels": _quoted(_channels(item.channels)), "burst_every": _quoted("0.2 s")}
    elif item.role == "temperature":
        sensors = zip(item.places, item.channels, strict=True)
        pairs["sensors"] = _table({place: str(channel) for place, channel in sensors})
        if item.kind in PROBES:
            pairs["probe"] = _table(PROBES[item.kind])
    pairs["accuracy"] = _table({key: _quoted(value) for key, value in ACCURACY[item.role].items()})
    return _table(pairs)


def _isolation(item: InstrumentScenario) -> str:
    if item.diode_drop_v > 0.0:
        return "diode"
    return "none" if item.bleed_a > 0.0 else "relay"


def _channels(numbers: Sequence[int]) -> str:
    """Return "101:106" for a run of channels, else "101,103"."""
    if len(numbers) > 1 and list(numbers) == list(range(numbers[0], numbers[-1] + 1)):
        return f"{numbers[0]}:{numbers[-1]}"
    return ",".join(map(str, numbers))
