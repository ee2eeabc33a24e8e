"""From a VISA resource string to a line that is not open yet."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchwarden.drivers.line import Line
from benchwarden.drivers.memory import MemoryLine
from benchwarden.drivers.serial_port import SerialLine
from benchwarden.drivers.tcp import TcpLine
from benchwarden.drivers.visa import VisaLine

_SOCKET = re.compile(r"TCPIP\d*::(?P<host>.+)::(?P<port>\d+)::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(?P<path>/.+?)(::INSTR)?", re.IGNORECASE)
_MEMORY = re.compile(r"MEMORY::(?P<name>.+)", re.IGNORECASE)
_OTHER = re.compile(r"(TCPIP|USB|GPIB|ASRL|VXI|PXI|PRLGX-TCPIP|PRLGX-ASRL)\S*", re.IGNORECASE)


class AddressError(ValueError):
    """An address cannot be used; the message says what was found and what would be right."""


@dataclass(frozen=True, slots=True)
class Address:
    """A resource string taken apart: `kind` is "tcp", "serial", "memory" or "visa"."""

    text: str
    kind: str
    host: str = ""
    port: int = 0
    path: str = ""


def parse_address(text: str) -> Address:
    """Take a VISA resource string apart. Raises AddressError."""
    if found := _SOCKET.fullmatch(text):
        port = int(found["port"])
        if not 1 <= port <= 65535:
            raise AddressError(f"address {text!r}: port {port} is not within 1 to 65535")
        return Address(text, "tcp", host=found["host"].strip("[]"), port=port)
    if found := _SERIAL.fullmatch(text):
        return Address(text, "serial", path=found["path"])
    if found := _MEMORY.fullmatch(text):
        return Address(text, "memory", path=found["name"])
    if _OTHER.fullmatch(text):
        return Address(text, "visa")
    raise AddressError(
        f"address {text!r} is not a VISA resource string; right would be for instance"
        " TCPIP::192.0.2.10::5025::SOCKET or ASRL/dev/ttyUSB0::INSTR"
    )


def open_line(
    address: str,
    *,
    via: str | None = None,
    backend: str = "@py",
    baud: int = 9600,
    terminator: str = "\n",
    memory: Mapping[str, Callable[[str], str | None]] | None = None,
) -> Line:
    """Return the line for `address`, not opened yet.

    `via="visa"` sends any address through PyVISA with `backend`; `baud` (bit/s) is for serial ports. `memory`
    maps the names of "MEMORY::<name>" to what answers there. Raises AddressError.
    """
    found = parse_address(address)
    if via not in (None, "visa"):
        raise AddressError(f"address {address!r}: via = {via!r} is unknown; right would be 'visa', or nothing")
    if found.kind == "memory":
        if memory is None or found.path not in memory:
            known = ", ".join(sorted(memory or {})) or "none"
            raise AddressError(f"address {address!r}: nothing of this name in memory; there is: {known}")
        return MemoryLine(memory[found.path], address)
    if via == "visa" or found.kind == "visa":
        serial = address.upper().startswith("ASRL")
        return VisaLine(address, library=backend, baud=baud if serial else None, terminator=terminator)
    if found.kind == "tcp":
        return TcpLine(found.host, found.port, terminator=terminator)
    return SerialLine(found.path, baud=baud, terminator=terminator)
