"""What every simulated DC load does, whatever its dialect: set-points, protections, switching, measuring."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, fields

from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_text import ScpiError
from benchwarden.simulators.terminals import OVER_CURRENT, OVER_POWER, TIMER, UNDER_VOLTAGE, Drawn, LoadState
from benchwarden.simulators.wiring import Bay

MARGIN = 1.1
"""Protections can be set up to this many times the rating."""

MAX_TIMER_S = 100_000.0
COUNTER_AH, COUNTER_WH = 1e-4, 1e-3

_QUESTIONABLE = {UNDER_VOLTAGE: 1, OVER_CURRENT: 2, TIMER: 4, OVER_POWER: 8}
"""Own trip to bit of the questionable register: VOLTage 0, CURRent 1, TIME 2, POWer 3 (SCPI-1999 20.3)."""


@dataclass(slots=True)
class Meters:
    """The meters in a load or a supply: terminals in volts, current in amperes."""

    voltage: Meter = field(default_factory=Meter)
    current: Meter = field(default_factory=Meter)


class LoadDevice(Device):
    """A programmable DC load on a bay; the dialects are its subclasses.

    Currents are positive when the load draws, as instruments of this kind answer. Settings are the names of
    `LoadState`, and "on". Its counters integrate what its own meters make of current and voltage while it is on, in
    steps of `COUNTER_AH` and `COUNTER_WH`; noise averages out in them. `zero_at_on`: they begin anew at each on.
    """

    zero_at_on = False

    def __init__(
        self,
        bay: Bay,
        index: int = 0,
        *,
        model: str,
        serial: str,
        firmware: str,
        now: Callable[[], float],
        meters: Meters | None = None,
    ) -> None:
        super().__init__(model=model, serial=serial, firmware=firmware, now=now)
        self.bay = bay
        self.index = index
        self.state: LoadState = bay.loads[index]
        self.meters = meters or Meters()
        self.power_on_state = "RST"
        self.remote = "local"
        self.miscounts = 1.0  # tests set it: its counters say so many times what there is
        self.welded = False  # tests set it: the input's switch stays closed, whatever the instrument says
        self._says_off = False
        self.reset()

    def limits(self, name: str) -> tuple[float, float, float]:
        """Return lowest, highest and default of a setting."""
        state = self.state
        if name in ("current_a", "limit_a"):
            return 0.0, state.max_current_a, 0.0 if name == "current_a" else state.max_current_a
        if name == "power_w":
            return 0.0, state.max_power_w, 0.0
        if name == "resistance_ohm":
            return 0.01, state.max_resistance_ohm, state.max_resistance_ohm
        if name == "under_voltage_v":
            return 0.0, state.max_voltage_v, 0.0
        if name == "over_current_a":
            return 0.0, MARGIN * state.max_current_a, MARGIN * state.max_current_a
        if name == "over_power_w":
            return 0.0, MARGIN * state.max_power_w, MARGIN * state.max_power_w
        if name == "timer_s":
            return 0.1, MAX_TIMER_S, MAX_TIMER_S
        raise KeyError(name)

    def get(self, name: str) -> float | bool | str:
        """Return a setting as it is now; own protections may have switched the input off meanwhile."""
        if name == "power_on_state":
            return self.power_on_state
        self.bay.advance(self.now())
        value = getattr(self.state, name)
        assert isinstance(value, float | int | str)
        return False if name == "on" and self._says_off else value

    def put(self, name: str, value: float | bool | str) -> None:
        """Change a setting, at once also in the circuit; -221 for switching on while a trip is latched."""
        if name == "power_on_state":
            self.power_on_state = str(value)
            return
        now_s = self.now()
        self.bay.advance(now_s)
        if name == "on":
            self._says_off = self.welded and not value
            if self._says_off:
                return
            was_on = self.state.on
            if not self.bay.switch_load(self.index, bool(value), now_s):
                raise ScpiError(-221, f"the input stays off: protection {self.state.tripped} is latched")
            if self.zero_at_on and value and not was_on:
                self.state.drawn = Drawn()
            return
        setattr(self.state, name, value)
        self.bay.touch(now_s)

    def reset(self) -> None:
        """Switch off, then set everything to its default; a latched trip stays latched."""
        now_s = self.now()
        self.bay.advance(now_s)
        if self.state.on:
            self.bay.switch_load(self.index, False, now_s)
        state = self.state
        state.mode = "current"
        for item in fields(state):
            if item.name in SETTINGS:
                setattr(state, item.name, self.limits(item.name)[2])
        state.under_voltage_on = state.over_current_on = state.over_power_on = state.timer_on = False
        self.bay.touch(now_s)

    def power_cycle(self) -> None:
        """Lose and regain mains: the power-on state decides what is left, status starts anew."""
        now_s = self.now()
        self.bay.advance(now_s)
        was_on = self.state.on
        self.bay.switch_load(self.index, False, now_s)
        self.bay.clear_load_trip(self.index, now_s)
        if self.power_on_state == "RST":
            self.reset()
        elif self.power_on_state == "LAST" and was_on:
            self.bay.switch_load(self.index, True, now_s)
        self.state.drawn = Drawn()
        self.status = type(self.status)()

    def set_remote(self, state: str) -> None:
        """Note who may operate the front panel."""
        self.remote = state

    def tripped(self) -> int:
        """Return the bits of the latched protections."""
        self.bay.advance(self.now())
        return self.state.tripped

    def clear_trip(self) -> None:
        """Release the latched protections; the input stays off."""
        now_s = self.now()
        self.bay.advance(now_s)
        self.bay.clear_load_trip(self.index, now_s)

    def questionable(self) -> int:
        """Return VOLTage, CURRent, TIME and POWer bits for the latched protections."""
        tripped = self.tripped()
        return sum(bit for trip, bit in _QUESTIONABLE.items() if tripped & trip)

    def measured_voltage_v(self) -> float:
        """Return the voltage as measured now; the overload value beyond the rating (SCPI-1999 7.2.1.4)."""
        self.bay.advance(self.now())
        reading = self.meters.voltage.read(self.bay.load_voltage_v(self.index))
        return reading if abs(reading) <= MARGIN * self.state.max_voltage_v else math.copysign(9.9e37, reading)

    def measured_current_a(self) -> float:
        """Return the current as measured now, positive when drawing."""
        self.bay.advance(self.now())
        reading = self.meters.current.read(self.bay.load_current_a(self.index))
        return reading if abs(reading) <= MARGIN * self.state.max_current_a else math.copysign(9.9e37, reading)

    def measured_power_w(self) -> float:
        """Return the product of one measured voltage and one measured current."""
        return self.measured_voltage_v() * self.measured_current_a()

    def counted_ah(self) -> float:
        """Return what it has counted, in Ah: ∫ i·(1 + gain) + offset dt, while it was on."""
        self.bay.advance(self.now())
        drawn, amperes = self.state.drawn, self.meters.current
        count = drawn.charge_as * (1.0 + amperes.gain) + amperes.offset * drawn.on_s
        return round(self.miscounts * count / 3600.0 / COUNTER_AH) * COUNTER_AH

    def counted_wh(self) -> float:
        """Return what it has counted, in Wh: ∫ of its own voltage times its own current, while it was on."""
        self.bay.advance(self.now())
        drawn, amperes, volts = self.state.drawn, self.meters.current, self.meters.voltage
        gain_a, gain_v = 1.0 + amperes.gain, 1.0 + volts.gain
        count = gain_v * (gain_a * drawn.energy_ws + amperes.offset * drawn.volt_s)
        count += volts.offset * (gain_a * drawn.charge_as + amperes.offset * drawn.on_s)
        return round(self.miscounts * count / 3600.0 / COUNTER_WH) * COUNTER_WH

    def clear_counters(self) -> None:
        """Set its counters to zero."""
        self.bay.advance(self.now())
        self.state.drawn = Drawn()


SETTINGS = (
    "current_a",
    "power_w",
    "resistance_ohm",
    "limit_a",
    "under_voltage_v",
    "over_current_a",
    "over_power_w",
    "timer_s",
)
"""Numeric settings that *RST sets to their defaults."""


def fixed_point(value: float, digits: int) -> str:
    """Return a reading in NR2 as instruments answer it, an overload in NR3 (IEEE 488.2 8.7.3 and 8.7.4)."""
    return f"{value:.{digits}f}" if abs(value) < 1e9 else f"{value:.1E}"
