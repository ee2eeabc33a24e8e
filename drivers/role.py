"""What all roles share: an instrument, its command map compiled once, and settings that are read back."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from benchwarden.drivers.address import parse_address
from benchwarden.drivers.command_map import Answered, Check, CommandMap, MapError, Output, Protect, Rating, Setting
from benchwarden.drivers.errors import NotOff, NotOn, ReadBackDiffers
from benchwarden.drivers.instrument import Instrument
from benchwarden.drivers.line import Line
from benchwarden.drivers.off_plan import OffPlan
from benchwarden.drivers.reply import (
    BadReply,
    Identity,
    Numbers,
    is_word,
    parse_number,
    parse_switch,
    parse_whole,
)

READ_BACK_SHARE = 0.001
"""A setting read back may differ by this share, or by the map's resolution, whichever is more."""


class Role:
    """One instrument in one role of a bay: opening, identity, and reading its values.

    `who` names bay and role in messages, `address` is the resource string, `timeout_s` is for each exchange.
    `names` are the values of a reading in the order of the reply. Raises MapError if the map is for another
    role.
    """

    role = ""

    def __init__(
        self,
        line: Line,
        command_map: CommandMap,
        *,
        who: str,
        address: str,
        timeout_s: float = 0.5,
        baud: int = 9600,
        names: Sequence[str] | None = None,
        channels: str = "",
    ) -> None:
        if command_map.role != self.role:
            raise MapError(f"{who}: the map {command_map.title!r} is for the role {command_map.role}, not {self.role}")
        self.who = who
        self.address = address
        self.command_map = command_map
        self.instrument = Instrument(
            line,
            who=who,
            address=address,
            timeout_s=timeout_s,
            on_open=command_map.on_open,
            on_close=command_map.on_close,
            error_question=command_map.error_question or None,
            joint=command_map.joint or None,
        )
        self._baud = baud
        measure = command_map.measure
        each = measure.each
        columns: tuple[Answered, ...] = measure.columns if each is None else tuple(each for _ in names or ())
        self._names = tuple(column.name for column in measure.columns) if names is None else tuple(names)
        self._columns = columns
        self._grammar = Numbers(self._names, [column.unit for column in columns], measure.separator)
        self._question = measure.ask if each is None else measure.ask.format(channels=channels)

    @property
    def identity(self) -> Identity:
        """Who answers at the address; known once opened. Raises InstrumentDead before."""
        return self.instrument.identity

    @property
    def identities(self) -> tuple[Identity, ...]:
        """The identities of all instruments in this role."""
        return (self.instrument.identity,)

    @property
    def openings(self) -> int:
        """How often the line was opened so far; see `Instrument.openings`."""
        return self.instrument.openings

    async def open(self) -> None:
        """Open the line and check who answers. Raises InstrumentError."""
        await self.instrument.open()

    async def close(self) -> None:
        """Close the line; never raises InstrumentError."""
        await self.instrument.close()

    async def read(self) -> dict[str, float | None]:
        """Return one reading in one exchange: name → value, None for "no value". Raises InstrumentError."""
        return dict(zip(self._names, await self._values(), strict=True))

    async def _values(self) -> list[float | None]:
        return await self._parsed(await self.instrument.ask(self._question))

    async def _parsed(self, reply: str) -> list[float | None]:
        """Return the values in a reply to the question, in our units; raises ReplyRefused."""
        try:
            values = self._grammar.parse(reply)
        except BadReply as fault:
            await self.instrument.refuse(self._question, reply, str(fault))
        return [column.ours(value) for column, value in zip(self._columns, values, strict=True)]

    async def _carry_out(self, commands: Sequence[str], checks: Sequence[Check], values: Mapping[str, float]) -> None:
        """Send commands filled with `values`, read back, compare.

        Raises ReadBackDiffers and InstrumentError.
        """
        texts = self._written(values)
        sent = [command.format(**texts) for command in commands]
        replies = await self.instrument.order(sent, [check.ask for check in checks])
        for check, reply in zip(checks, replies, strict=True):
            await self._compare("; ".join(sent), check, reply, values)

    async def _confirm(self, checks: Sequence[Check], values: Mapping[str, float]) -> None:
        """Read back what was set earlier and change nothing, in one message where possible.

        Raises ReadBackDiffers and InstrumentError.
        """
        replies = await self.instrument.order((), [check.ask for check in checks], check=False)
        for check, reply in zip(checks, replies, strict=True):
            await self._compare(check.ask, check, reply, values)

    def _written(self, values: Mapping[str, float]) -> dict[str, str]:
        decimals = self.command_map.decimals
        for name, value in values.items():
            if not math.isfinite(value) or value < 0.0:
                raise ValueError(f"{self.who}: {name} is {value}; wanted a finite number, not below 0")
        return {name: f"{value:.{decimals}f}" for name, value in values.items()}

    async def _compare(self, sent: str, check: Check, reply: str, values: Mapping[str, float]) -> None:
        if check.of is None:
            if not is_word(reply, check.words):
                wanted = " or ".join(check.words)
                raise ReadBackDiffers(self.who, self.address, sent, reply, f"{check.ask} reads back not {wanted}")
            return
        try:
            found = parse_number(reply, check.unit)
        except BadReply as fault:
            await self.instrument.refuse(check.ask, reply, str(fault))
        wanted_value = values[check.of]
        allowed = max(check.resolution, READ_BACK_SHARE * wanted_value)
        if found is None or not abs(found - wanted_value) <= allowed:
            raise ReadBackDiffers(
                self.who,
                self.address,
                sent,
                reply,
                f"{check.ask} reads back {found} where {wanted_value:g} was set; allowed are {allowed:g} off it",
            )


class Driving(Role):
    """A role whose output can be switched, with the instrument's own protections: load and supply."""

    def __init__(self, line: Line, command_map: CommandMap, **options: Any) -> None:
        super().__init__(line, command_map, **options)
        self._programmed: dict[str, float | None] = {}

    async def off(self) -> None:
        """Switch the output off, before anything that waits, and read it back.

        Raises NotOff, InstrumentError.
        """
        output = self._output
        reply = (await self.instrument.order([output.off], [output.question], urgent=True, check=False))[0]
        if not is_word(reply, output.off_replies):
            raise NotOff(self.who, self.address, f"{output.off}; {output.question}", reply, "is not off")

    async def on(self) -> None:
        """Switch the output on and read it back. Raises NotOn, Overtaken, InstrumentError."""
        output = self._output
        reply = (await self.instrument.order([output.on], [output.question]))[0]
        if not is_word(reply, output.on_replies):
            raise NotOn(self.who, self.address, f"{output.on}; {output.question}", reply, "is not on")

    async def is_on(self) -> bool:
        """Whether the output is on, as the instrument says. Raises InstrumentError."""
        output = self._output
        reply = await self.instrument.ask(output.question)
        try:
            return parse_switch(reply, output.off_replies, output.on_replies)
        except BadReply as fault:
            await self.instrument.refuse(output.question, reply, str(fault))

    async def stay_off_at_power_on(self) -> bool:
        """Have the output stay off when mains returns, and read that back; False if the map has no such setting.

        Asked before it is set: instruments keep it in a memory that wears. Raises ReadBackDiffers, InstrumentError.
        """
        setting = self._protect.power_on_off
        if setting is None:
            return False
        try:
            await self._confirm(setting.check, {})
        except ReadBackDiffers:
            await self._carry_out(setting.set, setting.check, {})
        return True

    async def confirm_protection(self) -> None:
        """Read the protections back as they were programmed last, and off at power-on; changes nothing.

        Raises ReadBackDiffers, InstrumentError.
        """
        for name, value in self._programmed.items():
            setting: Setting = getattr(self._protect, name)
            if value is not None:
                await self._confirm(setting.check, {"value": value})
            elif setting.release_check:
                await self._confirm(setting.release_check, {})
        if self._programmed and self._protect.power_on_off:
            await self._confirm(self._protect.power_on_off.check, {})

    async def errors(self) -> list[tuple[int, str]]:
        """Empty the instrument's error queue and return what was in it. Raises InstrumentError."""
        return await self.instrument.errors()

    async def tripped(self) -> str | None:
        """Which own protection has latched, such as "under-voltage"; None if none. Raises InstrumentError."""
        names: list[str] = []
        for one in self._protect.tripped:
            reply = await self.instrument.ask(one.ask)
            try:
                if one.words:
                    word = reply.strip().strip('"').upper()
                    if word not in one.words:
                        raise BadReply(f"{reply!r}; wanted one of {', '.join(one.words)}")
                    names += [one.words[word]] if one.words[word] else []
                else:
                    bits = parse_whole(reply)
                    names += [name for bit, name in one.bits.items() if bits & bit]
                    if rest := bits & ~sum(one.bits):
                        names.append(f"unknown protection {rest}")
            except BadReply as fault:
                await self.instrument.refuse(one.ask, reply, str(fault))
        return ", ".join(names) or None

    async def clear_protection(self) -> None:
        """Release what has latched; the output stays off. Raises InstrumentError."""
        if not self._protect.clear:
            raise self.instrument.lacks("protect.clear")
        await self.instrument.order(self._protect.clear)

    async def ratings(self) -> dict[str, float]:
        """Return the largest values the instrument takes, by name (current_a, power_w, voltage_v), where it
        tells.

        Raises InstrumentError.
        """
        found: dict[str, float] = {}
        for name in ("current_a", "power_w", "voltage_v"):
            rating: Rating | None = getattr(self.command_map.ratings, name)
            if rating is None:
                continue
            reply = await self.instrument.ask(rating.ask)
            try:
                value = parse_number(reply, rating.unit)
            except BadReply as fault:
                await self.instrument.refuse(rating.ask, reply, str(fault))
            if value is not None:
                found[name] = value
        return found

    def off_plan(self) -> OffPlan | None:
        """Return what a separate process needs to switch this off; None if it is on no TCP socket or serial
        port.
        """
        if parse_address(self.address).kind not in ("tcp", "serial"):
            return None
        output, measure, end = self._output, self.command_map.measure, self.command_map.terminator
        field = next(i for i, column in enumerate(measure.columns) if column.name == "current_a")
        lines = (
            *self.command_map.on_open,
            output.off,
        )  # some instruments obey only once they are in remote mode
        return OffPlan(
            name=self.who,
            address=self.address,
            off="".join(line + end for line in lines).encode("ascii"),
            question=(output.question + end).encode("ascii"),
            off_replies=output.off_replies,
            current_question=(measure.ask + end).encode("ascii"),
            current_field=field,
            current_separator=measure.separator,
            current_unit=measure.columns[field].unit,
            current_factor=measure.columns[field].factor,
            reply_end=end[-1:].encode("ascii"),
            baud=self._baud,
        )

    def off_plans(self) -> tuple[OffPlan, ...]:
        """Return the off plans of all instruments in this role that have one."""
        plan = self.off_plan()
        return () if plan is None else (plan,)

    @property
    def _output(self) -> Output:
        output = self.command_map.output
        if output is None:  # the map's own check rules it out
            raise self.instrument.lacks("output")
        return output

    @property
    def _protect(self) -> Protect:
        return self.command_map.protect

    async def _program(self, wanted: Mapping[str, float | None]) -> tuple[str, ...]:
        """Set protections (None = release) and read them back; returns the names that the map lacks."""
        missing: list[str] = []
        self._programmed = {}
        for name, value in wanted.items():
            setting: Setting | None = getattr(self._protect, name)
            if setting is None:
                if value is not None:
                    missing.append(name)
            elif value is not None:
                await self._carry_out(setting.set, setting.check, {"value": value})
                self._programmed[name] = value
            elif setting.release:
                await self._carry_out(setting.release, setting.release_check, {})
                self._programmed[name] = None
        return tuple(missing)
