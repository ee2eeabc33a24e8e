"""Command maps: TOML files that say what to send to one kind of instrument and how to read its answers.

One file describes one kind of instrument in one role, so that another dialect is another file and no code.
"""

import difflib
import string
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

MAPS_FOLDER = Path(__file__).parent / "maps"

Role = Literal["load", "supply", "cells", "temperature", "voltmeter"]


# Coarser than this, in whatever unit, a set-point that was not taken would pass for one that was.
MOST_RESOLUTION = 10.0
# From coulombs to ampere-hours, from joules to watt-hours, from micro- to whole units: nothing lies outside.
LEAST_FACTOR, MOST_FACTOR = 1e-9, 1e9
# How alike two words must be for one to be meant for the other, of 1.
_NEAR = 0.6


class MapError(ValueError):
    """A command map cannot be used; the message names file, key, what was found and what would be right."""


def _one_line(text: str) -> str:
    if not text or not text.isascii() or "\n" in text or "\r" in text:
        raise ValueError(f"{text!r} is not one line of ASCII")
    _placeholders(text)
    return text


def _upper(text: str) -> str:
    return text.upper()


def _placeholders(text: str) -> set[str]:
    """Return the names in braces. Raises ValueError for anything but plain names."""
    names = set()
    for _, name, form, conversion in string.Formatter().parse(text):
        if name is None:
            continue
        if not name.isidentifier() or form or conversion:
            raise ValueError(f"{text!r}: a placeholder is a plain name in braces, such as {{level}}")
        names.add(name)
    return names


Message = Annotated[str, AfterValidator(_one_line)]
Word = Annotated[str, AfterValidator(_upper)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Answered(_Table):
    """One number of a reply: `unit` follows it in the text ("" = none), `sign` and `factor` turn it to ours.

    Ours: V, A, Ah, Wh, ohm, degrees Celsius; current positive charges the pack. An instrument that answers milliamperes
    has the factor 0.001.
    """

    unit: str = ""
    sign: Literal[1, -1] = 1
    factor: float = Field(default=1.0, ge=LEAST_FACTOR, le=MOST_FACTOR, strict=True)

    def ours(self, value: float | None) -> float | None:
        """Return the number as it came in our unit and sign; None for "no value"."""
        if value is None:
            return None
        value *= self.factor
        return 0.0 - value if self.sign < 0 else value  # 0.0 - 0.0 is no negative zero


class Column(Answered):
    """One number of a measurement by its name, such as voltage_v."""

    name: str = ""


class Channel(Answered):
    """The number that each channel is answered with; `quantity` only for a thermometer that answers no temperature.

    Which probe turns voltage or resistance into a temperature stands in the bench file: it belongs to the bench.
    """

    quantity: Literal["temperature", "voltage", "resistance"] | None = None


class Cold(Answered):
    """The question for the temperature of a thermometer's terminals, a thermocouple's cold junction, in °C.

    Asked together with each reading, in one message where `joint` allows that.
    """

    ask: Message


class Measure(_Table):
    """One question whose reply holds all values of a reading: `columns`, or `each` for one number per
    channel. `cold` is for thermocouples.
    """

    ask: Message
    separator: str = Field(default=",", min_length=1)
    columns: tuple[Column, ...] = ()
    each: Channel | None = None
    cold: Cold | None = None

    @model_validator(mode="after")
    def _whole(self) -> "Measure":
        if bool(self.columns) == (self.each is not None):
            raise ValueError("wanted either columns (a list) or each (one table for every channel)")
        if any(not column.name for column in self.columns):
            raise ValueError("every one of columns needs a name, such as voltage_v")
        if self.each is not None and "{channels}" not in self.ask:
            raise ValueError(f"ask = {self.ask!r} must hold {{channels}} where each is given")
        return self


class Check(_Table):
    """One question that reads a setting back.

    The reply is the number that was set under the name `of`, followed by `unit`, right within `resolution`
    (in the same unit) or 0.1 %; or it is one of `words`.
    """

    ask: Message
    of: str | None = None
    unit: str = ""
    resolution: float = Field(default=0.0, ge=0.0, le=MOST_RESOLUTION, strict=True)
    words: tuple[Word, ...] = ()

    @model_validator(mode="after")
    def _one_kind(self) -> "Check":
        if (self.of is None) == (not self.words):
            raise ValueError("wanted either of (the name of what was set) or words (the replies that are right)")
        return self


class Setting(_Table):
    """Messages that set something and questions that read it back; `release` undoes it, if that can be done.

    `level` changes only the level of a draw whose mode is already set.
    """

    set: tuple[Message, ...] = Field(min_length=1)
    level: tuple[Message, ...] = ()
    check: tuple[Check, ...] = Field(min_length=1)
    release: tuple[Message, ...] = ()
    release_check: tuple[Check, ...] = ()


class Output(_Table):
    """Switching: commands, the question that reads it back, and the replies that mean off and on."""

    off: Message
    on: Message
    question: Message
    off_replies: tuple[Word, ...] = Field(min_length=1)
    on_replies: tuple[Word, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _distinct(self) -> "Output":
        if both := set(self.off_replies) & set(self.on_replies):
            raise ValueError(f"{', '.join(sorted(both))} cannot mean off and on")
        return self


class Tripped(_Table):
    """One question that tells which own protection has latched: `words` (reply → name, "" = none) or `bits`.

    With `bits`, the reply is the sum of the bits' values.
    """

    ask: Message
    words: dict[Word, str] = {}
    bits: dict[int, str] = {}

    @model_validator(mode="after")
    def _one_kind(self) -> "Tripped":
        if bool(self.words) == bool(self.bits):
            raise ValueError("wanted either words or bits")
        if bad := [bit for bit in self.bits if bit <= 0 or bit & (bit - 1)]:
            raise ValueError(f"bits are powers of two, not {bad[0]}")
        return self


PROTECTIONS: dict[Role, tuple[str, ...]] = {
    "load": ("under_voltage", "over_current", "over_power", "timer", "power_on_off"),
    "supply": ("over_voltage", "over_current", "timer", "power_on_off"),
}
"""What an instrument in each role should be able to do for itself; keys of `Protect`."""


class Protect(_Table):
    """The instrument's own latching protections, each set with {value}.

    `power_on_off` has no value: the output stays off when mains returns.
    """

    under_voltage: Setting | None = None
    over_voltage: Setting | None = None
    over_current: Setting | None = None
    over_power: Setting | None = None
    timer: Setting | None = None
    power_on_off: Setting | None = None
    tripped: tuple[Tripped, ...] = ()
    clear: tuple[Message, ...] = ()


class Draw(_Table):
    """How a load is told to draw: {level} in A, W or ohm, {ceiling} in A."""

    current: Setting | None = None
    power: Setting | None = None
    resistance: Setting | None = None


class Rating(_Table):
    """A question for the largest value that the instrument takes."""

    ask: Message
    unit: str = ""


class Ratings(_Table):
    """Largest values the instrument takes."""

    current_a: Rating | None = None
    power_w: Rating | None = None
    voltage_v: Rating | None = None


class Counters(_Table):
    """One question for what a load has counted by itself: columns charge_ah and energy_wh, or one of the two.

    `sign` turns them so that what is drawn is positive. `zero_at_on`: the instrument sets them to zero each time its
    output goes on; otherwise they go on counting, and the difference between after and before is taken.
    """

    ask: Message
    separator: str = Field(default=",", min_length=1)
    columns: tuple[Column, ...] = Field(min_length=1)
    zero_at_on: bool = Field(default=False, strict=True)

    @model_validator(mode="after")
    def _known(self) -> "Counters":
        names = [column.name for column in self.columns]
        if len(set(names)) < len(names) or not set(names) <= set(COUNTED):
            raise ValueError(f"columns are {' and '.join(COUNTED)}, each at most once; found {', '.join(names)}")
        return self


COUNTED = ("charge_ah", "energy_wh")
"""What a load's own counters may count."""


class CommandMap(_Table):
    """What to send to one kind of instrument in one role. See the fields' own tables.

    `joint` hangs one message unit on another ("" = the instrument takes one at a time); `error_question`
    reads the error queue ("" = there is none); `decimals` are written after the point of every number sent.
    """

    title: str
    role: Role
    terminator: Literal["\n", "\r\n", "\r"] = "\n"
    joint: Literal[";:", ";", ""] = ";:"
    error_question: str = "SYSTem:ERRor?"
    decimals: int = Field(default=4, ge=0, le=9, strict=True)
    on_open: tuple[Message, ...] = ()
    on_close: tuple[Message, ...] = ()
    output: Output | None = None
    measure: Measure
    draw: Draw = Draw()
    feed: Setting | None = None
    protect: Protect = Protect()
    ratings: Ratings = Ratings()
    counters: Counters | None = None

    def lacking(self) -> tuple[str, ...]:
        """Return which of its role's `PROTECTIONS` this instrument cannot set and read back."""
        return tuple(name for name in PROTECTIONS.get(self.role, ()) if getattr(self.protect, name) is None)

    @model_validator(mode="after")
    def _fits_its_role(self) -> "CommandMap":
        wrong: list[str] = []
        drives = self.role in ("load", "supply")
        if drives and self.output is None:
            wrong.append(f"output is missing: a {self.role} must be switched off")
        if not drives and self.output is not None:
            wrong.append(f"output makes no sense for the role {self.role}")
        names = {column.name for column in self.measure.columns}
        by_channel = self.role in ("cells", "temperature")
        if by_channel and self.measure.each is None:
            wrong.append(f"measure.each is missing: the role {self.role} has one number for each channel")
        needed = {"voltage_v", "current_a"} if drives else set() if by_channel else {"voltage_v"}
        if missing := needed - names:
            wrong.append(f"measure.columns lacks {', '.join(sorted(missing))}")
        if self.role == "load" and not any((self.draw.current, self.draw.power, self.draw.resistance)):
            wrong.append("draw is missing: a load draws current, power or resistance")
        if self.role == "supply" and self.feed is None:
            wrong.append("feed is missing: a supply feeds voltage and current")
        if self.role != "load" and self.counters is not None:
            wrong.append(f"counters are read of a load only, not of the role {self.role}")
        wrong += self._wrong_sensing()
        wrong += _unknown_placeholders(self)
        if wrong:
            raise ValueError("; ".join(wrong))
        return self

    def _wrong_sensing(self) -> Iterator[str]:
        """Tell what cannot be turned into a temperature, or is none and need not be."""
        each, cold = self.measure.each, self.measure.cold
        quantity = each.quantity if each else None
        if quantity is not None and self.role != "temperature":
            yield f"measure.each.quantity = {quantity!r} is for the role temperature only, not for {self.role}"
        elif quantity == "voltage" and cold is None:
            yield (
                "measure.cold is missing: a thermocouple's voltage says nothing without the temperature of the "
                'terminals that it is measured at; right would be such as cold = { ask = "…?" }'
            )
        elif quantity != "voltage" and cold is not None:
            yield 'measure.cold is for measure.each.quantity = "voltage" only: only thermocouples have a cold junction'


def _unknown_placeholders(found: CommandMap) -> Iterable[str]:
    """Name every placeholder that nothing will fill."""
    places: list[tuple[str, str, set[str]]] = []

    def setting(where: str, one: Setting | None, names: set[str]) -> None:
        if one is None:
            return
        places.extend((f"{where}.set", text, names) for text in one.set)
        places.extend((f"{where}.level", text, names & {"level"}) for text in one.level)
        places.extend((f"{where}.release", text, set()) for text in one.release)
        for kind, checks in (("check", one.check), ("release_check", one.release_check)):
            places.extend((f"{where}.{kind}.ask", check.ask, set()) for check in checks)
            places.extend(
                (f"{where}.{kind}.of", f"{{{check.of}}}", names if kind == "check" else set())
                for check in checks
                if check.of is not None
            )

    for quantity in ("current", "power", "resistance"):
        setting(f"draw.{quantity}", getattr(found.draw, quantity), {"level", "ceiling"})
    setting("feed", found.feed, {"voltage", "current"})
    for name in ("under_voltage", "over_voltage", "over_current", "over_power", "timer"):
        setting(f"protect.{name}", getattr(found.protect, name), {"value"})
    setting("protect.power_on_off", found.protect.power_on_off, set())
    places.append(("measure.ask", found.measure.ask, {"channels"} if found.measure.each else set()))
    if found.measure.cold is not None:
        places.append(("measure.cold.ask", found.measure.cold.ask, set()))
    if found.counters is not None:
        places.append(("counters.ask", found.counters.ask, set()))
    places.extend(("on_open", text, set()) for text in found.on_open)
    places.extend(("on_close", text, set()) for text in found.on_close)
    if found.output is not None:
        output = found.output
        places.extend((f"output.{key}", getattr(output, key), set()) for key in ("off", "on", "question"))
    for where, text, known in places:
        for name in sorted(_placeholders(text) - known):
            right = ", ".join(f"{{{one}}}" for one in sorted(known)) or "none"
            yield f"{where} = {text!r}: unknown placeholder {{{name}}}; known here: {right}"


def parse_map(text: str, where: str) -> CommandMap:
    """Return the command map in `text`; `where` names it in messages.

    Raises MapError with all mistakes at once.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise MapError(f"{where}: not TOML: {error}") from error
    except (ValueError, RecursionError) as error:  # an integer of thousands of digits, brackets nested as deeply
        raise MapError(f"{where}: cannot be read: {error}") from error
    try:
        return CommandMap.model_validate(table)
    except ValidationError as error:
        lines = [_explain(where, one) for one in error.errors()]
        raise MapError("\n".join(lines)) from error


def _explain(where: str, one: Mapping[str, object]) -> str:
    place = one["loc"]
    key = ".".join(str(part) for part in place) if isinstance(place, tuple) else ""
    found = one["input"]
    shown = f", found {found!r}" if not isinstance(found, dict) else ""
    if one["type"] == "extra_forbidden" and isinstance(place, tuple):
        known = _keys_at(place[:-1])
        near = difflib.get_close_matches(str(place[-1]), known, 1, _NEAR)
        meant = f'did you mean "{near[0]}"? ' if near else ""
        return f"{where}: {key}: there is no such key{shown}; {meant}known here: {', '.join(known)}"
    return f"{where}: {key or 'the whole file'}: {one['msg']}{shown}"


def _keys_at(place: Iterable[str | int]) -> list[str]:
    """Return the keys that the table at a place may have."""
    model: type[BaseModel] = CommandMap
    for part in place:
        if isinstance(part, str) and part in model.model_fields:
            model = next(_tables_in(model.model_fields[part].annotation), model)
    return list(model.model_fields)


def _tables_in(kind: Any) -> Iterator[type[BaseModel]]:
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        yield kind
    for part in get_args(kind):
        yield from _tables_in(part)


def shipped_maps() -> tuple[str, ...]:
    """Return the names of the maps that come with the program."""
    return tuple(sorted(path.stem for path in MAPS_FOLDER.glob("*.toml")))


def load_map(name_or_path: str | Path) -> CommandMap:
    """Return a shipped map by its name, or any by the path of its .toml file. Raises MapError."""
    path = Path(name_or_path)
    if path.suffix != ".toml":
        if str(name_or_path) not in shipped_maps():
            raise MapError(
                f"command map {str(name_or_path)!r} is unknown; shipped are {', '.join(shipped_maps())};"
                " an own map is given by the path of its .toml file"
            )
        return _shipped(str(name_or_path))
    return _read(path)


@cache
def _shipped(name: str) -> CommandMap:
    return _read(MAPS_FOLDER / f"{name}.toml")


def _read(path: Path) -> CommandMap:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise MapError(f"{path}: cannot be read: {error}") from error
    return parse_map(text, str(path))
