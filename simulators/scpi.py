"""The SCPI engine of a simulated instrument: the device that executes messages, and the common commands.

A device is data: a tuple of commands, each with its header in SCPI notation and the clause it comes from.
Source: SCPI-1999 volume 1 chapter 6 (headers), IEEE 488.2-1992 chapters 6 and 7 (message exchange).
"""

from collections.abc import Callable, Iterable
from typing import ClassVar, NamedTuple

from benchwarden.simulators.scpi_commands import (
    Action,
    Command,
    IndefiniteQuery,
    Mask,
    OperationComplete,
    Query,
)
from benchwarden.simulators.scpi_text import ScpiError, spellings, split_outside, split_unit
from benchwarden.simulators.status import Status

_CACHE = 1024


class _Program(NamedTuple):
    """A message that was read once: units to execute, and the error that ends it, if any."""

    units: tuple[tuple[Command, bool, tuple[str, ...]], ...]
    error: ScpiError | None


class Device:
    """A simulated instrument that understands the common commands and its own table.

    `now` gives the time in seconds. Subclasses give `table`, and `get`, `put`, `limits` for its settings. `clips`
    is for tests: a level out of range becomes the nearest end of its range, and no error tells of it.
    """

    table: ClassVar[tuple[Command, ...]] = ()
    _tree: ClassVar[dict[str, Command]] = {}

    def __init_subclass__(cls) -> None:
        super().__init_subclass__()
        cls._tree = {name: command for command in cls.commands() for name in spellings(command.header)}

    def __init__(self, *, model: str, serial: str, firmware: str, now: Callable[[], float]) -> None:
        self.identity = f"BENCHWARDEN,{model},{serial},{firmware}"
        self.now = now
        self.status = Status()
        self.clips = False
        self._programs: dict[str, _Program] = {}

    @classmethod
    def commands(cls) -> Iterable[Command]:
        """Return every command of the device: the common ones and its own."""
        return (*COMMON, *cls.table)

    def reset(self) -> None:
        """Do what *RST does to this kind of instrument; status, queue and masks are not touched."""

    def questionable(self) -> int:
        """Return the condition bits of the questionable status register (SCPI-1999 20.3)."""
        return 0

    def get_mask(self, name: str) -> int:
        """Return an enable mask."""
        if name in ("operation", "questionable"):
            return int(getattr(self.status, name).enable)
        return int(getattr(self.status, name))

    def put_mask(self, name: str, bits: int) -> None:
        """Set an enable mask."""
        if name in ("operation", "questionable"):
            getattr(self.status, name).enable = bits
        else:
            # Bit 6 of the service request mask does not exist (IEEE 488.2 11.3.2).
            setattr(self.status, name, bits & ~64 if name == "service_enable" else bits)

    def fresh_status(self) -> Status:
        """Return the status with the conditions of this moment in it."""
        self.status.questionable.set_condition(self.questionable())
        return self.status

    def handle(self, message: str) -> str | None:
        """Execute one program message, terminator removed; return the response line, None without an answer.

        A command error ends the message, an execution error only its unit (IEEE 488.2 6.4.3 and 11.5.1).
        Never raises for whatever text: errors go to the queue.
        """
        program = self._programs.get(message)
        if program is None:
            program = self._read(message)
        answers: list[str] = []
        status = self.status
        status.message_available = False
        indefinite = False
        for command, query, parameters in program.units:
            try:
                if not query:
                    command.tell(self, parameters)
                elif indefinite:
                    raise ScpiError(-440, command.header)
                else:
                    answers.append(command.ask(self, parameters))
                    status.message_available = True
                    indefinite = command.indefinite
            except ScpiError as error:
                status.push(error)
                if -200 < error.number <= -100:
                    break
        else:
            if program.error is not None:
                status.push(program.error)
        return ";".join(answers) if answers else None

    def _read(self, message: str) -> _Program:
        units: list[tuple[Command, bool, tuple[str, ...]]] = []
        error = None
        path = ""
        try:
            parts = split_outside(message, ";") if message.strip() else []
            for part in parts:
                root, name, query, parameters = split_unit(part)
                if name.startswith("*"):
                    full = name
                else:
                    full = name if root or not path else f"{path}:{name}"
                    path = full.rpartition(":")[0]
                command = self._find(full)
                if not (command.asks if query else command.tells):
                    raise ScpiError(-113, part.strip())
                units.append((command, query, parameters))
        except ScpiError as found:
            error = found
        program = _Program(tuple(units), error)
        if len(self._programs) >= _CACHE:
            self._programs.clear()
        self._programs[message] = program
        return program

    def _find(self, path: str) -> Command:
        command = self._tree.get(path)
        if command is not None:
            return command
        # A numeric suffix of 1 is the default and may be written (SCPI-1999 6.2.5.2), no other exists here.
        bare = ":".join(name.rstrip("0123456789") for name in path.split(":"))
        command = self._tree.get(bare)
        if command is None:
            raise ScpiError(-113, path)
        if any(name[len(name.rstrip("0123456789")) :] not in ("", "1") for name in path.split(":")):
            raise ScpiError(-114, path)
        return command


def _nothing(device: Device) -> None:
    """Wait for nothing: every command here is done when the next one is read."""


COMMON: tuple[Command, ...] = (
    Action(header="*CLS", clause="IEEE 488.2 10.3", do=lambda d: d.status.clear()),
    Mask(header="*ESE", clause="IEEE 488.2 10.10", name="event_enable", highest=255),
    Query(header="*ESR", clause="IEEE 488.2 10.12", answer=lambda d: str(d.status.take_event())),
    IndefiniteQuery(header="*IDN", clause="IEEE 488.2 10.14", answer=lambda d: str(d.identity)),
    OperationComplete(header="*OPC", clause="IEEE 488.2 10.18 and 10.19"),
    Action(header="*RST", clause="IEEE 488.2 10.32", do=lambda d: d.reset()),
    Mask(header="*SRE", clause="IEEE 488.2 10.34", name="service_enable", highest=255),
    Query(header="*STB", clause="IEEE 488.2 10.36", answer=lambda d: str(d.fresh_status().byte())),
    Query(header="*TST", clause="IEEE 488.2 10.38", answer=lambda d: "0"),
    Action(header="*WAI", clause="IEEE 488.2 10.39", do=_nothing),
    Query(header="SYSTem:ERRor[:NEXT]", clause="SCPI-1999 21.8.8", answer=lambda d: str(d.status.next_error())),
    Query(header="SYSTem:ERRor:COUNt", clause="SCPI-1999 21.8.6", answer=lambda d: str(len(d.status.errors))),
    Query(header="SYSTem:ERRor:ALL", clause="SCPI-1999 21.8.4", answer=lambda d: str(d.status.all_errors())),
    Query(header="SYSTem:VERSion", clause="SCPI-1999 21.21", answer=lambda d: "1999.0"),
    Action(header="STATus:PRESet", clause="SCPI-1999 20.2", do=lambda d: d.status.preset()),
    Query(
        header="STATus:OPERation[:EVENt]",
        clause="SCPI-1999 20.1.4",
        answer=lambda d: str(d.fresh_status().operation.take_event()),
    ),
    Query(
        header="STATus:OPERation:CONDition",
        clause="SCPI-1999 20.1.2",
        answer=lambda d: str(d.fresh_status().operation.condition),
    ),
    Mask(header="STATus:OPERation:ENABle", clause="SCPI-1999 20.1.3", name="operation", highest=32767),
    Query(
        header="STATus:QUEStionable[:EVENt]",
        clause="SCPI-1999 20.3",
        answer=lambda d: str(d.fresh_status().questionable.take_event()),
    ),
    Query(
        header="STATus:QUEStionable:CONDition",
        clause="SCPI-1999 20.3",
        answer=lambda d: str(d.fresh_status().questionable.condition),
    ),
    Mask(header="STATus:QUEStionable:ENABle", clause="SCPI-1999 20.3", name="questionable", highest=32767),
)
"""The common commands of IEEE 488.2 and those that SCPI-1999 4.2.1 requires. Clause numbers inside chapters
20 and 21 of SCPI-1999 are from memory."""
