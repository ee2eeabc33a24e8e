"""One instrument on a line: one exchange at a time, sure of its identity, never a reply behind."""

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

from benchwarden.drivers.errors import (
    CommandRefused,
    IdentityChanged,
    InstrumentDead,
    InstrumentError,
    InstrumentSilent,
    NotOffered,
    Overtaken,
    ReplyRefused,
)
from benchwarden.drivers.gate import Gate
from benchwarden.drivers.line import Line, LineError, LineSilent
from benchwarden.drivers.reply import BadReply, Identity, parse_error, parse_identity

ERRORS_DRAINED = 20
"""Entries of an error queue read at most: an instrument that never says "none" must not hold us."""


class Instrument:
    """Owns a line. Exchanges queue up, urgent ones first, and are never given up half-way.

    `who` names bay and role in messages. `timeout_s` is for each exchange, on the loop's clock. `on_open` is
    told after each opening, once the identity is known; `on_close` before closing. `error_question` reads the
    error queue (None: the instrument has none). `joint` hangs a message unit on another in one message (None:
    one message each).

    After silence, a dead line or a reply that fits no grammar the line is closed; the next exchange opens it
    and first asks `*IDN?`. If maker, model or serial number changed, the instrument refuses all work for
    good. Delays between attempts are the caller's.
    """

    def __init__(
        self,
        line: Line,
        *,
        who: str,
        address: str,
        timeout_s: float = 0.5,
        on_open: Sequence[str] = (),
        on_close: Sequence[str] = (),
        error_question: str | None = "SYSTem:ERRor?",
        joint: str | None = ";:",
    ) -> None:
        self.who = who
        self.address = address
        self.timeout_s = timeout_s
        self.left_over: list[tuple[int, str]] = []
        """Errors (number, text) that were in the instrument's queue when it was opened last."""
        self._line = line
        self._instant = line.instant
        self._on_open = tuple(on_open)
        self._on_close = tuple(on_close)
        self._error_question = error_question
        self._joint = joint
        self._gate = Gate()
        self._is_open = False
        self._identity: Identity | None = None
        self._changed: str | None = None
        self._offs = 0
        self.openings = 0
        """How often the line was opened: another number than before means that settings may be lost."""
        self._running: set[asyncio.Task[str]] = set()

    @property
    def identity(self) -> Identity:
        """Who answered `*IDN?` first. Raises InstrumentDead if never opened."""
        if self._identity is None:
            raise InstrumentDead(self.who, self.address, "*IDN?", None, "was never opened")
        return self._identity

    @property
    def offs(self) -> int:
        """How often an urgent order has been given: an order in several messages stops when it changes."""
        return self._offs

    async def open(self) -> Identity:
        """Open the line, check the identity, make the instrument ready. Raises InstrumentError."""
        await self.ask("*IDN?")
        return self.identity

    async def close(self) -> None:
        """Say good-bye and close the line; never raises InstrumentError, and may be called again."""
        await self._gate.enter()
        try:
            if self._is_open:
                self._is_open = False
                try:
                    for text in self._on_close:
                        await self._line.tell(text, self.timeout_s)
                except LineError:
                    return  # closing goes on below: a dead line cannot be told anything
        finally:
            await self._line.close()
            self._gate.leave()

    async def ask(self, text: str, *, urgent: bool = False, timeout_s: float | None = None) -> str:
        """Send one message, return its reply. Raises InstrumentSilent, InstrumentDead, IdentityChanged."""
        gate = self._gate
        if gate.busy:
            await gate.enter(urgent=urgent)
        else:
            gate.busy = True
        if self._instant and self._is_open:
            try:
                return await self._line.ask(text, timeout_s or self.timeout_s)
            except LineError as fault:
                await self._lose(text, fault)
            finally:
                gate.leave()
        return await self._finish(text, timeout_s or self.timeout_s, replies=True)

    async def tell(self, text: str, *, urgent: bool = False) -> None:
        """Carry out one command; asks the error queue in the same message where that is possible.

        Raises CommandRefused, Overtaken and what `ask` raises.
        """
        await self.order((text,), urgent=urgent)

    async def order(
        self,
        commands: Sequence[str],
        questions: Sequence[str] = (),
        *,
        urgent: bool = False,
        check: bool = True,
    ) -> list[str]:
        """Carry out commands and then ask questions, in one message where possible; returns the replies.

        With `check` the error queue is read at the end. A write is never sent twice. An urgent order makes
        all orders fail that wait behind it. Raises CommandRefused, Overtaken, ReplyRefused and what `ask`
        raises.
        """
        if urgent:
            self._offs += 1
        error_question = self._error_question if check else None
        since = self._offs
        if self._joint is None:
            return await self._one_by_one(commands, questions, error_question, urgent=urgent, since=since)
        units = [*commands, *questions]
        if error_question is not None:
            units.append(error_question)
        text = self._join(units)
        wanted = len(questions) + (error_question is not None)
        first = tuple(commands) if urgent else ()
        if wanted == 0:
            await self._write(text, urgent=urgent, since=since, first=first)
            return []
        try:
            reply = await self._write(text, urgent=urgent, since=since, replies=True, first=first)
        except InstrumentSilent:
            await self._explain_silence(text, error_question)
            raise
        parts = reply.split(";", wanted - 1)
        if error_question is not None:
            await self._judge(text, reply, parts[-1] if len(parts) == wanted else reply.rpartition(";")[2])
            parts = parts[:-1] if len(parts) == wanted else parts
        if len(parts) != len(questions):
            await self.refuse(text, reply, f"{len(parts)} replies to {len(questions)} questions in one message")
        return parts

    async def errors(self) -> list[tuple[int, str]]:
        """Empty the error queue; returns (number, text) of what was in it, and at the last opening, oldest first.

        At most `ERRORS_DRAINED` entries are read, none where there is no queue. Raises InstrumentError.
        """
        found: list[tuple[int, str]] = []
        if self._error_question is not None:
            for _ in range(ERRORS_DRAINED):
                reply = await self.ask(self._error_question)
                try:
                    error = parse_error(reply)
                except BadReply as fault:
                    await self.refuse(self._error_question, reply, f"error queue: {fault}")
                if error[0] == 0:
                    break
                found.append(error)
        before, self.left_over = self.left_over, []
        return before + found

    async def refuse(self, sent: str, came: str | None, what: str) -> NoReturn:
        """Close the line, which may be out of step, and raise ReplyRefused."""
        self._is_open = False
        await self._line.close()
        raise ReplyRefused(self.who, self.address, sent, came, what)

    def lacks(self, what: str) -> NotOffered:
        """Return the error that says the command map has no way to do `what`."""
        return NotOffered(self.who, self.address, "", None, f"the command map has no {what}")

    def _join(self, units: Sequence[str]) -> str:
        text = units[0]
        for unit in units[1:]:  # a common command takes no root colon (IEEE 488.2 section 7.6.1.2, from memory)
            text += (";" if unit.startswith(("*", ":")) else self._joint or ";") + unit
        return text

    async def _one_by_one(
        self,
        commands: Sequence[str],
        questions: Sequence[str],
        error_question: str | None,
        *,
        urgent: bool,
        since: int,
    ) -> list[str]:
        for text in commands:
            await self._write(text, urgent=urgent, since=since, first=(text,) if urgent else ())
        replies = [await self.ask(text, urgent=urgent) for text in questions]
        if error_question is not None:
            reply = await self.ask(error_question)
            await self._judge("; ".join(commands), reply, reply)
        return replies

    async def _write(
        self, text: str, *, urgent: bool, since: int, replies: bool = False, first: Sequence[str] = ()
    ) -> str:
        await self._gate.enter(urgent=urgent)
        if not urgent and self._offs != since:
            self._gate.leave()
            raise Overtaken(self.who, self.address, text, None, "dropped: the output was switched off meanwhile")
        return await self._finish(text, self.timeout_s, replies=replies, first=first)

    async def _finish(self, text: str, timeout_s: float, *, replies: bool, first: Sequence[str] = ()) -> str:
        """Run one exchange in its own task: a cancelled caller leaves, the exchange goes on to its end."""
        if self._instant:
            return await self._exchange(text, timeout_s, replies=replies, first=first)
        task = asyncio.get_running_loop().create_task(self._exchange(text, timeout_s, replies=replies, first=first))
        self._running.add(task)
        task.add_done_callback(self._done)
        return await asyncio.shield(task)

    def _done(self, task: asyncio.Task[str]) -> None:
        """Forget an exchange, and take its error, which nobody else does when its caller has been cancelled."""
        self._running.discard(task)
        if not task.cancelled():
            task.exception()

    async def _exchange(self, text: str, timeout_s: float, *, replies: bool, first: Sequence[str]) -> str:
        try:
            if not self._is_open:
                await self._open_now(first)
            try:
                if replies:
                    return await self._line.ask(text, timeout_s)
                await self._line.tell(text, timeout_s)
            except LineError as fault:
                await self._lose(text, fault)
            return ""
        finally:
            self._gate.leave()

    async def _lose(self, text: str, fault: LineError) -> NoReturn:
        self._is_open = False
        await self._line.close()
        kind = InstrumentSilent if isinstance(fault, LineSilent) else InstrumentDead
        raise kind(self.who, self.address, text, None, str(fault)) from fault

    async def _open_now(self, first: Sequence[str]) -> None:
        """Open the line; nothing that changes anything is sent before the identity is known, except off.

        `first` is an urgent order, off: an instrument that carries out but no longer answers in time must get it too,
        and off does a stranger no harm.
        """
        if self._changed is not None:
            await self._off_all_the_same(first)
            raise self._not_the_same(self._changed)
        sent = "*IDN?"
        try:
            await self._line.open()
            if first:
                for sent in (*self._on_open, *first):
                    await self._line.tell(sent, self.timeout_s)
                sent = "*IDN?"
            await self._know(await self._line.ask(sent, self.timeout_s))
            if self._error_question is not None:
                sent = self._error_question
                self.left_over = []
                for _ in range(ERRORS_DRAINED):
                    reply = await self._line.ask(sent, self.timeout_s)
                    error = parse_error(reply)
                    if error[0] == 0:
                        break
                    self.left_over.append(error)
            for sent in self._on_open:
                await self._line.tell(sent, self.timeout_s)
        except LineError as fault:
            await self._lose(sent, fault)
        except BadReply as fault:
            await self.refuse(sent, None, str(fault))
        self._is_open = True
        self.openings += 1

    async def _off_all_the_same(self, first: Sequence[str]) -> None:
        """Send an urgent order, off, where another instrument has answered: it may be the same one, named anew.

        Nothing that comes back counts: who does not say who it was is never confirmed off.
        """
        if not first:
            return
        with suppress(LineError):
            await self._line.open()
            for text in (*self._on_open, *first):
                await self._line.tell(text, self.timeout_s)
        await self._line.close()

    async def _know(self, reply: str) -> None:
        found = parse_identity(reply)
        if self._identity is None:
            again = await self._line.ask("*IDN?", self.timeout_s)
            if again != reply:  # one reply behind, or an echo: this line cannot be trusted
                await self.refuse("*IDN?", again, f"two different replies to *IDN?, the first was {reply!r}")
            self._identity = found
        elif not self._identity.same_instrument(found):
            await self._line.close()
            self._changed = reply
            raise self._not_the_same(reply)

    def _not_the_same(self, reply: str) -> IdentityChanged:
        what = f"another instrument answers; it was {self._identity}"
        return IdentityChanged(self.who, self.address, "*IDN?", reply, what)

    async def _judge(self, sent: str, came: str, reply: str) -> None:
        """Raise CommandRefused if the error queue, read after a write, held anything; empties it then."""
        try:
            code, text = parse_error(reply)
            if code == 0:
                return
            for _ in range(ERRORS_DRAINED):  # so that the next write is not blamed for this one
                further = await self.ask(self._error_question or "")
                if parse_error(further)[0] == 0:
                    break
        except BadReply as fault:
            await self.refuse(sent, came, f"error queue: {fault}")
        raise CommandRefused(self.who, self.address, sent, came, code, text)

    async def _explain_silence(self, sent: str, error_question: str | None) -> None:
        """Raise CommandRefused if the instrument, opened again, says why it did not answer a message."""
        if error_question is None:
            return
        try:
            await self.ask("*IDN?")
        except InstrumentError:
            return  # the silence itself is the news
        if self.left_over:
            raise CommandRefused(self.who, self.address, sent, None, *self.left_over[0])
