"""Switches one bay's outputs, and only as the table of daemon/safety.py allows.

Off is off first and set-points afterwards, and off is confirmed by read-back and by measured current on every
instrument. Load and supply are never both allowed: a change goes through both off and a dead time.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping

from benchwarden.daemon import safety
from benchwarden.daemon.running.eyes import Trip
from benchwarden.daemon.safety import Event, State
from benchwarden.drivers.errors import InstrumentError, ReadBackDiffers
from benchwarden.drivers.parallel import ParallelLoad
from benchwarden.drivers.roles import Load, Supply
from benchwarden.profiles.plan import Plan
from benchwarden.profiles.steps import Draw, Feed, Off, Question

DEAD_TIME_S = 1.0
CONFIRM_S = 2.0
CONFIRM_EVERY_S = 0.1
ERRORS_EVERY_S = 60.0

Want = Draw | Feed | Off | Question


class Hands:
    """Brings about what a step wants; `output` says what is on."""

    def __init__(
        self,
        load: Load | ParallelLoad,
        supply: Supply | None,
        outputs: Mapping[str, Load | Supply],
        plan: Plan,
        off_thresholds_a: Mapping[str, float],
        say: Callable[..., None],
    ) -> None:
        """`outputs`: each load and the supply by name, loads in parallel one by one; thresholds by the same names."""
        self._load = load
        self._supply = supply
        self._outputs = outputs
        self.allow: Callable[[State], None] = lambda state: None
        self.switched: Callable[[], None] = lambda: None
        self.still_there: Callable[[], None] = lambda: None
        self.edge: Callable[[str, float, float], None] = lambda output, ordered_s, answered_s: None
        """Called with what is on from now on, and between which two times (loop's clock) it was switched."""
        self.counted: Callable[[Mapping[str, float] | str], None] = lambda counts: None
        """Called once the load is confirmed off with what it has counted by itself since on, or why that is missing."""
        self._uncounted = ""  # why the load's counters are asked no more
        self._limits = plan.limits
        self._max_draw_w = plan.bay.load_max_power_w
        self._thresholds_a = off_thresholds_a
        self._say = say
        self._loop = asyncio.get_running_loop()
        self._off_since_s = -DEAD_TIME_S
        self._flows: str | None = None  # what was switched on and has not been off since
        self._said_off_s: dict[str, float] = {}
        self._errors_due_s = 0.0
        self._changing, self._changes = False, 0  # set-points: whether they are being changed, and how often they were
        self.state = State.IDLE
        self.switched_s = self._loop.time()
        self.wanted: Want = Off()
        self.unprotected: tuple[str, ...] = ()
        self.currents_a: dict[str, float | None] = {}
        self._refusals: tuple[str, ...] = ()

    @property
    def output(self) -> str:
        """What is on: "off", "load" or "supply"."""
        return {State.DRAWING: "load", State.FEEDING: "supply"}.get(self.state, "off")

    def go(self, event: Event) -> None:
        """Follow the safety table; raises Trip where it does not allow the event."""
        before = self.state
        self.state = safety.follow(before, event)
        if self.state is State.TRIPPED:
            raise Trip(f"{event.value!r} is not allowed while {before.value}")
        self.allow(self.state)

    async def bring(self, want: Want) -> bool:
        """Make the bay's output what the step wants; True if an output was switched on or off.

        Raises Trip where the safety table or a refused set-point forbids it.
        """
        if want == self.wanted:
            return False
        self._changing = True
        try:
            edge = await self._bring(want)
        except InstrumentError as error:
            raise Trip(str(error)) from error
        finally:
            self._changing = False
            self._changes += 1
        self.wanted = want
        return edge

    def stays_on(self, want: Want) -> bool:
        """Whether this only changes set-points of what is on: nothing is switched for it."""
        if isinstance(want, Draw):
            return self.state is State.DRAWING and _same_circuit(self.wanted, want)
        return isinstance(want, Feed) and self.state is State.FEEDING

    async def _bring(self, want: Want) -> bool:
        if isinstance(want, Off | Question):
            if self.state is State.READY:
                return False
            await self.open()
            return True
        if isinstance(want, Draw):
            if self.stays_on(want):
                await self._load.set_level(want.quantity, want.level)
                return False
            await self._draw(want)
            return True
        if self.stays_on(want) and self._supply:
            await self._supply.set_feed(want.voltage_v, want.current_a)
            return False
        await self._feed(want)
        return True

    async def stay_off_at_power_on(self) -> None:
        """Have every load and the supply stay off when mains returns; raises InstrumentError where one does not.

        What cannot be set is no error here: it is said as lacking.
        """
        for output in self._outputs.values():
            await output.stay_off_at_power_on()

    async def own_protection(self) -> str | None:
        """Return which protections of the instruments themselves have latched; only asked once all is off."""
        found: list[str] = []
        for name, output in self._outputs.items():
            tripped = await _quietly(output.tripped)
            if isinstance(tripped, str):
                found.append(f"{name}: {tripped}")
        return "; ".join(found) or None

    async def open(self) -> None:
        """Switch everything off and wait for confirmation; raises Trip if none comes."""
        drew = self._flows == "load"
        self.go(Event.OPEN)
        if not await self.all_off():
            raise Trip(f"off is not confirmed: {self.why_not_off()}")
        self.go(Event.OFF_CONFIRMED)
        if drew:
            await self._count()

    @property
    def openings(self) -> int:
        """How often connections to loads and supply were opened: one more, and settings may be lost (fault 20)."""
        return sum(output.openings for output in self._outputs.values())

    async def look_over(self) -> None:
        """Read back what should be on, its set-points and protections, and that the rest is off (faults 20, 21).

        Changes nothing, but empties the error queues once a minute. Set-points may change meanwhile: each change reads
        itself back, so what is read here across one says nothing.

        Raises Trip if somebody at a front panel, or a loss of mains, has changed it; InstrumentError if it cannot be
        read.
        """
        output = self.output
        for name, one in self._outputs.items():
            should = output == ("supply" if name == "supply" else "load")
            if await one.is_on() != should:
                is_now, right = ("off", "on") if should else ("on", "off")
                raise Trip(f"changed at the instrument: {one.who} is {is_now}, it should be {right}")
        try:
            await self._confirm_set_points(output)
            if output != "off":
                for name, one in self._outputs.items():
                    if output == ("supply" if name == "supply" else "load"):
                        await one.confirm_protection()
        except ReadBackDiffers as error:
            raise Trip(f"changed at the instrument: {error}") from error
        if self._loop.time() >= self._errors_due_s:
            await self.tell_errors()

    async def _confirm_set_points(self, output: str) -> None:
        want, changes = self.wanted, self._changes
        if self._changing:
            return
        try:
            if isinstance(want, Draw) and output == "load":
                await self._load.confirm_draw(want.quantity, want.level, want.ceiling_a)
            elif isinstance(want, Feed) and output == "supply" and self._supply:
                await self._supply.confirm_feed(want.voltage_v, want.current_a)
        except ReadBackDiffers:
            if not self._changing and changes == self._changes:
                raise

    async def tell_errors(self) -> None:
        """Empty the error queues and put what was in them into the record; raises InstrumentError (fault 22).

        Nothing trips for it: what was refused when it was set has tripped already, and settings are read back.
        """
        self._errors_due_s = self._loop.time() + ERRORS_EVERY_S
        for name, one in self._outputs.items():
            for number, text in await one.errors():
                self._say("instrument_error", instrument=name, number=number, text=text)

    def why_not_off(self) -> str:
        """Say what speaks against off: the currents measured last, and what each instrument had against it."""
        return "; ".join((f"measured {_shown(self.currents_a)}", *self._refusals))

    async def _draw(self, want: Draw) -> None:
        if self.state is not State.READY:
            await self.open()
        await self._dead_time()
        self.still_there()
        self.unprotected = await self._load.protect(
            trip_voltage_v=want.trip_voltage_v,
            max_current_a=self._limits.max_draw_a,
            max_power_w=self._max_draw_w,
            timer_s=want.timer_s,
        )
        self._say_unprotected("load", self.unprotected)
        self.still_there()
        await self._load.set_draw(want.quantity, want.level, want.ceiling_a)
        if not self._uncounted:
            self._note_uncounted(await _quietly(self._load.begin_count))
        self.still_there()
        await self._still_off()
        self.still_there()
        self.go(Event.DRAW)  # before the command: from here on only off is allowed
        self._flows, ordered_s = "load", self._loop.time()
        await self._load.on()
        self.switched_s = self._loop.time()
        self.switched()
        self.edge("load", ordered_s, self.switched_s)
        ago = self._ago(ordered_s, self.switched_s)
        self._say("output_on", output="load", quantity=want.quantity, level=want.level, ceiling_a=want.ceiling_a, **ago)

    async def _feed(self, want: Feed) -> None:
        if self._supply is None:
            raise Trip("a step wants to charge, but the bay has no supply")
        if self.state is not State.READY:
            await self.open()
        await self._dead_time()
        self.still_there()
        missing = await self._supply.protect(
            over_voltage_v=self._limits.pack_high_v,
            over_current_a=self._limits.max_feed_a,
            timer_s=want.timer_s,
        )
        self._say_unprotected("supply", missing)
        self.still_there()
        await self._supply.set_feed(want.voltage_v, want.current_a)
        await self._still_off()
        self.still_there()
        self.go(Event.FEED)
        self._flows, ordered_s = "supply", self._loop.time()
        await self._supply.on()
        self.switched_s = self._loop.time()
        self.switched()
        self.edge("supply", ordered_s, self.switched_s)
        ago = self._ago(ordered_s, self.switched_s)
        self._say("output_on", output="supply", voltage_v=want.voltage_v, current_a=want.current_a, **ago)

    async def _count(self) -> None:
        """Ask for the load's own counters, off being confirmed; what they lack is said and trips nothing.

        After one failure they are asked no more: a question that an instrument does not know costs its line each time.
        """
        answer = None if self._uncounted else await _quietly(self._load.counted)
        self._note_uncounted(answer)
        self.counted(answer if isinstance(answer, Mapping) else self._uncounted)

    def _note_uncounted(self, answer: object) -> None:
        if isinstance(answer, Exception):
            self._uncounted = str(answer)

    def _say_unprotected(self, name: str, missing: tuple[str, ...]) -> None:
        if missing:
            self._say("unprotected", instrument=name, names=list(missing))

    async def _still_off(self) -> None:
        """Off is read again right before anything goes on: somebody at a front panel may have been quicker."""
        on: list[str] = []
        for name, output in self._outputs.items():
            on += [name] if await output.is_on() else []
            self.still_there()
        await self._measure()
        if on or not safety.is_off(self.currents_a, self._thresholds_a):
            who = ", ".join(on) or "nothing that says so"
            raise Trip(f"on before its turn: {who}; measured {_shown(self.currents_a)}")

    async def _dead_time(self) -> None:
        wait_s = self._off_since_s + DEAD_TIME_S - self._loop.time()
        if wait_s > 0:
            await asyncio.sleep(wait_s)

    async def make_safe(self, reason: str | None) -> bool:
        """Switch everything off whatever the state, trip if there is a reason; True when off is confirmed."""
        if reason:
            self.state = safety.follow(self.state, Event.TRIP)
        return await self.all_off()

    async def all_off(self) -> bool:
        """Order off on every instrument at once and return whether read-back and currents confirm it.

        Tries again until `CONFIRM_S` have passed; never raises. The measured currents are in `currents_a`.
        """
        ordered_s = self._loop.time()
        end_s = ordered_s + CONFIRM_S
        self._said_off_s.clear()
        while True:
            confirmed = await self._order_off()
            self._off_since_s = self._loop.time()
            if confirmed or self._loop.time() >= end_s:
                break
            await asyncio.sleep(CONFIRM_EVERY_S)
        self.switched_s = self._loop.time()
        self.switched()
        ago: dict[str, float] = {}
        if self._flows is not None:
            said_s = [
                self._said_off_s.get(name, self.switched_s)
                for name in self._outputs
                if (name == "supply") == (self._flows == "supply")
            ]
            self.edge("off", ordered_s, max(said_s))
            ago = self._ago(ordered_s, max(said_s))
            self._flows = None if confirmed else self._flows
        self.wanted = Off()
        self._say("output_off", confirmed=confirmed, current_a=dict(self.currents_a), **ago)
        return confirmed

    def _ago(self, ordered_s: float, answered_s: float) -> dict[str, float]:
        """Return for an event said now how long ago an output was ordered to switch, and said that it had."""
        now_s = self._loop.time()
        return {"ordered_ago_s": round(now_s - ordered_s, 6), "answered_ago_s": round(now_s - answered_s, 6)}

    async def _order_off(self) -> bool:
        said_off = await asyncio.gather(*(self._say_off(name, output) for name, output in self._outputs.items()))
        self._refusals = tuple(str(answer) for answer in said_off if answer is not None)
        await self._measure()
        return all(answer is None for answer in said_off) and safety.is_off(self.currents_a, self._thresholds_a)

    async def _say_off(self, name: str, output: Load | Supply) -> object:
        """Order one output off; None once it has said that it is, else what spoke against it."""
        answer = await _quietly(output.off)
        if answer is None:
            self._said_off_s.setdefault(name, self._loop.time())
        return answer

    async def _measure(self) -> None:
        for name, output in self._outputs.items():
            reading = await _quietly(output.read)
            self.currents_a[name] = reading["current_a"] if isinstance(reading, Mapping) else None


async def _quietly(exchange: Callable[[], Awaitable[object]]) -> object:
    """Return the result, or the error: switching off goes through everything and survives failing parts.

    Parts of this program, too: a mistake in one instrument's driver must not keep the others on.
    """
    try:
        return await exchange()
    except Exception as error:  # noqa: BLE001
        return error


def _same_circuit(before: object, want: Draw) -> bool:
    return isinstance(before, Draw) and (
        before.quantity,
        before.ceiling_a,
        before.trip_voltage_v,
        before.timer_s,
    ) == (want.quantity, want.ceiling_a, want.trip_voltage_v, want.timer_s)


def _shown(currents_a: Mapping[str, float | None]) -> str:
    return ", ".join(
        f"{name} {'no current' if current is None else f'{current:.2f} A'}" for name, current in currents_a.items()
    )
