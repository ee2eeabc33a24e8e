"""One at a time, the urgent first: the queue in front of an instrument."""

import asyncio
from collections import deque


class Gate:
    """Lets one holder in at a time; who waits urgently goes before all others, else in order."""

    __slots__ = ("_ordinary", "_urgent", "busy")

    def __init__(self) -> None:
        self.busy = False
        self._urgent: deque[asyncio.Future[None]] = deque()
        self._ordinary: deque[asyncio.Future[None]] = deque()

    async def enter(self, *, urgent: bool = False) -> None:
        """Wait until it is one's turn; a cancelled wait gives its turn to the next."""
        if not self.busy:
            self.busy = True
            return
        turn: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        (self._urgent if urgent else self._ordinary).append(turn)
        try:
            await turn
        except asyncio.CancelledError:
            if turn.done() and not turn.cancelled():
                self.leave()
            raise

    def leave(self) -> None:
        """Let the next one in."""
        for waiting in (self._urgent, self._ordinary):
            while waiting:
                turn = waiting.popleft()
                if not turn.done():
                    turn.set_result(None)
                    return
        self.busy = False
