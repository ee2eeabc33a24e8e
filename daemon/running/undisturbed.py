"""Brings to its end what must not be broken off."""

import asyncio
from collections.abc import Awaitable
from contextlib import suppress
from typing import TypeVar

T = TypeVar("T")


async def undisturbed(work: Awaitable[T]) -> T:
    """Return the result of `work`; being cancelled meanwhile changes nothing, however often."""
    going = asyncio.ensure_future(work)
    while not going.done():
        with suppress(asyncio.CancelledError):
            await asyncio.wait({going})
    return going.result()
