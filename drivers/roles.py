"""The roles an instrument can have in a bay. Current positive charges the pack, everywhere."""

import re
from collections.abc import Mapping
from typing import Any, Literal

from benchwarden.drivers.command_map import CommandMap, Counters, MapError, Setting
from benchwarden.drivers.errors import ColdJunctionAstray, CounterAstray
from benchwarden.drivers.line import Line
from benchwarden.drivers.reply import BadReply, Numbers, parse_number
from benchwarden.drivers.role import Driving, Role
from benchwarden.drivers.sensors import COLD_HIGH_C, COLD_LOW_C, Probe, TypeK

Quantity = Literal["current", "power", "resistance"]


class Load(Driving):
    """A DC load. `read()` gives voltage_v and current_a (negative while it draws)."""

    role = "load"

    def __init__(self, line: Line, command_map: CommandMap, **options: Any) -> None:
        super().__init__(line, command_map, **options)
        self._ceiling_a: float | None = None
        self._count_began: dict[str, float] | None = None

    async def set_draw(self, quantity: Quantity, level: float, ceiling_a: float) -> None:
        """Program mode, current ceiling (A) and level (A, W or ohm, not negative), and read all back.

        Does not touch the output; never clips. Raises ReadBackDiffers, CommandRefused, NotOffered,
        InstrumentError; ValueError for a level that is no number or negative.
        """
        setting = self._draw(quantity)
        await self._carry_out(setting.set, setting.check, {"level": level, "ceiling": ceiling_a})
        self._ceiling_a = ceiling_a

    async def confirm_draw(self, quantity: Quantity, level: float, ceiling_a: float) -> None:
        """Read mode, ceiling and level back and change nothing. Raises ReadBackDiffers, InstrumentError."""
        await self._confirm(self._draw(quantity).check, {"level": level, "ceiling": ceiling_a})

    async def set_level(self, quantity: Quantity, level: float) -> None:
        """Change the level of the quantity that is set, on or off, and read mode and level back.

        Raises what `set_draw` raises.
        """
        setting = self._draw(quantity)
        checks = [check for check in setting.check if check.of in (None, "level")]
        await self._carry_out(setting.level or setting.set[-1:], checks, {"level": level})

    async def protect(
        self, trip_voltage_v: float | None, max_current_a: float, max_power_w: float, timer_s: float | None
    ) -> tuple[str, ...]:
        """Program the load's own latching protections and read them back; None releases one.

        Volts, amperes, watts, seconds. Returns the names that this load cannot do: under_voltage,
        over_current, over_power, timer. Raises ReadBackDiffers, InstrumentError.
        """
        return await self._program(
            {
                "under_voltage": trip_voltage_v,
                "over_current": max_current_a,
                "over_power": max_power_w,
                "timer": timer_s,
            }
        )

    async def begin_count(self) -> None:
        """Note where the load's own counters stand, right before it is switched on. Raises what `counted` raises."""
        counters, self._count_began = self._counters, None
        zeros = dict.fromkeys((column.name for column in counters.columns), 0.0)
        self._count_began = zeros if counters.zero_at_on else await self._ask_counters(counters)

    async def counted(self) -> dict[str, float]:
        """Return what the load has counted since `begin_count`: charge_ah, energy_wh or one of them, drawn is positive.

        Raises NotOffered where the map has no counters, CounterAstray where they do not go with when they were begun,
        InstrumentError.
        """
        counters, began = self._counters, self._count_began
        self._count_began = None
        if began is None:
            raise CounterAstray(self.who, self.address, counters.ask, None, "was not read before the load went on")
        now = await self._ask_counters(counters)
        found = {name: now[name] - began[name] for name in now}
        for name, value in found.items():
            if value < 0.0:
                came = f"{now[name]:g}"
                what = f"{name} went back from {began[name]:g}: it was set to zero meanwhile, or counts the other way"
                raise CounterAstray(self.who, self.address, counters.ask, came, what)
        return found

    @property
    def _counters(self) -> Counters:
        if self.command_map.counters is None:
            raise self.instrument.lacks("counters")
        return self.command_map.counters

    async def _ask_counters(self, counters: Counters) -> dict[str, float]:
        names = [column.name for column in counters.columns]
        reply = await self.instrument.ask(counters.ask)
        try:
            values = Numbers(names, [column.unit for column in counters.columns], counters.separator).parse(reply)
        except BadReply as fault:
            await self.instrument.refuse(counters.ask, reply, str(fault))
        if any(value is None for value in values):
            raise CounterAstray(self.who, self.address, counters.ask, reply, "says that it has no value")
        ours = [column.ours(value) for column, value in zip(counters.columns, values, strict=True)]
        return {name: value for name, value in zip(names, ours, strict=True) if value is not None}

    def _draw(self, quantity: Quantity) -> Setting:
        setting: Setting | None = getattr(self.command_map.draw, quantity, None)
        if setting is None:
            raise self.instrument.lacks(f"draw.{quantity}")
        return setting


class Supply(Driving):
    """A DC supply. `read()` gives voltage_v and current_a (positive into the pack)."""

    role = "supply"

    async def set_feed(self, voltage_v: float, current_a: float) -> None:
        """Program voltage (V) and current limit (A), on or off, and read both back; never clips.

        Raises ReadBackDiffers, CommandRefused, InstrumentError; ValueError for no number or a negative one.
        """
        setting = self.command_map.feed
        if setting is None:
            raise self.instrument.lacks("feed")
        await self._carry_out(setting.set, setting.check, {"voltage": voltage_v, "current": current_a})

    async def confirm_feed(self, voltage_v: float, current_a: float) -> None:
        """Read voltage and current limit back and change nothing. Raises ReadBackDiffers, InstrumentError."""
        setting = self.command_map.feed
        if setting is None:
            raise self.instrument.lacks("feed")
        await self._confirm(setting.check, {"voltage": voltage_v, "current": current_a})

    async def protect(
        self, over_voltage_v: float, over_current_a: float, timer_s: float | None = None
    ) -> tuple[str, ...]:
        """Program the supply's own protections (V, A, s) and read them back; returns the names it cannot do.

        Names: over_voltage, over_current, timer; no timer releases it. Raises ReadBackDiffers, InstrumentError.
        """
        return await self._program({"over_voltage": over_voltage_v, "over_current": over_current_a, "timer": timer_s})


class Voltmeter(Role):
    """An independent voltmeter at the pack. `read()` gives voltage_v."""

    role = "voltmeter"


class Cells(Role):
    """The scanner of group voltages. `read()` gives group_1_v, group_2_v … from the negative end.

    `channels` is a SCPI channel list without parentheses, such as "101:106" or "101,103". `taps="each"`: a
    channel is a group's voltage; "cumulative": a channel is the voltage from the negative end to that tap.
    """

    role = "cells"

    def __init__(
        self,
        line: Line,
        command_map: CommandMap,
        *,
        channels: str,
        taps: Literal["each", "cumulative"] = "each",
        **options: Any,
    ) -> None:
        count = len(parse_channels(channels))
        names = [f"group_{number}_v" for number in range(1, count + 1)]
        super().__init__(line, command_map, names=names, channels=channels.replace(" ", ""), **options)
        if taps not in ("each", "cumulative"):
            raise ValueError(f"{self.who}: taps = {taps!r} is unknown; right would be 'each' or 'cumulative'")
        self._cumulative = taps == "cumulative"

    async def read(self) -> dict[str, float | None]:
        """Return the voltage of every group in one exchange, None for "no value". Raises InstrumentError."""
        values = await self._values()
        if self._cumulative:
            below: list[float | None] = [0.0, *values[:-1]]
            values = [
                None if upper is None or lower is None else upper - lower
                for upper, lower in zip(values, below, strict=True)
            ]
        return dict(zip(self._names, values, strict=True))


class Thermometer(Role):
    """The thermometer. `read()` gives <place>_c for every place in `sensors` (place → channel).

    `probe` is what is wired to all of them, where the instrument answers volts or ohms. Raises MapError where map and
    probe do not go together.
    """

    role = "temperature"

    def __init__(
        self,
        line: Line,
        command_map: CommandMap,
        *,
        sensors: Mapping[str, int],
        probe: Probe | None = None,
        **options: Any,
    ) -> None:
        if not sensors:
            raise ValueError("sensors is empty; right would be such as { middle = 1, ambient = 2 }")
        names = [f"{place}_c" for place in sensors]
        channels = ",".join(str(channel) for channel in sensors.values())
        super().__init__(line, command_map, names=names, channels=channels, **options)
        self._probe = probe
        if mismatch := probe_mismatch(command_map, probe):
            raise MapError(f"{self.who}: {mismatch}")

    async def read(self) -> dict[str, float | None]:
        """Return the temperature at every place in °C, None for "no value" and for what no such probe gives.

        Raises ColdJunctionAstray, InstrumentError.
        """
        probe = self._probe
        if isinstance(probe, TypeK):
            cold_c, values = await self._with_cold()
            values = [probe.temperature_c(value, cold_c) for value in values]
        else:
            values = await self._values()
            if probe is not None:
                values = [probe.temperature_c(value) for value in values]
        return dict(zip(self._names, values, strict=True))

    async def _with_cold(self) -> tuple[float, list[float | None]]:
        """Ask for the terminals' temperature (°C) and for the voltages (V), in one exchange where the map allows it."""
        cold = self.command_map.measure.cold
        if cold is None:  # the map's own check rules it out
            raise self.instrument.lacks("measure.cold")
        told, reply = await self.instrument.order((), (cold.ask, self._question), check=False)
        values = await self._parsed(reply)
        try:
            cold_c = cold.ours(parse_number(told, cold.unit))
        except BadReply as fault:
            await self.instrument.refuse(cold.ask, told, str(fault))
        if cold_c is None or not COLD_LOW_C <= cold_c <= COLD_HIGH_C:
            found = "no value" if cold_c is None else f"{cold_c:g} °C"
            what = f"its terminals are at {found}, right would be {COLD_LOW_C:g} to {COLD_HIGH_C:g} °C: no thermocouple"
            raise ColdJunctionAstray(self.who, self.address, cold.ask, told, f"{what} has a value")
        return cold_c, values


def probe_mismatch(command_map: CommandMap, probe: Probe | None) -> str | None:
    """Return why a thermometer's map and the probe in the bench file do not go together, in words; else None."""
    each = command_map.measure.each
    answers = (each and each.quantity) or "temperature"
    shown = f"the map {command_map.title!r} answers a {answers}"
    if probe is None:
        if answers == "temperature":
            return None
        right = {
            "voltage": 'probe = { kind = "type-k" }',
            "resistance": 'probe = { kind = "platinum", r0 = "100 ohm" }',
        }
        return f"{shown}, and no probe is named; right would be such as {right[answers]} in the entry"
    if answers == "temperature":
        return f"{shown} by itself, so a probe in the entry would do nothing; take it out, or name another map"
    if probe.answers != answers:
        return (
            f"{shown}, but the probe in the entry gives a {probe.answers}; another probe or another map would be right"
        )
    return None


_RANGE = re.compile(r"\s*(\d+)\s*(?::\s*(\d+)\s*)?")


def parse_channels(text: str) -> list[int]:
    """Return the channels of a SCPI channel list without parentheses, in order. Raises ValueError."""
    channels: list[int] = []
    for part in text.split(","):
        found = _RANGE.fullmatch(part)
        if found is None:
            raise ValueError(f"channels = {text!r}: {part!r} is no channel; right would be '101:106' or '101,103'")
        first = int(found[1])
        last = first if found[2] is None else int(found[2])
        if abs(last - first) >= 1000:
            raise ValueError(f"channels = {text!r}: {part!r} has more than 1000 channels")
        step = 1 if last >= first else -1
        channels += range(first, last + step, step)
    if len(set(channels)) != len(channels):
        raise ValueError(f"channels = {text!r} names a channel twice")
    return channels
