"""A simulated DC supply."""

from collections.abc import Callable

from benchwarden.simulators.load import MARGIN, Meters, fixed_point
from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_commands import DESIGNER, Action, Choice, Level, Query, Switch
from benchwarden.simulators.scpi_text import ScpiError
from benchwarden.simulators.terminals import SUPPLY_OVER_CURRENT, SUPPLY_OVER_VOLTAGE, SupplyState
from benchwarden.simulators.wiring import Bay

_OUTPUT = "SCPI-1999 volume 2 chapter 15 (OUTPut)"
_SOURCE = "SCPI-1999 volume 2 chapter 19 (SOURce)"
_MEASURE = "SCPI-1999 volume 2 chapter 3 (MEASure)"


class SupplyDevice(Device):
    """A programmable DC supply on a bay; model SIM-SUPPLY. Current is positive out of the supply."""

    def __init__(
        self,
        bay: Bay,
        *,
        model: str = "SIM-SUPPLY",
        serial: str,
        firmware: str,
        now: Callable[[], float],
        meters: Meters | None = None,
    ) -> None:
        super().__init__(model=model, serial=serial, firmware=firmware, now=now)
        if bay.supply is None:
            raise ValueError(f"bay {bay.name}: there is no supply in its wiring, so no supply can be simulated")
        self.bay = bay
        self.state: SupplyState = bay.supply
        self.meters = meters or Meters(Meter(), Meter())
        self.power_on_state = "RST"
        self.reset()

    def limits(self, name: str) -> tuple[float, float, float]:
        """Return lowest, highest and default of a setting."""
        state = self.state
        if name == "voltage_v":
            return 0.0, state.max_voltage_v, 0.0
        if name == "current_a":
            return 0.0, state.max_current_a, 0.0
        if name == "over_voltage_v":
            return 0.0, MARGIN * state.max_voltage_v, MARGIN * state.max_voltage_v
        if name == "over_current_a":
            return 0.0, MARGIN * state.max_current_a, MARGIN * state.max_current_a
        raise KeyError(name)

    def get(self, name: str) -> float | bool | str:
        """Return a setting as it is now."""
        if name == "power_on_state":
            return self.power_on_state
        self.bay.advance(self.now())
        value = getattr(self.state, name)
        assert isinstance(value, float | int | str)
        return value

    def put(self, name: str, value: float | bool | str) -> None:
        """Change a setting, at once also in the circuit; -221 for switching on while a trip is latched."""
        if name == "power_on_state":
            self.power_on_state = str(value)
            return
        now_s = self.now()
        self.bay.advance(now_s)
        if name == "on":
            if not self.bay.switch_supply(bool(value), now_s):
                raise ScpiError(-221, f"the output stays off: protection {self.state.tripped} is latched")
            return
        setattr(self.state, name, value)
        self.bay.touch(now_s)

    def reset(self) -> None:
        """Switch off, then set everything to its default; a latched trip stays latched."""
        now_s = self.now()
        self.bay.advance(now_s)
        if self.state.on:
            self.bay.switch_supply(False, now_s)
        for name in ("voltage_v", "current_a", "over_voltage_v", "over_current_a"):
            setattr(self.state, name, self.limits(name)[2])
        self.state.over_current_on = False
        self.bay.touch(now_s)

    def power_cycle(self) -> None:
        """Lose and regain mains: the power-on state decides what is left, status starts anew."""
        now_s = self.now()
        self.bay.advance(now_s)
        was_on = self.state.on
        self.bay.switch_supply(False, now_s)
        self.bay.clear_supply_trip(now_s)
        if self.power_on_state == "RST":
            self.reset()
        elif self.power_on_state == "LAST" and was_on:
            self.bay.switch_supply(True, now_s)
        self.status = type(self.status)()

    def has_tripped(self, bit: int) -> str:
        """Return 1 if this protection is latched, else 0."""
        self.bay.advance(self.now())
        return "1" if self.state.tripped & bit else "0"

    def clear_trip(self) -> None:
        """Release the latched protections; the output stays off."""
        now_s = self.now()
        self.bay.advance(now_s)
        self.bay.clear_supply_trip(now_s)

    def questionable(self) -> int:
        """Return VOLTage and CURRent bits for the latched protections (SCPI-1999 20.3)."""
        self.bay.advance(self.now())
        return self.state.tripped & (SUPPLY_OVER_VOLTAGE | SUPPLY_OVER_CURRENT)

    def measured_voltage_v(self) -> float:
        """Return the voltage at the sense point as measured now."""
        self.bay.advance(self.now())
        return self.meters.voltage.read(self.bay.supply_voltage_v())

    def measured_current_a(self) -> float:
        """Return the current out of the supply as measured now."""
        self.bay.advance(self.now())
        return self.meters.current.read(self.bay.supply_current_a())

    table = (
        Switch(header="OUTPut[:STATe]", clause=_OUTPUT, name="on"),
        Choice(
            header="OUTPut:PON:STATe",
            clause=DESIGNER,
            name="power_on_state",
            words=(("RST", "RST"), ("OFF", "OFF"), ("LAST", "LAST")),
        ),
        Level(
            header="[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]",
            clause=_SOURCE,
            name="voltage_v",
            unit="V",
            digits=3,
        ),
        Level(
            header="[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]",
            clause=_SOURCE,
            name="current_a",
            unit="A",
            digits=4,
        ),
        Level(
            header="[SOURce:]VOLTage:PROTection[:LEVel]",
            clause=_SOURCE,
            name="over_voltage_v",
            unit="V",
            digits=3,
        ),
        Query(
            header="[SOURce:]VOLTage:PROTection:TRIPped",
            clause=_SOURCE,
            answer=lambda d: str(d.has_tripped(SUPPLY_OVER_VOLTAGE)),
        ),
        Action(header="[SOURce:]VOLTage:PROTection:CLEar", clause=_SOURCE, do=clear_trip),
        Level(
            header="[SOURce:]CURRent:PROTection[:LEVel]",
            clause=_SOURCE,
            name="over_current_a",
            unit="A",
            digits=3,
        ),
        Switch(header="[SOURce:]CURRent:PROTection:STATe", clause=_SOURCE, name="over_current_on"),
        Query(
            header="[SOURce:]CURRent:PROTection:TRIPped",
            clause=_SOURCE,
            answer=lambda d: str(d.has_tripped(SUPPLY_OVER_CURRENT)),
        ),
        Action(header="[SOURce:]CURRent:PROTection:CLEar", clause=_SOURCE, do=clear_trip),
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
    )
