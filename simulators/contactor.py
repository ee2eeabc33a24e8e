"""A simulated contactor between the pack and every instrument, closed only for as long as it was last told."""

from collections.abc import Callable

from benchwarden.simulators.scpi import Device
from benchwarden.simulators.scpi_commands import DESIGNER, Action, Level, Query
from benchwarden.simulators.wiring import Bay

SHORTEST_S, LONGEST_S = 0.1, 10.0


class ContactorDevice(Device):
    """A normally open contactor with its timer; model SIM-CONTACTOR. The bay needs one (`Bay.contactor_until_s`)."""

    def __init__(
        self,
        bay: Bay,
        *,
        model: str = "SIM-CONTACTOR",
        serial: str,
        firmware: str,
        now: Callable[[], float],
    ) -> None:
        super().__init__(model=model, serial=serial, firmware=firmware, now=now)
        self.bay = bay

    def reset(self) -> None:
        """Open at once."""
        self.open()

    def limits(self, name: str) -> tuple[float, float, float]:
        """Return the shortest, longest and usual time to hold, in s."""
        return SHORTEST_S, LONGEST_S, 2.0

    def put(self, name: str, value: float) -> None:
        """Stay closed for so many seconds from now."""
        self.bay.hold_contactor(value, self.now())

    def get(self, name: str) -> float:
        """Return for how many more seconds it stays closed."""
        return max((self.bay.contactor_until_s or 0.0) - self.now(), 0.0)

    def open(self) -> None:
        """Open at once."""
        self.bay.hold_contactor(0.0, self.now())

    def is_closed(self) -> bool:
        """Tell whether it is closed now."""
        self.bay.advance(self.now())
        return not self.bay.contactor_is_open

    table = (
        Level(header="HOLD", clause=DESIGNER, name="hold", unit="S"),
        Action(header="OPEN", clause=DESIGNER, do=lambda d: d.open()),
        Query(header="STATe", clause=DESIGNER, answer=lambda d: str(int(d.is_closed()))),
    )
