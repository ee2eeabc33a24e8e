"""SCPI program messages as text: headers, parameters, numbers with suffixes, channel lists; all pure.

Rules: SCPI-1999 volume 1 chapters 6 and 7, IEEE 488.2-1992 chapter 7. Instruments of the simulated bench read
messages with this file only; it shares nothing with the side that sends them.
"""

import itertools
import math
import re
from functools import lru_cache

ERRORS = {
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -171: "Invalid expression",
    -221: "Settings conflict",
    -222: "Data out of range",
    -223: "Too much data",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -440: "Query UNTERMINATED after indefinite response",
}
"""Number and text of the errors that the devices report (SCPI-1999 21.8.9 to 21.8.12)."""

MAX_MNEMONIC = 12  # IEEE 488.2 7.6.1.4
MAX_CHANNELS = 1000

_MULTIPLIERS = {
    # IEEE 488.2 table 7-2. "MA" is mega in front of a unit; "5 MA" is 5 mA all the same, because there the
    # unit itself is "A". MOHM and MHZ are the table's exception.
    "": 1.0,
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}
_NODE = re.compile(r"(\[)?:?(\*?[A-Za-z]+):?(\])?")
_HEADER = re.compile(r"(?P<root>:?)(?P<path>\*?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(?P<query>\??)")
_NUMBER = re.compile(r"(?P<value>[+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*(?P<exponent>[+-]?\d+))?)\s*(?P<suffix>\S*)")
_NON_DECIMAL = re.compile(r"#(?:[Hh](?P<h>[0-9A-Fa-f]+)|[Qq](?P<q>[0-7]+)|[Bb](?P<b>[01]+))")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_CHANNEL_ITEM = re.compile(r"\s*(\d{1,9})(?:\s*:\s*(\d{1,9}))?\s*")


class ScpiError(Exception):
    """What an instrument puts into its error queue: a number of SCPI-1999 21.8, and what was found."""

    def __init__(self, number: int, info: str = "") -> None:
        super().__init__(f"{number},{ERRORS[number]};{info}")
        self.number = number
        self.info = info

    @property
    def text(self) -> str:
        """The quoted part of the answer to SYSTem:ERRor?, at most 255 characters (SCPI-1999 21.8.2)."""
        text = f"{ERRORS[self.number]};{self.info}" if self.info else ERRORS[self.number]
        return text.replace('"', "'")[:255]


def short_form(mnemonic: str) -> str:
    """Return the short form of a mnemonic in SCPI notation: its capitals, "VOLTage" gives "VOLT"."""
    return "".join(letter for letter in mnemonic if not letter.islower())


def forms(mnemonic: str) -> tuple[str, ...]:
    """Return the two legal spellings in capitals, long and short, or the one if they agree."""
    long, short = mnemonic.upper(), short_form(mnemonic)
    return (long,) if long == short else (long, short)


def nodes(header: str) -> list[tuple[str, bool]]:
    """Return (mnemonic, may be left out) for each node of a header in SCPI notation."""
    return [(name, bool(opened)) for opened, name, _ in _NODE.findall(header)]


def spellings(header: str) -> list[str]:
    """Return every legal spelling, in capitals and without "?", of a header in SCPI notation."""
    choices = [(*forms(name), "") if optional else forms(name) for name, optional in nodes(header)]
    return [":".join(part for part in parts if part) for parts in itertools.product(*choices)]


def is_word(text: str, mnemonic: str) -> bool:
    """Return whether `text` is the long or the short form of `mnemonic`, in whatever case."""
    return text.upper() in forms(mnemonic)


def split_outside(text: str, separator: str) -> list[str]:
    """Return the parts of `text` between separators that stand outside of strings and parentheses."""
    if '"' not in text and "'" not in text and "(" not in text:
        return text.split(separator)
    parts, start, depth, quote = [], 0, 0, ""
    for place, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == "(":
            depth += 1
        elif letter == ")":
            depth -= 1
        elif letter == separator and depth == 0:
            parts.append(text[start:place])
            start = place + 1
    if quote:
        raise ScpiError(-151, text.strip())
    return [*parts, text[start:]]


def split_unit(unit: str) -> tuple[bool, str, bool, tuple[str, ...]]:
    """Return (from the root, path in capitals, is a query, parameters) of one program message unit.

    Raises ScpiError -101, -102, -112 for what is no header at all.
    """
    text = unit.strip(" \t\r")
    if not text.isascii():
        raise ScpiError(-101, text.encode("ascii", "backslashreplace").decode())
    match = _HEADER.match(text)
    if match is None:
        raise ScpiError(-102, text)
    rest = text[match.end() :]
    if rest and rest[0] not in " \t":
        raise ScpiError(-101, text)
    path = match["path"].upper()
    if any(len(name) > MAX_MNEMONIC for name in path.split(":")):
        raise ScpiError(-112, path)
    rest = rest.strip()
    parameters = tuple(part.strip() for part in split_outside(rest, ",")) if rest else ()
    return bool(match["root"]), path, bool(match["query"]), parameters


def number(text: str, unit: str) -> float | str:
    """Return the value of a numeric parameter in `unit` ("" for none), or "MIN", "MAX" or "DEF".

    Raises ScpiError -104, -109, -121, -123, -131 or -138. Source: SCPI-1999 7.2.1, IEEE 488.2 7.7.2 to 7.7.4.
    """
    match = _NUMBER.fullmatch(text)
    if match is None:
        return _special_number(text)
    if match["exponent"] and abs(int(match["exponent"])) > 32000:
        raise ScpiError(-123, text)
    value = float(re.sub(r"\s", "", match["value"]))
    return value * _multiplier(match["suffix"].upper(), unit.upper(), text) if match["suffix"] else value


def _special_number(text: str) -> float | str:
    if not text:
        raise ScpiError(-109)
    based = _NON_DECIMAL.fullmatch(text)
    if based:
        digits, base = next((based[name], base) for name, base in (("h", 16), ("q", 8), ("b", 2)) if based[name])
        return float(int(digits, base))
    for word, meaning in (("MINimum", "MIN"), ("MAXimum", "MAX"), ("DEFault", "DEF")):
        if is_word(text, word):
            return meaning
    for word, value in (("INFinity", math.inf), ("NINF", -math.inf), ("NAN", math.nan)):
        if is_word(text, word):
            return value
    raise ScpiError(-121 if text[0] in "+-.0123456789" else -104, text)


def _multiplier(suffix: str, unit: str, text: str) -> float:
    if not unit:
        raise ScpiError(-138, text)
    prefix = suffix.removesuffix(unit)
    if not suffix.endswith(unit) or prefix not in _MULTIPLIERS:
        raise ScpiError(-131, text)
    if unit in ("OHM", "HZ") and prefix == "M":
        return 1e6
    return _MULTIPLIERS[prefix]


def boolean(text: str) -> bool:
    """Return the value of a boolean parameter: ON, OFF, or a number that rounds to non-zero or zero.

    Raises ScpiError -224 for another word, -104 and the errors of `number` else. Source: SCPI-1999 7.3.
    """
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    if _WORD.fullmatch(text):
        raise ScpiError(-224, text)
    value = number(text, "")
    if isinstance(value, str) or not math.isfinite(value):
        raise ScpiError(-104, text)
    return round(value) != 0


@lru_cache(maxsize=256)
def channels(text: str) -> tuple[int, ...]:
    """Return the channels of a list such as "(@101:106,201)", in the order given.

    Raises ScpiError -104 for what is no expression, -171 for a wrong one, -223 beyond 1000 channels. Source:
    SCPI-1999 8.3.2.
    """
    if not text.startswith("("):
        raise ScpiError(-104, text)
    if not (text.startswith("(@") and text.endswith(")")):
        raise ScpiError(-171, text)
    found: list[int] = []
    for item in text[2:-1].split(","):
        match = _CHANNEL_ITEM.fullmatch(item)
        if match is None:
            raise ScpiError(-171, text)
        first = int(match[1])
        last = int(match[2]) if match[2] else first
        if abs(last - first) + len(found) >= MAX_CHANNELS:
            raise ScpiError(-223, text)
        step = 1 if last >= first else -1
        found.extend(range(first, last + step, step))
    return tuple(found)
