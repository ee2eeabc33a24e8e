"""Simulated thermometers with several probes, read by channel list: in °C, or in the volts or ohms of what is wired."""

from collections.abc import Callable, Mapping
from typing import ClassVar

from benchwarden.simulators.meter import Meter
from benchwarden.simulators.probe_curves import ntc_ohm, type_k_mv
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_commands import DESIGNER, ChannelQuery, Query
from benchwarden.simulators.scpi_text import ScpiError
from benchwarden.simulators.wiring import Bay

FIRST, LAST = 1, 8
"""Channels that the instrument has; an open probe answers the overload value (SCPI-1999 7.2.1.4)."""

OPEN = "9.9E+37"
NO_NUMBER = "9.91E+37"
"""SCPI-1999 7.2.1.4, too."""
TERMINALS_WARMER_K, ROOM_C = 3.0, 23.0
"""An instrument warms its own terminals; without a wire it stands in a room."""


class ProbesDevice(Device):
    """Probes on channels. `wires` says which probe (channel) sits at which place of which bay.

    `broken` holds channels whose probe is open, for tests.
    """

    usual_model: ClassVar[str] = ""

    def __init__(
        self,
        wires: Mapping[int, tuple[Bay, str]],
        *,
        model: str | None = None,
        serial: str,
        firmware: str,
        now: Callable[[], float],
        meter: Meter | None = None,
    ) -> None:
        super().__init__(model=model or self.usual_model, serial=serial, firmware=firmware, now=now)
        self.wires = dict(wires)
        self.broken: set[int] = set()
        self.meter = meter or Meter()

    def shown(self, probe_c: float) -> str:
        """Return what a channel answers whose probe is at this temperature."""
        raise NotImplementedError

    def scan(self, channels: tuple[int, ...]) -> str:
        """Return the channels' readings, comma separated; -224 for a channel that does not exist."""
        for channel in channels:
            if not FIRST <= channel <= LAST:
                raise ScpiError(-224, f"channel {channel} is not within {FIRST} to {LAST}")
        now_s = self.now()
        answers = []
        for channel in channels:
            wire = self.wires.get(channel)
            if wire is None or channel in self.broken:
                answers.append(OPEN)
                continue
            bay, place = wire
            bay.advance(now_s)
            answers.append(self.shown(bay.temperature_c(place)))
        return ",".join(answers)


class ThermometerDevice(ProbesDevice):
    """A thermometer that answers degrees Celsius; model SIM-TEMP."""

    usual_model = "SIM-TEMP"

    def shown(self, probe_c: float) -> str:
        """Return degrees Celsius."""
        return f"{self.meter.read(probe_c):+.3f}"

    table = (
        ChannelQuery(
            header="MEASure[:SCALar]:TEMPerature",
            clause="SCPI-1999 volume 2 chapter 3 (MEASure); the function word is from memory",
            answer=ProbesDevice.scan,
            first=f"(@{FIRST})",
        ),
    )


class ThermocoupleDevice(ProbesDevice):
    """A voltmeter with type K thermocouples on its channels, which tells how warm its terminals are; model SIM-TEMP-V.

    `terminals` is what it makes of their temperature; None: it has lost that sensor.
    """

    usual_model = "SIM-TEMP-V"
    terminals: Meter | None = Meter()

    def terminals_c(self) -> float:
        """Return how warm the terminals are now, in °C."""
        for bay, _ in self.wires.values():
            bay.advance(self.now())
            return bay.temperature_c("ambient") + TERMINALS_WARMER_K
        return ROOM_C + TERMINALS_WARMER_K

    def told(self) -> str:
        """Return degrees Celsius of the terminals, or not-a-number."""
        return NO_NUMBER if self.terminals is None else f"{self.terminals.read(self.terminals_c()):+.2f}"

    def shown(self, probe_c: float) -> str:
        """Return the voltage between the terminals, in volts."""
        return f"{self.meter.read((type_k_mv(probe_c) - type_k_mv(self.terminals_c())) / 1000.0):+.7E}"

    table = (
        ChannelQuery(
            header="MEASure[:SCALar]:VOLTage[:DC]",
            clause="SCPI-1999 volume 2 chapter 3 (MEASure), channel list 8.3.2",
            answer=ProbesDevice.scan,
            first=f"(@{FIRST})",
        ),
        Query(header="MEASure[:SCALar]:TEMPerature:TERMinals", clause=DESIGNER, answer=lambda d: d.told()),
    )


class ThermistorDevice(ProbesDevice):
    """An ohmmeter with thermistors on its channels, by two wires or four; model SIM-TEMP-R."""

    usual_model = "SIM-TEMP-R"

    def shown(self, probe_c: float) -> str:
        """Return the resistance, in ohm."""
        return f"{self.meter.read(ntc_ohm(probe_c)):.5E}"

    table = tuple(
        ChannelQuery(
            header=f"MEASure[:SCALar]:{word}",
            clause="SCPI-1999 volume 2 chapter 3 (MEASure), channel list 8.3.2",
            answer=ProbesDevice.scan,
            first=f"(@{FIRST})",
        )
        for word in ("RESistance", "FRESistance")
    )
