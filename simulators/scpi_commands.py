"""Kinds of SCPI commands, of which the tables of the simulated instruments are made.

The parameter rules are those of SCPI-1999 chapter 7; the errors those of chapter 21.8.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

from benchwarden.simulators.scpi_text import ScpiError, boolean, channels, forms, is_word, number, short_form
from benchwarden.simulators.status import OPERATION_COMPLETE

DESIGNER = "designer's node in the SCPI style"
"""The clause of a header that SCPI-1999 does not have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One header in SCPI notation without "?", and where it comes from. The kinds below say what it does."""

    header: str
    clause: str
    asks: ClassVar[bool] = False
    tells: ClassVar[bool] = False
    indefinite: ClassVar[bool] = False

    def tell(self, device: Any, parameters: tuple[str, ...]) -> None:
        """Execute the command form; raises ScpiError."""
        raise ScpiError(-113, self.header)

    def ask(self, device: Any, parameters: tuple[str, ...]) -> str:
        """Return the answer to the query form; raises ScpiError."""
        raise ScpiError(-113, self.header)

    def example(self) -> tuple[str, str]:
        """Return parameters with which the command form and the query form are legal."""
        return "", ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Query(Command):
    """A query without parameters."""

    answer: Callable[[Any], str]
    asks: ClassVar[bool] = True

    def ask(self, device: Any, parameters: tuple[str, ...]) -> str:
        """Return the device's answer."""
        if parameters:
            raise ScpiError(-108, parameters[0])
        return self.answer(device)


@dataclass(frozen=True, slots=True, kw_only=True)
class IndefiniteQuery(Query):
    """A query that answers arbitrary text; none may follow it in a message (IEEE 488.2 6.5.7.5)."""

    indefinite: ClassVar[bool] = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Action(Command):
    """A command without parameters."""

    do: Callable[[Any], None]
    tells: ClassVar[bool] = True

    def tell(self, device: Any, parameters: tuple[str, ...]) -> None:
        """Do it."""
        if parameters:
            raise ScpiError(-108, parameters[0])
        self.do(device)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level(Command):
    """A numeric setting with a range: `<n>`, `MINimum`, `MAXimum`, `DEFault`; the words may be asked for.

    `name` is what the device calls the setting. Out of range gives -222 and changes nothing.
    """

    name: str
    unit: str = ""
    digits: int = 3
    asks: ClassVar[bool] = True
    tells: ClassVar[bool] = True

    def tell(self, device: Any, parameters: tuple[str, ...]) -> None:
        """Set the level, rounded to the resolution of the instrument."""
        value = number(one(parameters), self.unit)
        lowest, highest, default = device.limits(self.name)
        if isinstance(value, str):
            value = {"MIN": lowest, "MAX": highest, "DEF": default}[value]
        if device.clips:
            value = min(max(value, lowest), highest)
        if not lowest <= value <= highest:
            raise ScpiError(-222, f"{parameters[0]} is not within {lowest:g} to {highest:g} {self.unit}".rstrip())
        device.put(self.name, round(value, self.digits))

    def ask(self, device: Any, parameters: tuple[str, ...]) -> str:
        """Return the level, or the end of its range that is asked for."""
        if not parameters:
            return f"{device.get(self.name):.{self.digits}f}"
        word = number(one(parameters), self.unit)
        if not isinstance(word, str):
            raise ScpiError(-104, parameters[0])
        lowest, highest, default = device.limits(self.name)
        return f"{ {'MIN': lowest, 'MAX': highest, 'DEF': default}[word]:.{self.digits}f}"

    def example(self) -> tuple[str, str]:
        """Return parameters that are legal."""
        return "MINimum", ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mask(Command):
    """An enable mask of 0 to `highest`, as *ESE."""

    name: str
    highest: int
    asks: ClassVar[bool] = True
    tells: ClassVar[bool] = True

    def tell(self, device: Any, parameters: tuple[str, ...]) -> None:
        """Set the mask."""
        value = number(one(parameters), "")
        if isinstance(value, str):
            raise ScpiError(-104, parameters[0])
        if not -0.5 <= value < self.highest + 0.5:
            raise ScpiError(-222, f"{parameters[0]} is not within 0 to {self.highest}")
        device.put_mask(self.name, round(value))

    def ask(self, device: Any, parameters: tuple[str, ...]) -> str:
        """Return the mask."""
        if parameters:
            raise ScpiError(-108, parameters[0])
        return str(device.get_mask(self.name))

    def example(self) -> tuple[str, str]:
        """Return parameters that are legal."""
        return "0", ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Switch(Command):
    """A boolean setting."""

    name: str
    asks: ClassVar[bool] = True
    tells: ClassVar[bool] = True

    def tell(self, device: Any, parameters: tuple[str, ...]) -> None:
        """Set it."""
        device.put(self.name, boolean(one(parameters)))

    def ask(self, device: Any, parameters: tuple[str, ...]) -> str:
        """Return 0 or 1."""
        if parameters:
            raise ScpiError(-108, parameters[0])
        return "1" if device.get(self.name) else "0"

    def example(self) -> tuple[str, str]:
        """Return parameters that are legal."""
        return "OFF", ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice(Command):
    """A setting that is one of some words: `words` holds (word in SCPI notation, the device's value)."""

    name: str
    words: tuple[tuple[str, str], ...]
    asks: ClassVar[bool] = True
    tells: ClassVar[bool] = True

    def tell(self, device: Any, parameters: tuple[str, ...]) -> None:
        """Choose; another word gives -224."""
        text = one(parameters)
        for word, value in self.words:
            if is_word(text, word):
                device.put(self.name, value)
                return
        if not text[:1].isalpha():
            raise ScpiError(-104, text)
        raise ScpiError(-224, f"{text} is none of {', '.join(word for word, _ in self.words)}")

    def ask(self, device: Any, parameters: tuple[str, ...]) -> str:
        """Return the short form of the word."""
        if parameters:
            raise ScpiError(-108, parameters[0])
        chosen = device.get(self.name)
        return next(short_form(word) for word, value in self.words if value == chosen)

    def example(self) -> tuple[str, str]:
        """Return parameters that are legal."""
        return forms(self.words[0][0])[0], ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelQuery(Command):
    """A query with a channel list; one answer per channel, comma separated."""

    answer: Callable[[Any, tuple[int, ...]], str]
    first: str
    asks: ClassVar[bool] = True

    def ask(self, device: Any, parameters: tuple[str, ...]) -> str:
        """Return the readings of the channels in the order asked for."""
        return self.answer(device, channels(one(parameters)))

    def example(self) -> tuple[str, str]:
        """Return parameters that are legal."""
        return "", self.first


@dataclass(frozen=True, slots=True, kw_only=True)
class OperationComplete(Command):
    """*OPC and *OPC?: nothing here overlaps, so every operation is complete when the next unit is read."""

    asks: ClassVar[bool] = True
    tells: ClassVar[bool] = True

    def tell(self, device: Any, parameters: tuple[str, ...]) -> None:
        """Set the bit in the standard event register."""
        if parameters:
            raise ScpiError(-108, parameters[0])
        device.status.event |= OPERATION_COMPLETE

    def ask(self, device: Any, parameters: tuple[str, ...]) -> str:
        """Return 1."""
        if parameters:
            raise ScpiError(-108, parameters[0])
        return "1"


def one(parameters: tuple[str, ...]) -> str:
    """Return the only parameter; raises ScpiError -109 for none, -108 for more."""
    if len(parameters) == 1 and parameters[0]:
        return parameters[0]
    if len(parameters) > 1:
        raise ScpiError(-108, parameters[1])
    raise ScpiError(-109)
