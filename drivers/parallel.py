"""Several loads in parallel on one pack, used as one load."""

import asyncio
from collections.abc import Awaitable, Sequence
from typing import TypeVar

from benchwarden.drivers.errors import InstrumentError, NotSharing
from benchwarden.drivers.off_plan import OffPlan
from benchwarden.drivers.reply import Identity
from benchwarden.drivers.roles import Load, Quantity

SHARE_ALLOWED = 0.10
SHARE_ALLOWED_A = 0.2
READINGS_TO_JUDGE = 2
"""The members answer one after the other: one reading across a change of current proves nothing."""

T = TypeVar("T")


class ParallelLoad:
    """Loads in parallel as one: set-points shared by rating, currents summed, off to all at once.

    `ratings_a` are the members' rated currents in A, all above 0; they decide the shares. Same methods as
    `Load`.
    """

    role = "load"

    def __init__(self, members: Sequence[Load], ratings_a: Sequence[float], *, who: str) -> None:
        if not members or len(members) != len(ratings_a) or not all(rating > 0.0 for rating in ratings_a):
            raise ValueError(f"{who}: {len(members)} loads with ratings {list(ratings_a)} A; wanted one above 0 each")
        self.who = who
        self.members = tuple(members)
        self.address = ", ".join(member.address for member in members)
        self.shares = tuple(rating / sum(ratings_a) for rating in ratings_a)
        self._astray = [0] * len(members)

    @property
    def identity(self) -> Identity:
        """The members' identities, each field joined by " + "."""
        found = self.identities
        return Identity(
            " + ".join(one.maker for one in found),
            " + ".join(one.model for one in found),
            " + ".join(one.serial for one in found),
            " + ".join(one.firmware for one in found),
        )

    @property
    def identities(self) -> tuple[Identity, ...]:
        """Who answers at each address. Raises InstrumentDead before opening."""
        return tuple(member.identity for member in self.members)

    async def open(self) -> None:
        """Open all. Raises InstrumentError."""
        await self._all([member.open() for member in self.members])

    async def close(self) -> None:
        """Close all; never raises InstrumentError."""
        await self._all([member.close() for member in self.members])

    async def read(self) -> dict[str, float | None]:
        """Return voltage_v (the members' mean) and current_a (their sum, A); None if a member has no value.

        Raises NotSharing if a member's current is, in two readings running, away from its part by more than
        10 % of that part and 0.2 A; InstrumentError.
        """
        readings = await self._all([member.read() for member in self.members])
        voltages = [reading["voltage_v"] for reading in readings]
        currents = [reading["current_a"] for reading in readings]
        known_v = [value for value in voltages if value is not None]
        known_a = [value for value in currents if value is not None]
        whole = len(known_a) == len(self.members)
        if whole:
            self._judge(known_a)
        return {
            "voltage_v": sum(known_v) / len(known_v) if len(known_v) == len(self.members) else None,
            "current_a": sum(known_a) if whole else None,
        }

    async def off(self) -> None:
        """Switch all off at once; one that fails does not keep the others.

        Raises the first failure, naming all.
        """
        await self._all([member.off() for member in self.members])

    async def on(self) -> None:
        """Switch all on; if one fails, all are switched off again before it is raised."""
        self._astray = [0] * len(self.members)
        try:
            await self._all([member.on() for member in self.members])
        except InstrumentError:
            await self._all([member.off() for member in self.members])
            raise

    async def is_on(self) -> bool:
        """Whether any member is on. Raises InstrumentError."""
        return any(await self._all([member.is_on() for member in self.members]))

    async def set_draw(self, quantity: Quantity, level: float, ceiling_a: float) -> None:
        """Share level and ceiling by rating and program all; see `Load.set_draw`."""
        self._astray = [0] * len(self.members)
        await self._all(
            [
                member.set_draw(quantity, _part(quantity, level, share), ceiling_a * share)
                for member, share in zip(self.members, self.shares, strict=True)
            ]
        )

    async def confirm_draw(self, quantity: Quantity, level: float, ceiling_a: float) -> None:
        """Read every member's mode, part of the ceiling and part of the level back; see `Load.confirm_draw`."""
        await self._all(
            [
                member.confirm_draw(quantity, _part(quantity, level, share), ceiling_a * share)
                for member, share in zip(self.members, self.shares, strict=True)
            ]
        )

    async def set_level(self, quantity: Quantity, level: float) -> None:
        """Share the level by rating and change it; see `Load.set_level`."""
        self._astray = [0] * len(self.members)
        await self._all(
            [
                member.set_level(quantity, _part(quantity, level, share))
                for member, share in zip(self.members, self.shares, strict=True)
            ]
        )

    async def protect(
        self, trip_voltage_v: float | None, max_current_a: float, max_power_w: float, timer_s: float | None
    ) -> tuple[str, ...]:
        """Program all protections, current and power by share; returns the names that any cannot do."""
        missing = await self._all(
            [
                member.protect(trip_voltage_v, max_current_a * share, max_power_w * share, timer_s)
                for member, share in zip(self.members, self.shares, strict=True)
            ]
        )
        return tuple(dict.fromkeys(name for names in missing for name in names))

    async def tripped(self) -> str | None:
        """Which own protection of which member has latched; None if none. Raises InstrumentError."""
        found = await self._all([member.tripped() for member in self.members])
        named = [f"{member.who}: {name}" for member, name in zip(self.members, found, strict=True) if name]
        return "; ".join(named) or None

    async def clear_protection(self) -> None:
        """Release what has latched in any member. Raises InstrumentError."""
        await self._all([member.clear_protection() for member in self.members])

    async def ratings(self) -> dict[str, float]:
        """Return what all members take together without one exceeding its own rating at its share."""
        found = await self._all([member.ratings() for member in self.members])
        whole: dict[str, float] = {}
        for name in ("current_a", "power_w"):
            if all(name in one for one in found):
                whole[name] = min(one[name] / share for one, share in zip(found, self.shares, strict=True))
        if all("voltage_v" in one for one in found):
            whole["voltage_v"] = min(one["voltage_v"] for one in found)
        return whole

    async def begin_count(self) -> None:
        """Note where every member's counters stand; see `Load.begin_count`."""
        await self._all([member.begin_count() for member in self.members])

    async def counted(self) -> dict[str, float]:
        """Return the sum of what the members have counted; what one of them does not count is left out."""
        found = await self._all([member.counted() for member in self.members])
        return {name: sum(one[name] for one in found) for name in found[0] if all(name in one for one in found)}

    def off_plans(self) -> tuple[OffPlan, ...]:
        """Return the off plans of all members that have one."""
        return tuple(plan for member in self.members for plan in member.off_plans())

    def _judge(self, currents_a: Sequence[float]) -> None:
        total_a = sum(currents_a)
        for place, (share, current_a) in enumerate(zip(self.shares, currents_a, strict=True)):
            part_a = total_a * share
            astray = abs(current_a - part_a) > SHARE_ALLOWED * abs(part_a) + SHARE_ALLOWED_A
            self._astray[place] = self._astray[place] + 1 if astray else 0
        if max(self._astray) < READINGS_TO_JUDGE:
            return
        away = [
            abs(current_a - total_a * share) / share for share, current_a in zip(self.shares, currents_a, strict=True)
        ]
        # Two equal members are always equally far away: the one that carries less has stopped.
        worst = min(range(len(away)), key=lambda place: (-round(away[place], 6), abs(currents_a[place])))
        member = self.members[worst]
        raise NotSharing(
            member.who,
            member.address,
            member.command_map.measure.ask,
            f"{currents_a[worst]:.3f} A",
            f"does not share: its part of {total_a:.3f} A is {total_a * self.shares[worst]:.3f} A",
        )

    async def _all(self, calls: Sequence[Awaitable[T]]) -> list[T]:
        """Run all to their end, then raise the first failure, with a note for each further one."""
        results = await asyncio.gather(*calls, return_exceptions=True)
        failures = [result for result in results if isinstance(result, BaseException)]
        if failures:
            for further in failures[1:]:
                failures[0].add_note(f"and also: {further}")
            raise failures[0]
        return [result for result in results if not isinstance(result, BaseException)]


def _part(quantity: Quantity, level: float, share: float) -> float:
    """Return a member's part: of current or power its share, of resistance what carries its share of the
    current.
    """
    return level / share if quantity == "resistance" else level * share
