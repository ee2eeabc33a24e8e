"""The strict grammar of replies: what is not exactly a reply to the question asked is refused, never guessed.

Numbers: NR1, NR2, NR3 of IEEE 488.2 section 8.7. Special values of SCPI-1999 section 7.2.1.4 (9.9E+37
infinity, -9.9E+37, 9.91E+37 not a number) mean "no value".
"""

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[Ee][+-]?\d+)?"
NO_VALUE_ABOVE = 1e30
"""Nothing on a bench measures more: such a number stands for overload, infinity or not-a-number."""


class BadReply(ValueError):
    """A reply does not fit its grammar; the message holds the text found and the grammar wanted."""


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of `*IDN?` (IEEE 488.2 section 10.14)."""

    maker: str
    model: str
    serial: str
    firmware: str

    def same_instrument(self, other: "Identity") -> bool:
        """Whether maker, model and serial number agree; firmware may be renewed."""
        return (self.maker, self.model, self.serial) == (other.maker, other.model, other.serial)

    def __str__(self) -> str:
        return f"{self.maker},{self.model},{self.serial},{self.firmware}"


class Numbers:
    """The grammar of a reply of several numbers: one name and one unit each ("" = bare number).

    A unit is wanted exactly where one is given, in any case, with or without one space before it.
    """

    __slots__ = ("_fields", "_match", "_names", "_separator", "_units")

    def __init__(self, names: Sequence[str], units: Sequence[str], separator: str) -> None:
        self._names = tuple(names)
        self._units = tuple(units)
        self._separator = separator
        fields = [f" *({NUMBER}){' ?' + re.escape(unit) if unit else ''} *" for unit in units]
        self._match = re.compile(re.escape(separator).join(fields), re.IGNORECASE | re.ASCII).fullmatch
        self._fields = [re.compile(field, re.IGNORECASE | re.ASCII) for field in fields]

    def parse(self, text: str) -> list[float | None]:
        """Return the numbers in order, None for "no value". Raises BadReply."""
        found = self._match(text)
        if found is None:
            raise BadReply(self._complaint(text))
        return [_value(group) for group in found.groups()]

    def _complaint(self, text: str) -> str:
        parts = text.split(self._separator) if len(self._names) > 1 else [text]
        if len(parts) != len(self._names):
            return (
                f"{len(parts)} fields in {text!r}; wanted {len(self._names)} numbers separated by"
                f" {self._separator!r}: {', '.join(self._names)}"
            )
        for name, unit, field, part in zip(self._names, self._units, self._fields, parts, strict=True):
            if field.fullmatch(part) is None:
                unit_text = f" followed by the unit {unit!r}" if unit else " without unit"
                return f"{name} is {part!r} in {text!r}; wanted a number (NR1, NR2 or NR3){unit_text}"
        return f"{text!r}; wanted {', '.join(self._names)}"


def _value(digits: str) -> float | None:
    value = float(digits)
    return value if -NO_VALUE_ABOVE <= value <= NO_VALUE_ABOVE else None


def parse_number(text: str, unit: str = "") -> float | None:
    """Return one number, None for "no value". Raises BadReply."""
    return Numbers(("value",), (unit,), ",").parse(text)[0]


def parse_whole(text: str) -> int:
    """Return one whole number, written as NR1 or as NR2 or NR3 without a fraction. Raises BadReply."""
    value = parse_number(text)
    if value is None or value != int(value):
        raise BadReply(f"{text!r}; wanted a whole number")
    return int(value)


def is_word(text: str, words: Collection[str]) -> bool:
    """Whether `text` is one of `words`, which are upper case; quotes and case do not count."""
    return text.strip().strip('"').upper() in words


def parse_switch(text: str, off: Collection[str], on: Collection[str]) -> bool:
    """Return whether a switch is on: one of the words `off` or `on` (upper case). Raises BadReply."""
    if is_word(text, off):
        return False
    if is_word(text, on):
        return True
    raise BadReply(f"{text!r}; wanted one of {', '.join(off)} (off) or {', '.join(on)} (on)")


def parse_identity(text: str) -> Identity:
    """Return the identity from a reply to `*IDN?`: exactly four fields, maker and model not empty.

    Raises BadReply.
    """
    fields = [field.strip() for field in text.split(",")]
    if len(fields) != 4 or not fields[0] or not fields[1]:
        raise BadReply(f"{text!r}; wanted four fields: maker,model,serial,firmware (IEEE 488.2 section 10.14)")
    return Identity(*fields)


_ERROR = re.compile(r'\s*([+-]?\d+)\s*,\s*"((?:[^"]|"")*)"\s*', re.ASCII)


def parse_error(text: str) -> tuple[int, str]:
    """Return number and text from a reply to `SYSTem:ERRor?`; 0 means none (SCPI-1999 section 21.8).

    Only the number is to be relied on: the texts differ. Raises BadReply.
    """
    found = _ERROR.fullmatch(text)
    if found is None:
        raise BadReply(f'{text!r}; wanted <number>,"<text>" (SCPI-1999 section 21.8)')
    return int(found[1]), found[2].replace('""', '"')
