"""A simulated load that selects its mode with MODE, switches with LOAD and has short protection nodes."""

from benchwarden.simulators.load import LoadDevice
from benchwarden.simulators.scpi_commands import DESIGNER, Action, Choice, Level, Query, Switch
from benchwarden.simulators.terminals import OVER_CURRENT, OVER_POWER, TIMER, UNDER_VOLTAGE

_MEASURE = "SCPI-1999 volume 2 chapter 3 (MEASure)"
_WORDS = ((UNDER_VOLTAGE, "UVP"), (OVER_CURRENT, "OCP"), (OVER_POWER, "OPP"), (TIMER, "TIM"))


def _trip_word(device: LoadDevice) -> str:
    tripped = device.tripped()
    return next((word for bit, word in _WORDS if tripped & bit), "NONE")


class ModeLoad(LoadDevice):
    """A load of the mode dialect; model SIM-LOAD-M. It answers readings in NR3; its counters begin at each on."""

    zero_at_on = True

    table = (
        Choice(
            header="MODE",
            clause=DESIGNER,
            name="mode",
            words=(("CURRent", "current"), ("POWer", "power"), ("RESistance", "resistance")),
        ),
        Level(header="CURRent[:LEVel]", clause=DESIGNER, name="current_a", unit="A", digits=3),
        Level(header="POWer[:LEVel]", clause=DESIGNER, name="power_w", unit="W", digits=2),
        Level(header="RESistance[:LEVel]", clause=DESIGNER, name="resistance_ohm", unit="OHM", digits=3),
        Level(header="CURRent:LIMit", clause=DESIGNER, name="limit_a", unit="A", digits=3),
        Switch(header="LOAD[:STATe]", clause=DESIGNER, name="on"),
        Level(header="UVP[:LEVel]", clause=DESIGNER, name="under_voltage_v", unit="V", digits=3),
        Switch(header="UVP:STATe", clause=DESIGNER, name="under_voltage_on"),
        Level(header="OCP[:LEVel]", clause=DESIGNER, name="over_current_a", unit="A", digits=3),
        Switch(header="OCP:STATe", clause=DESIGNER, name="over_current_on"),
        Level(header="OPP[:LEVel]", clause=DESIGNER, name="over_power_w", unit="W", digits=2),
        Switch(header="OPP:STATe", clause=DESIGNER, name="over_power_on"),
        Query(header="TRIP", clause=DESIGNER, answer=_trip_word),
        Action(header="TRIP:CLEar", clause=DESIGNER, do=LoadDevice.clear_trip),
        Level(header="TIMer[:DELay]", clause=DESIGNER, name="timer_s", unit="S", digits=2),
        Switch(header="TIMer:STATe", clause=DESIGNER, name="timer_on"),
        Query(
            header="MEASure[:SCALar]:VOLTage[:DC]",
            clause=_MEASURE,
            answer=lambda d: f"{d.measured_voltage_v():.6E}",
        ),
        Query(
            header="MEASure[:SCALar]:CURRent[:DC]",
            clause=_MEASURE,
            answer=lambda d: f"{d.measured_current_a():.6E}",
        ),
        Query(
            header="MEASure[:SCALar]:POWer[:DC]",
            clause=_MEASURE,
            answer=lambda d: f"{d.measured_power_w():.6E}",
        ),
        Query(
            header="COUNter",
            clause=DESIGNER,
            answer=lambda d: f"{d.counted_ah():.6E},{d.counted_wh():.6E}",
        ),
        Action(header="SYSTem:REMote", clause=DESIGNER, do=lambda d: d.set_remote("remote")),
        Action(header="SYSTem:LOCal", clause=DESIGNER, do=lambda d: d.set_remote("local")),
    )
