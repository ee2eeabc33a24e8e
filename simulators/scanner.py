"""A simulated voltage scanner on the balance taps, read by channel list."""

from collections.abc import Callable, Mapping

from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_commands import ChannelQuery
from benchwarden.simulators.scpi_text import ScpiError
from benchwarden.simulators.wiring import Bay

FIRST, LAST = 101, 120
"""Channels that the instrument has; those without a wire answer the overload value."""

OVERLOAD = "9.9E+37"
"""SCPI-1999 7.2.1.4."""


def group_wires(bay: Bay, groups: int, first: int = FIRST) -> dict[int, tuple[Bay, int]]:
    """Return the wiring of a bay's taps 1 to `groups` to channels from `first` on."""
    return {first + place: (bay, place) for place in range(groups)}


class ScannerDevice(Device):
    """A relay scanner; model SIM-SCAN. `wires` says which channel sits on which tap (from 0) of which bay.

    With `cumulative`, a channel answers its tap against the pack's negative end, else its group's voltage.
    """

    def __init__(
        self,
        wires: Mapping[int, tuple[Bay, int]],
        *,
        model: str = "SIM-SCAN",
        serial: str,
        firmware: str,
        now: Callable[[], float],
        cumulative: bool = False,
        meter: Meter | None = None,
    ) -> None:
        super().__init__(model=model, serial=serial, firmware=firmware, now=now)
        self.wires = dict(wires)
        self.cumulative = cumulative
        self.meter = meter or Meter()

    def scan(self, channels: tuple[int, ...]) -> str:
        """Return the readings of the channels, comma separated; -224 for a channel that does not exist."""
        for channel in channels:
            if not FIRST <= channel <= LAST:
                raise ScpiError(-224, f"channel {channel} is not within {FIRST} to {LAST}")
        now_s = self.now()
        volts: dict[str, list[float]] = {}
        answers = []
        for channel in channels:
            wire = self.wires.get(channel)
            if wire is None:
                answers.append(OVERLOAD)
                continue
            bay, place = wire
            taps = volts.get(bay.name)
            if taps is None:
                bay.advance(now_s)
                taps = volts[bay.name] = bay.taps_v() if self.cumulative else bay.groups_v()
            answers.append(f"{self.meter.read(taps[place]):.6E}")
        return ",".join(answers)

    table = (
        ChannelQuery(
            header="MEASure[:SCALar]:VOLTage[:DC]",
            clause="SCPI-1999 volume 2 chapter 3 (MEASure), channel list 8.3.2",
            answer=scan,
            first=f"(@{FIRST})",
        ),
    )
