"""A simulated load that selects its mode with a FUNCtion node and switches with INPut."""

from benchwarden.simulators.load import LoadDevice, fixed_point
from benchwarden.simulators.scpi_commands import DESIGNER, Action, Choice, Level, Query, Switch

_INPUT = "SCPI-1999 volume 2 chapter 10 (INPut)"
_SOURCE = "SCPI-1999 volume 2 chapter 19 (SOURce)"
_SYSTEM = "SCPI-1999 volume 2 chapter 21 (SYSTem)"
_MEASURE = "SCPI-1999 volume 2 chapter 3 (MEASure)"


class FunctionLoad(LoadDevice):
    """A load of the function dialect; model SIM-LOAD-F."""

    table = (
        Switch(header="INPut[:STATe]", clause=_INPUT, name="on"),
        Choice(
            header="[SOURce:]FUNCtion[:MODE]",
            clause=f"{_SOURCE}; the words POWer and RESistance are the designer's",
            name="mode",
            words=(("CURRent", "current"), ("POWer", "power"), ("RESistance", "resistance")),
        ),
        Level(
            header="[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]",
            clause=_SOURCE,
            name="current_a",
            unit="A",
            digits=4,
        ),
        Level(
            header="[SOURce:]POWer[:LEVel][:IMMediate][:AMPLitude]",
            clause=_SOURCE,
            name="power_w",
            unit="W",
            digits=3,
        ),
        Level(
            header="[SOURce:]RESistance[:LEVel][:IMMediate][:AMPLitude]",
            clause=_SOURCE,
            name="resistance_ohm",
            unit="OHM",
            digits=4,
        ),
        Level(
            header="[SOURce:]CURRent:LIMit[:LEVel]",
            clause=f"{_SOURCE} (LIMit; [:LEVel] is the designer's)",
            name="limit_a",
            unit="A",
            digits=3,
        ),
        Level(
            header="[SOURce:]VOLTage:PROTection:UNDer[:LEVel]",
            clause=DESIGNER,
            name="under_voltage_v",
            unit="V",
            digits=3,
        ),
        Switch(header="[SOURce:]VOLTage:PROTection:UNDer:STATe", clause=DESIGNER, name="under_voltage_on"),
        Level(
            header="[SOURce:]CURRent:PROTection[:LEVel]",
            clause=_SOURCE,
            name="over_current_a",
            unit="A",
            digits=3,
        ),
        Switch(header="[SOURce:]CURRent:PROTection:STATe", clause=_SOURCE, name="over_current_on"),
        Level(
            header="[SOURce:]POWer:PROTection[:LEVel]",
            clause=_SOURCE,
            name="over_power_w",
            unit="W",
            digits=2,
        ),
        Switch(header="[SOURce:]POWer:PROTection:STATe", clause=_SOURCE, name="over_power_on"),
        Query(header="INPut:PROTection:TRIPped", clause=DESIGNER, answer=lambda d: str(d.tripped())),
        Action(header="INPut:PROTection:CLEar", clause=DESIGNER, do=LoadDevice.clear_trip),
        Level(header="INPut:TIMer[:DELay]", clause=DESIGNER, name="timer_s", unit="S", digits=2),
        Switch(header="INPut:TIMer:STATe", clause=DESIGNER, name="timer_on"),
        Choice(
            header="INPut:PON:STATe",
            clause=DESIGNER,
            name="power_on_state",
            words=(("RST", "RST"), ("OFF", "OFF"), ("LAST", "LAST")),
        ),
        Query(
            header="MEASure[:SCALar]:VOLTage[:DC]",
            clause=_MEASURE,
            answer=lambda d: fixed_point(d.measured_voltage_v(), 4),
        ),
        Query(
            header="MEASure[:SCALar]:CURRent[:DC]",
            clause=_MEASURE,
            answer=lambda d: fixed_point(d.measured_current_a(), 4),
        ),
        Query(
            header="MEASure[:SCALar]:POWer[:DC]",
            clause=_MEASURE,
            answer=lambda d: fixed_point(d.measured_power_w(), 3),
        ),
        Query(
            header="FETCh:CHARge",
            clause=DESIGNER,
            answer=lambda d: fixed_point(d.counted_ah(), 4),
        ),
        Query(
            header="FETCh:ENERgy",
            clause=DESIGNER,
            answer=lambda d: fixed_point(d.counted_wh(), 3),
        ),
        Action(header="INPut:COUNter:CLEar", clause=DESIGNER, do=LoadDevice.clear_counters),
        Action(header="SYSTem:REMote", clause=DESIGNER, do=lambda d: d.set_remote("remote")),
        Action(header="SYSTem:LOCal", clause=DESIGNER, do=lambda d: d.set_remote("local")),
        Action(header="SYSTem:RWLock", clause=DESIGNER, do=lambda d: d.set_remote("locked")),
    )
