"""Every command of every simulated instrument, and what the instruments do to the pack."""

import itertools
import math
import timeit
from typing import Any

import pytest

from benchwarden.simulators import scanner, thermometer
from benchwarden.simulators.load import LoadDevice, Meters
from benchwarden.simulators.load_function import FunctionLoad
from benchwarden.simulators.load_mode import ModeLoad
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scanner import ScannerDevice
from benchwarden.simulators.scenario import at_soc, heron, simple
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_commands import Command
from benchwarden.simulators.scpi_text import forms, nodes, short_form
from benchwarden.simulators.supply import SupplyDevice
from benchwarden.simulators.terminals import LoadState
from benchwarden.simulators.thermometer import ProbesDevice, ThermistorDevice, ThermocoupleDevice, ThermometerDevice
from benchwarden.simulators.voltmeter import VoltmeterDevice
from benchwarden.simulators.wiring import Bay

THERMOMETERS = (ThermometerDevice, ThermocoupleDevice, ThermistorDevice)
KINDS = (FunctionLoad, ModeLoad, SupplyDevice, ScannerDevice, *THERMOMETERS, VoltmeterDevice)
PAIRS = [(kind, command) for kind in KINDS for command in kind.commands()]


class Bench:
    """One bay with all kinds of instruments, and a clock that the test moves."""

    def __init__(self, soc: float = 0.9, loads: int = 1) -> None:
        self.now_s = 1000.0
        self.bay: Bay = simple(at_soc(heron(), soc), start_s=self.now_s, loads=[LoadState() for _ in range(loads)])

    def now(self) -> float:
        return self.now_s

    def device(self, kind: type[Device]) -> Device:
        common: Any = {"serial": "X-1", "firmware": "0.1", "now": self.now}
        if issubclass(kind, LoadDevice):
            return kind(self.bay, model="SIM-LOAD-X", **common)
        if kind is SupplyDevice:
            return SupplyDevice(self.bay, **common)
        if kind is ScannerDevice:
            return ScannerDevice(scanner.group_wires(self.bay, 6), **common)
        if issubclass(kind, ProbesDevice):
            return kind({1: (self.bay, "middle"), 2: (self.bay, "ambient")}, **common)
        return VoltmeterDevice(self.bay, **common)


def ask(device: Device, message: str) -> str:
    answer = device.handle(message)
    assert answer is not None, (message, device.handle("SYST:ERR?"))
    return answer


def value(device: Device, message: str) -> float:
    return float(ask(device, message))


def error(device: Device) -> int:
    return int(ask(device, "SYST:ERR?").partition(",")[0])


def headers(command: Command) -> list[str]:
    """All long, all short, without the optional nodes, in small letters, and from the root."""
    parts = nodes(command.header)
    long = ":".join(name.upper() for name, _ in parts)
    short = ":".join(short_form(name) for name, _ in parts)
    least = ":".join(short_form(name) for name, optional in parts if not optional)
    rooted = long if long.startswith("*") else f":{long}"
    return [long, short, least, long.lower(), rooted]


def wrong_headers(command: Command) -> list[str]:
    """One letter more than the short form or less than the long one, and one node too many."""
    name = nodes(command.header)[-1][0]
    rest = ":".join(short_form(part) for part, _ in nodes(command.header)[:-1])
    tails = {forms(name)[0] + "X", forms(name)[0][:-1] if len(name) > 5 else short_form(name)[:-1]}
    tails -= set(forms(name))
    return [f"{rest}:{tail}" if rest else tail for tail in tails] + [f"{headers(command)[1]}:BOGUS"]


@pytest.mark.parametrize(("kind", "command"), PAIRS, ids=[f"{k.__name__} {c.header}" for k, c in PAIRS])
def test_every_command_in_long_short_and_wrong_form(kind: type[Device], command: Command) -> None:
    bench = Bench()
    device = bench.device(kind)
    tell, question = command.example()
    assert command.asks or command.tells
    assert command.clause
    for header in headers(command):
        if command.tells:
            assert device.handle(f"{header} {tell}".strip()) is None
            assert error(device) == 0, header
        if command.asks:
            assert device.handle(f"{header}? {question}".strip()), header
            assert error(device) == 0, header
    if not command.asks:
        assert device.handle(f"{headers(command)[0]}?") is None
        assert error(device) == -113
    if not command.tells:
        assert device.handle(headers(command)[0]) is None
        assert error(device) == -113
    for header in wrong_headers(command):
        assert device.handle(f"{header}? {question}".strip()) is None, header
        assert error(device) in (-113, -102), header


@pytest.mark.parametrize("kind", KINDS)
def test_headers_are_written_by_the_rule_and_never_clash(kind: type[Device]) -> None:
    seen: dict[str, str] = {}
    for command in kind.commands():
        for name, _ in nodes(command.header):
            if name.startswith("*") or len(name) <= 4:
                continue
            # SCPI-1999 volume 1, 6.2.1: four letters, or three if the fourth is a vowel (y counts as one).
            right = name[:3] if name[3].upper() in "AEIOUY" else name[:4]
            assert short_form(name) == right.upper(), name
        for header in headers(command)[:3]:
            assert seen.setdefault(header.upper(), command.header) == command.header


LEVELS = [
    (kind, command)
    for kind, command in PAIRS
    if type(command).__name__ == "Level" and kind in (FunctionLoad, ModeLoad, SupplyDevice)
]


@pytest.mark.parametrize(("kind", "command"), LEVELS, ids=[f"{k.__name__} {c.header}" for k, c in LEVELS])
def test_levels_are_read_back_and_never_clipped(kind: type[Device], command: Command) -> None:
    device = Bench().device(kind)
    header = headers(command)[1]
    lowest, highest = value(device, f"{header}? MIN"), value(device, f"{header}? MAX")
    middle = round((lowest + highest) / 3.0, 1)
    assert value(device, f"{header} {middle};{':' + header}?") == pytest.approx(middle)
    for wrong in (highest * 1.01 + 1.0, lowest - 1.0):
        device.handle(f"{header} {wrong}")
        assert error(device) == -222
        assert value(device, f"{header}?") == pytest.approx(middle)
    assert value(device, f"{header} MAX;:{header}?") == highest


@pytest.mark.parametrize("kind", [FunctionLoad, ModeLoad])
def test_a_constant_power_is_drawn_and_switched_off(kind: type[LoadDevice]) -> None:
    bench = Bench()
    device = bench.device(kind)
    switch, mode = ("INP", "FUNC") if kind is FunctionLoad else ("LOAD", "MODE")
    assert value(device, "MEAS:CURR?") == 0.0
    device.handle(f"{mode} POW;:POW 200;:{switch} ON")
    assert error(device) == 0
    assert ask(device, f"{mode}?;:{switch}?") == "POW;1"
    bench.now_s += 60.0
    volts, amps = (float(text) for text in ask(device, "MEAS:VOLT?;:MEAS:CURR?").split(";"))
    assert volts * amps == pytest.approx(200.0, rel=1e-4)
    assert value(device, "MEAS:POW?") == pytest.approx(200.0, rel=1e-4)
    assert amps > 0.0  # a load answers what it draws as positive
    # The charge that left the pack: power over voltage, within the change of voltage over that minute.
    assert bench.bay.witness.discharged_ah == pytest.approx(200.0 / volts / 60.0, rel=0.02)
    device.handle(f"{switch} OFF")
    assert ask(device, f"{switch}?") == "0"
    assert value(device, "MEAS:CURR?") == 0.0
    assert [what.split()[-1] for _, what in bench.bay.journal][-2:] == ["on", "off"]


def test_a_ceiling_holds_in_every_mode() -> None:
    bench = Bench()
    device = bench.device(FunctionLoad)
    device.handle("CURR:LIM 10;:CURR 50;:POW 1500;:RES 0.05;:INP ON")
    for mode in ("CURR", "POW", "RES"):
        device.handle(f"FUNC {mode}")
        bench.now_s += 1.0
        assert value(device, "MEAS:CURR?") == pytest.approx(10.0, abs=1e-6)


@pytest.mark.parametrize(
    ("kind", "arm", "bit", "word"),
    [
        (FunctionLoad, "VOLT:PROT:UND 40;:VOLT:PROT:UND:STAT ON", "1", 1),
        (FunctionLoad, "CURR:PROT 5;:CURR:PROT:STAT ON", "2", 2),
        (FunctionLoad, "POW:PROT 50;:POW:PROT:STAT ON", "4", 8),
        (FunctionLoad, "INP:TIM 30;:INP:TIM:STAT ON", "8", 4),
        (ModeLoad, "UVP 40;:UVP:STAT ON", "UVP", 1),
        (ModeLoad, "OCP 5;:OCP:STAT ON", "OCP", 2),
        (ModeLoad, "OPP 50;:OPP:STAT ON", "OPP", 8),
        (ModeLoad, "TIM 30;:TIM:STAT ON", "TIM", 4),
    ],
)
def test_own_protections_latch(kind: type[LoadDevice], arm: str, bit: str, word: int) -> None:
    bench = Bench()
    device = bench.device(kind)
    function = kind is FunctionLoad
    switch, mode, trip = ("INP", "FUNC", "INP:PROT:TRIP?") if function else ("LOAD", "MODE", "TRIP?")
    clear = "INP:PROT:CLE" if function else "TRIP:CLE"
    device.handle(f"{mode} CURR;:CURR 10;:{arm}")
    assert error(device) == 0
    assert ask(device, trip) == ("0" if function else "NONE")
    device.handle(f"{switch} ON")
    bench.now_s += 60.0
    assert ask(device, trip) == bit
    assert ask(device, f"{switch}?") == "0"
    assert ask(device, "STAT:QUES:COND?") == str(word)  # SCPI-1999 20.3: VOLT 1, CURR 2, TIME 4, POW 8
    device.handle(f"*RST;:{switch} ON")
    assert error(device) == -221
    assert ask(device, f"{switch}?") == "0"
    device.handle(f"{clear};:{switch} ON")
    assert error(device) == 0
    assert ask(device, f"{switch}?;:{trip}") == ("1;0" if function else "1;NONE")


def test_the_timer_ends_to_the_moment() -> None:
    bench = Bench()
    device = bench.device(FunctionLoad)
    device.handle("CURR 10;:INP:TIM 36;:INP:TIM:STAT ON;:INP ON")
    bench.now_s += 3600.0
    assert ask(device, "INP?") == "0"
    assert bench.bay.witness.discharged_ah == pytest.approx(0.1, rel=1e-6)  # 10 A for 36 s


def test_a_supply_charges_to_its_voltage() -> None:
    bench = Bench(soc=0.4)
    device = bench.device(SupplyDevice)
    device.handle("VOLT 25.2;:CURR 2.5;:OUTP ON")
    bench.now_s += 10.0
    assert value(device, "MEAS:CURR?") == pytest.approx(2.5, abs=1e-3)
    bench.now_s += 1.5 * 3600.0
    assert value(device, "MEAS:VOLT?") == pytest.approx(25.2, abs=1e-3)
    assert 0.0 < value(device, "MEAS:CURR?") < 0.5
    device.handle("OUTP OFF")
    assert value(device, "MEAS:CURR?") == 0.0
    assert ask(device, "OUTP?") == "0"


def test_a_supply_trips_on_its_own_over_voltage() -> None:
    bench = Bench()
    device = bench.device(SupplyDevice)
    device.handle("VOLT 30;:CURR 5;:VOLT:PROT 24;:OUTP ON")
    bench.now_s += 60.0
    assert ask(device, "VOLT:PROT:TRIP?;:CURR:PROT:TRIP?;:OUTP?") == "1;0;0"
    device.handle("OUTP ON")
    assert error(device) == -221
    device.handle("VOLT:PROT:CLE;:VOLT:PROT 40;:OUTP ON")
    assert ask(device, "VOLT:PROT:TRIP?;:OUTP?") == "0;1"


def test_a_scanner_reads_groups_and_their_sum_is_the_pack() -> None:
    bench = Bench()
    groups = [float(text) for text in ask(bench.device(ScannerDevice), "MEAS:VOLT? (@101:106)").split(",")]
    pack = value(bench.device(VoltmeterDevice), "MEAS:VOLT?")
    assert sum(groups) == pytest.approx(pack, abs=1e-5)  # at rest no joint takes a share
    cumulative = ScannerDevice(
        scanner.group_wires(bench.bay, 6), serial="S", firmware="0", now=bench.now, cumulative=True
    )
    taps = [float(text) for text in ask(cumulative, "MEAS:VOLT:DC? (@101,102,103:106)").split(",")]
    assert taps == pytest.approx(list(itertools.accumulate(groups)), abs=1e-4)


def test_channels_without_a_wire_and_channels_that_do_not_exist() -> None:
    bench = Bench()
    device = bench.device(ScannerDevice)
    # SCPI-1999 7.2.1.4: positive infinity is answered as 9.9E+37.
    assert ask(device, "MEAS:VOLT? (@106,107)").split(",")[1] == "9.9E+37"
    assert device.handle("MEAS:VOLT? (@121)") is None
    assert error(device) == -224
    assert device.handle("MEAS:VOLT?") is None
    assert error(device) == -109
    probes = bench.device(ThermometerDevice)
    middle, ambient, nothing = ask(probes, "MEAS:TEMP? (@1,2,3)").split(",")
    assert (float(middle), float(ambient)) == pytest.approx((23.0, 23.0))
    assert nothing == "9.9E+37"
    assert probes.handle(f"MEAS:TEMP? (@{thermometer.LAST + 1})") is None
    assert error(probes) == -224


def test_readings_pass_through_the_meter_of_the_instrument() -> None:
    bench = Bench()
    meters = Meters(Meter(gain=0.01), Meter(offset=0.25))
    device = FunctionLoad(bench.bay, model="SIM-LOAD-F", serial="L", firmware="0", now=bench.now, meters=meters)
    assert value(device, "MEAS:VOLT?") == pytest.approx(1.01 * bench.bay.pack_voltage_v(), abs=1e-4)
    assert value(device, "MEAS:CURR?") == 0.25


def test_an_overloaded_meter_answers_infinity() -> None:
    bench = Bench()
    device = FunctionLoad(
        bench.bay,
        model="SIM-LOAD-F",
        serial="L",
        firmware="0",
        now=bench.now,
        meters=Meters(Meter(offset=500.0), Meter()),
    )
    assert ask(device, "MEAS:VOLT?") == "9.9E+37"  # SCPI-1999 7.2.1.4


@pytest.mark.parametrize(("state", "on", "level"), [("RST", "0", 0.0), ("OFF", "0", 10.0), ("LAST", "1", 10.0)])
def test_power_on_state_decides_what_a_mains_dip_leaves(state: str, on: str, level: float) -> None:
    bench = Bench()
    device = bench.device(FunctionLoad)
    assert isinstance(device, FunctionLoad)
    device.handle(f"INP:PON:STAT {state};:CURR 10;:INP ON;*ESE 60")
    device.power_cycle()
    assert ask(device, "INP?;CURR?;*ESE?;*ESR?") == f"{on};{level:.4f};0;128"


def test_two_loads_in_parallel_add_up() -> None:
    bench = Bench(loads=2)
    first, second = (
        FunctionLoad(bench.bay, n, model="SIM-LOAD-F", serial=f"L-{n}", firmware="0", now=bench.now) for n in (0, 1)
    )
    first.handle("CURR 10;:INP ON")
    second.handle("CURR 15;:INP ON")
    assert value(first, "MEAS:CURR?") == pytest.approx(10.0)
    assert value(second, "MEAS:CURR?") == pytest.approx(15.0)
    assert bench.bay.pack_current_a() == pytest.approx(-25.0)


def test_counters_integrate_what_the_own_meters_show_while_it_is_on() -> None:
    bench = Bench()
    load = bench.device(FunctionLoad)
    assert isinstance(load, FunctionLoad)
    load.meters = Meters(Meter(gain=0.01, offset=0.1), Meter(gain=-0.02, offset=0.05))
    bench.now_s += 100.0
    assert value(load, "FETC:CHAR?") == 0.0  # off: the offset counts nothing
    load.handle("CURR 20;:INP ON")
    charge_as = energy_ws = 0.0
    for _ in range(720):  # the rectangle rule on its own readings, in the steps in which the pack moves on
        volts, amperes = value(load, "MEAS:VOLT?"), value(load, "MEAS:CURR?")
        charge_as, energy_ws = charge_as + amperes * 0.25, energy_ws + volts * amperes * 0.25
        bench.now_s += 0.25
    load.handle("INP OFF")
    bench.now_s += 1000.0
    assert value(load, "FETC:CHAR?") == pytest.approx(charge_as / 3600.0, abs=1e-4)
    assert value(load, "FETC:ENER?") == pytest.approx(energy_ws / 3600.0, abs=2e-3)
    load.handle("INP:COUN:CLE")
    assert ask(load, "FETC:CHAR?;ENER?") == "0.0000;0.000"


def test_one_kind_counts_on_and_the_other_begins_at_each_on() -> None:
    for kind, question, on in ((FunctionLoad, "FETC:CHAR?", "INP"), (ModeLoad, "COUN?", "LOAD")):
        bench = Bench()
        load = bench.device(kind)
        counts: list[float] = []
        for _ in range(2):
            load.handle(f"CURR 36;:{on} ON")
            load.handle(f"{on} ON")  # once more changes nothing
            bench.now_s += 10.0
            load.handle(f"{on} OFF")
            counts.append(float(ask(load, question).split(",")[0]))
        assert counts == pytest.approx([0.1, 0.2 if kind is FunctionLoad else 0.1], abs=1e-4)


def test_an_exchange_is_cheap() -> None:
    device = Bench().device(FunctionLoad)
    message = "MEAS:VOLT?;:MEAS:CURR?"
    ask(device, message)
    best_s = min(timeit.repeat(lambda: device.handle(message), number=200, repeat=10)) / 200
    assert best_s < 100e-6  # 10 to 20 us on an idle machine; a loaded one gets room
    assert math.isfinite(best_s)
