"""A simulated thermometer with several probes, read by channel list."""

from collections.abc import Callable, Mapping

from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_commands import ChannelQuery
from benchwarden.simulators.scpi_text import ScpiError
from benchwarden.simulators.wiring import Bay

FIRST, LAST = 1, 8
"""Channels that the instrument has; an open probe answers the overload value (SCPI-1999 7.2.1.4)."""

OPEN = "9.9E+37"


class ThermometerDevice(Device):
    """A thermometer; model SIM-TEMP. `wires` says which probe (channel) sits at which place of which bay."""

    def __init__(
        self,
        wires: Mapping[int, tuple[Bay, str]],
        *,
        model: str = "SIM-TEMP",
        serial: str,
        firmware: str,
        now: Callable[[], float],
        meter: Meter | None = None,
    ) -> None:
        super().__init__(model=model, serial=serial, firmware=firmware, now=now)
        self.wires = dict(wires)
        self.meter = meter or Meter()

    def scan(self, channels: tuple[int, ...]) -> str:
        """Return degrees Celsius of the channels, comma separated; -224 for a channel that does not exist."""
        for channel in channels:
            if not FIRST <= channel <= LAST:
                raise ScpiError(-224, f"channel {channel} is not within {FIRST} to {LAST}")
        now_s = self.now()
        answers = []
        for channel in channels:
            wire = self.wires.get(channel)
            if wire is None:
                answers.append(OPEN)
                continue
            bay, place = wire
            bay.advance(now_s)
            answers.append(f"{self.meter.read(bay.temperature_c(place)):+.3f}")
        return ",".join(answers)

    table = (
        ChannelQuery(
            header="MEASure[:SCALar]:TEMPerature",
            clause="SCPI-1999 volume 2 chapter 3 (MEASure); the function word is from memory",
            answer=scan,
            first=f"(@{FIRST})",
        ),
    )
