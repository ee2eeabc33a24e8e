"""Bays whose instruments measure exactly and whose wires cost nothing, so that only the chain itself can err.

What stands on the bay is a pack of the test's own making; its file for the program under test is written here too.
"""

from collections.abc import Sequence
from dataclasses import replace

from benchwarden.simulators.pack import CellModel, GroupModel, PackModel
from benchwarden.simulators.scenario import BayScenario, InstrumentScenario


def linear_cell(full_v: float, slope_v_per_ah: float, ohm: float, capacity_ah: float = 10.0) -> CellModel:
    """OCV = full_v - slope·q down from full, one resistance, nothing that is slow."""
    empty_v = full_v - slope_v_per_ah * capacity_ah
    return CellModel("linear", capacity_ah, ((0.0, empty_v), (1.0, full_v)), ohm)


def flat_cell(
    ocv_v: float, ohm: float, pairs: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 1.0), (0.0, 1.0))
) -> CellModel:
    """A source whose OCV no test can move."""
    return CellModel("flat", 1e9, ((0.0, ocv_v), (1.0, ocv_v)), ohm, pairs=pairs)


def pack_of(cell: CellModel, *groups: GroupModel) -> PackModel:
    return PackModel("Dunlin", cell, groups)


def pack_toml(series: int, *, max_discharge_a: float = 60.0, max_charge_a: float = 5.0, mass_g: float = 450.0) -> str:
    return (
        f'name = "Dunlin"\nchemistry = "li-ion"\nseries = {series}\nrated_capacity = "5 Ah"\nmass = "{mass_g:g} g"\n'
        f'max_charge = "{max_charge_a:g} A"\nmax_discharge = "{max_discharge_a:g} A"\n'
    )


def discharge_toml(
    draw: str, cut_off: str = "discharge cut-off", *, at_most: str = "2 h", every: str = "1 s", then: str = ""
) -> str:
    """A profile of one discharge; `draw` is a line of TOML such as 'power = "300 W"'."""
    return (
        f'title = "Outside check"\n[[step]]\ndo = "discharge"\n{draw}\nat_most = "{at_most}"\nevery = "{every}"\n'
        f'stop_at = {{ group_voltage = "{cut_off}" }}\n{then}'
    )


def ideal_bay(
    pack: PackModel,
    *,
    loads: int = 1,
    load_kind: str = "load-function",
    with_supply: bool = True,
    with_cells: bool = True,
    lead_ohm: float = 0.0,
    sense: str = "pack connector",
    taps: str = "each",
    scanner_link: str = "tcp",
    meters: Sequence[tuple[str, tuple[float, float, float, float]]] = (),
) -> BayScenario:
    """One bay; `meters` gives load and scanner errors (gain, offset, noise, resolution), else they are exact."""
    load = InstrumentScenario(
        load_kind,
        "load",
        "L-1",
        max_current_a=120.0,
        max_power_w=1500.0,
        max_voltage_v=150.0,
        min_voltage_v=1.5,
        lead_ohm=lead_ohm,
        meters=tuple(meters),
    )
    supply = InstrumentScenario(
        "supply", "supply", "P-1", max_current_a=20.0, max_voltage_v=60.0, max_power_w=600.0, lead_ohm=lead_ohm
    )
    channels = tuple(range(101, 101 + len(pack.groups)))
    cells = InstrumentScenario(
        "scanner",
        "cells",
        "S-1",
        link=scanner_link,
        channels=channels,
        max_voltage_v=60.0,
        meters=tuple(item for item in meters if item[0] == "voltage"),
    )
    thermometer = InstrumentScenario("thermometer", "temperature", "T-1", channels=(1, 2), places=("middle", "ambient"))
    instruments = [replace(load, serial=f"L-{place + 1}", index=place) for place in range(loads)]
    instruments += [supply] * with_supply + [cells] * with_cells + [thermometer]
    return BayScenario("shore", pack, tuple(instruments), taps=taps, sense=sense)
