"""Status of an instrument: registers of IEEE 488.2 chapter 11, error queue and registers of SCPI-1999."""

from collections import deque
from dataclasses import dataclass, field

from benchwarden.simulators.scpi_text import ERRORS, ScpiError

QUEUE_DEPTH = 10
"""Errors kept; SCPI-1999 asks for at least two."""

OPERATION_COMPLETE = 1
QUERY_ERROR = 4
DEVICE_ERROR = 8
EXECUTION_ERROR = 16
COMMAND_ERROR = 32
POWER_ON = 128
"""Bits of the standard event status register (IEEE 488.2 11.5.1)."""


@dataclass(slots=True)
class Register:
    """One SCPI status register (SCPI-1999 20.1): condition, latched event and enable mask, bits 0 to 14."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def set_condition(self, bits: int) -> None:
        """Take over the condition; a bit that rises is latched as an event (positive transitions only)."""
        self.event |= bits & ~self.condition
        self.condition = bits

    def take_event(self) -> int:
        """Return the event register and clear it, as reading it does."""
        event, self.event = self.event, 0
        return event


@dataclass(slots=True)
class Status:
    """All status of one instrument; starts as after power-on."""

    event: int = POWER_ON
    event_enable: int = 0
    service_enable: int = 0
    message_available: bool = False
    operation: Register = field(default_factory=Register)
    questionable: Register = field(default_factory=Register)
    errors: deque[tuple[int, str]] = field(default_factory=deque)

    def push(self, error: ScpiError) -> None:
        """Queue an error and set its bit; in a full queue the newest place says -350 (SCPI-1999 21.8.1)."""
        self.event |= _event_bit(error.number)
        if len(self.errors) < QUEUE_DEPTH:
            self.errors.append((error.number, error.text))
        else:
            self.errors[-1] = (-350, ERRORS[-350])

    def next_error(self) -> str:
        """Return and remove the oldest error, `0,"No error"` if there is none."""
        number, text = self.errors.popleft() if self.errors else (0, "No error")
        return f'{number},"{text}"'

    def all_errors(self) -> str:
        """Return and remove all errors, comma separated."""
        answer = ",".join(f'{number},"{text}"' for number, text in self.errors) or '0,"No error"'
        self.errors.clear()
        return answer

    def take_event(self) -> int:
        """Return the standard event register and clear it (*ESR?)."""
        event, self.event = self.event, 0
        return event

    def byte(self) -> int:
        """Return the status byte as *STB? gives it, with the master summary in bit 6 (IEEE 488.2 11.2)."""
        bits = 0
        if self.errors:
            bits |= 4
        if self.questionable.event & self.questionable.enable:
            bits |= 8
        if self.message_available:
            bits |= 16
        if self.event & self.event_enable:
            bits |= 32
        if self.operation.event & self.operation.enable:
            bits |= 128
        if bits & self.service_enable & ~64:
            bits |= 64
        return bits

    def clear(self) -> None:
        """Clear events and errors, no mask (*CLS)."""
        self.event = 0
        self.operation.event = 0
        self.questionable.event = 0
        self.errors.clear()

    def preset(self) -> None:
        """Clear the masks of the SCPI registers (STATus:PRESet)."""
        self.operation.enable = 0
        self.questionable.enable = 0


def _event_bit(number: int) -> int:
    if -200 < number <= -100:
        return COMMAND_ERROR
    if -300 < number <= -200:
        return EXECUTION_ERROR
    if -500 < number <= -400:
        return QUERY_ERROR
    return DEVICE_ERROR
