"""One simulated instrument at its line: what was sent to it, and the faults of the line that tests put in."""

from collections import deque
from dataclasses import dataclass, field

from benchwarden.simulators.scpi import Device

LOG_LENGTH = 10_000


@dataclass(slots=True)
class Faults:
    """What goes wrong between an instrument and its line; nothing unless told so.

    `hold_reply_s`: replies leave that much later, the next `holds` of them only, if that is set. `mute`:
    messages are executed but nothing is answered. `deaf`: messages are neither executed nor answered.
    `drop_connection`: the next message is lost and the connection with it, once. `garbage`: sent in place of
    every reply. `frozen`: the same question gets the same answer as before. `lost`: message units that contain
    this text are not executed, such as "INPut OFF".
    """

    hold_reply_s: float = 0.0
    holds: int | None = None
    mute: bool = False
    deaf: bool = False
    drop_connection: bool = False
    garbage: str | None = None
    frozen: bool = False
    lost: str | None = None


@dataclass(slots=True)
class Endpoint:
    """A device with its faults. `log` holds (time in s, message) of what arrived, newest last."""

    device: Device
    faults: Faults = field(default_factory=Faults)
    log: deque[tuple[float, str]] = field(default_factory=lambda: deque(maxlen=LOG_LENGTH))
    _answers: dict[str, str | None] = field(default_factory=dict)

    def handle(self, message: str) -> str | None:
        """Return the reply to a message, None for none. Raises ConnectionResetError where the line is cut."""
        self.log.append((self.device.now(), message))
        faults = self.faults
        if faults.drop_connection:
            faults.drop_connection = False
            raise ConnectionResetError("the simulated connection was cut")
        if faults.deaf:
            return None
        if faults.lost:
            message = ";".join(unit for unit in message.split(";") if faults.lost not in unit)
        if faults.frozen and message in self._answers:
            self.device.handle(message)
            return self._answers[message]
        reply = self.device.handle(message)
        if faults.frozen:
            self._answers[message] = reply
        elif self._answers:
            self._answers.clear()
        if faults.mute or reply is None:
            return None
        return reply if faults.garbage is None else faults.garbage

    def delay_s(self) -> float:
        """Return how late the reply in hand leaves, and count it."""
        faults = self.faults
        if faults.hold_reply_s <= 0.0 or faults.holds == 0:
            return 0.0
        if faults.holds is not None:
            faults.holds -= 1
        return faults.hold_reply_s
