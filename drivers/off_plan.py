"""All that a separate process needs to switch one instrument off without this code."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class OffPlan:
    """Raw bytes, terminators included, that switch an output off and read it back.

    `address` is a TCP socket or a serial port as VISA resource string. After `off`, the reply to `question`,
    stripped and in upper case, must be one of `off_replies`. The reply to `current_question`, split at
    `current_separator`, has the current at `current_field`, a number followed by `current_unit` ("" = none),
    in A once multiplied by `current_factor`, with the instrument's own sign. Replies end with `reply_end`. `baud` is
    for serial ports.
    """

    name: str
    address: str
    off: bytes
    question: bytes
    off_replies: tuple[str, ...]
    current_question: bytes
    current_field: int
    current_separator: str
    current_unit: str = ""
    current_factor: float = 1.0
    reply_end: bytes = b"\n"
    baud: int = 9600
