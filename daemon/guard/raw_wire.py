"""Switches one instrument off, or asks who it is, by raw bytes on a connection of its own.

For the guardian and for `benchwarden off`: no driver, no command map, no event loop. What to send and what to take for
an answer comes as data (drivers/off_plan.py with bytes in base 64, and `threshold_a`). Blocking, in real seconds.
"""

import base64
import os
import select
import socket
import time
from collections.abc import Callable, Mapping
from typing import Any

Entry = Mapping[str, Any]
TIMEOUT_S = 2.0


def switch_off(entry: Entry, timeout_s: float = TIMEOUT_S, mark: Callable[[str], None] = lambda what: None) -> str:
    """Send one instrument its off bytes and return what it then answered, in words.

    What begins with "off, read back" is confirmed by read-back and by measured current; all else begins with "NOT
    CONFIRMED". `mark` is told when off has been "sent", and the answers to it "read back" and "measured".
    """
    try:
        with Wire(entry, timeout_s) as wire:
            wire.send(base64.b64decode(entry["off"]))
            mark("sent")
            state = wire.ask(base64.b64decode(entry["question"]))
            mark("read back")
            measured = wire.ask(base64.b64decode(entry["current_question"]))
            mark("measured")
        field = measured.split(entry["current_separator"])[entry["current_field"]]
        current_a = float(field.strip().removesuffix(entry["current_unit"])) * entry["current_factor"]
    except Exception as error:  # noqa: BLE001  whatever one instrument does, the others are switched off too
        return f"NOT CONFIRMED ({error}): unplug it"
    if state.upper() not in {reply.upper() for reply in entry["off_replies"]}:
        return f"NOT CONFIRMED (answers {state!r} after off): unplug it"
    if not abs(current_a) <= entry["threshold_a"]:
        return f"NOT CONFIRMED (reads back off, but measures {current_a:.2f} A): unplug it"
    return f"off, read back; {abs(current_a):.2f} A measured"


def is_confirmed(outcome: str) -> bool:
    """Tell whether what `switch_off` returned means off."""
    return outcome.startswith("off, read back")


def identify(entry: dict[str, Any], timeout_s: float = TIMEOUT_S) -> str | None:
    """Return None if the instrument is the one of `entry["identity"]` (maker, model, serial), else why not.

    Where it was reached stays in `entry["peer"]`: a takeover must not wait for a name to be looked up.
    """
    try:
        with Wire(entry, timeout_s) as wire:
            if wire.peer:
                entry["peer"] = wire.peer
            answer = wire.ask(b"*IDN?" + base64.b64decode(entry["reply_end"]))
    except Exception as error:  # noqa: BLE001  termios has errors of its own kind
        return f"{entry['name']} at {entry['address']} does not answer the guardian: {error}"
    found = [field.strip() for field in answer.split(",")][:3]
    if found != list(entry["identity"]):
        return f"{entry['name']} at {entry['address']} is {answer!r}, expected {', '.join(entry['identity'])}"
    return None


class Wire:
    """A blocking connection by raw bytes to a TCP socket or a serial port, chosen by the VISA resource string.

    Raises OSError when it cannot be opened, ValueError for an address that is neither.
    """

    def __init__(self, entry: Entry, timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self._end = base64.b64decode(entry["reply_end"])
        self._port: Any = None
        self._socket: socket.socket | None = None
        address = entry["address"]
        parts = address.split("::", 1)
        host, *port = parts[-1].rsplit("::", 2)  # from the right: an IPv6 host has colons of its own
        if address.upper().startswith("TCPIP") and len(port) == 2 and port[1].upper() == "SOCKET":
            where = entry.get("peer") or (host.strip("[]"), int(port[0]))
            self._socket = socket.create_connection((where[0], where[1]), timeout_s)
        elif address.upper().startswith("ASRL"):
            import serial

            self._port = serial.Serial(parts[0][4:], entry["baud"], timeout=0, write_timeout=timeout_s, exclusive=True)
        else:
            raise ValueError(f"only TCPIP…::SOCKET and ASRL…::INSTR can be reached without a driver, not {address}")

    def __enter__(self) -> "Wire":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def peer(self) -> tuple[str, int] | None:
        """The numeric address and port at the other end of a socket."""
        return self._socket.getpeername()[:2] if self._socket else None

    def close(self) -> None:
        """Close the connection."""
        (self._socket or self._port).close()

    def send(self, data: bytes) -> None:
        """Send bytes; raises OSError."""
        if self._socket:
            self._socket.sendall(data)
        else:
            self._port.write(data)

    def ask(self, question: bytes) -> str:
        """Send a question and return its answer without terminator; raises OSError when none comes in time."""
        self.send(question)
        descriptor = (self._socket or self._port).fileno()
        looker = select.poll()  # select() fails beyond descriptor 1023 (select(2))
        looker.register(descriptor, select.POLLIN)
        answer = b""
        end = time.monotonic() + self._timeout_s
        while not answer.endswith(self._end):
            ready = looker.poll(max(end - time.monotonic(), 0.0) * 1000.0)
            block = os.read(descriptor, 4096) if ready else b""
            if not block:
                raise OSError("no answer" if not answer else f"half an answer, {answer!r}")
            answer += block
        return answer.decode("ascii", "replace").strip()
