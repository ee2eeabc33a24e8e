"""A simulated voltmeter at the pack's connector, independent of load and supply."""

from collections.abc import Callable

from benchwarden.simulators.meter import Meter
from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_commands import Query
from benchwarden.simulators.wiring import Bay


class VoltmeterDevice(Device):
    """A voltmeter; model SIM-METER."""

    def __init__(
        self,
        bay: Bay,
        *,
        model: str = "SIM-METER",
        serial: str,
        firmware: str,
        now: Callable[[], float],
        meter: Meter | None = None,
    ) -> None:
        super().__init__(model=model, serial=serial, firmware=firmware, now=now)
        self.bay = bay
        self.meter = meter or Meter()

    def measured_voltage_v(self) -> float:
        """Return the voltage at the pack's connector as measured now."""
        self.bay.advance(self.now())
        return self.meter.read(self.bay.pack_voltage_v())

    table = (
        Query(
            header="MEASure[:SCALar]:VOLTage[:DC]",
            clause="SCPI-1999 volume 2 chapter 3 (MEASure)",
            answer=lambda d: f"{d.measured_voltage_v():+.8E}",
        ),
    )
