"""Questions to the person at the terminal, with a real pipe as standard input."""

import asyncio
import os
import sys
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path

import pytest

from benchwarden.daemon.running.operator_desk import Desk


@pytest.fixture
def keyboard(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Standard input is a pipe; returns the end to write to. The test may close it."""
    near, far = os.pipe()
    with os.fdopen(near) as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        yield far
        monkeypatch.undo()


def at_the_desk(work: Callable[[Desk], Awaitable[None]]) -> list[str]:
    notes: list[str] = []

    async def run() -> None:
        async with Desk(notes.append) as desk:
            await work(desk)

    asyncio.run(run())
    return notes


def test_a_question_is_shown_and_its_answer_returned(keyboard: int) -> None:
    async def work(desk: Desk) -> None:
        os.write(keyboard, b"  Yes \n")
        assert await asyncio.wait_for(desk.ask("Is the fan on?", ("yes", "no")), 60.0) == "yes"

    assert at_the_desk(work) == ["Is the fan on? [yes or no]"]
    os.close(keyboard)


def test_what_is_no_answer_is_said_and_the_question_stays(keyboard: int) -> None:
    async def work(desk: Desk) -> None:
        os.write(keyboard, b"perhaps\n\nyes\n")
        assert await asyncio.wait_for(desk.ask("Is the fan on?", ("yes", "no")), 60.0) == "yes"

    notes = at_the_desk(work)
    assert notes[1:] == [
        "'perhaps' is no answer here; right would be yes or no",
        "'' is no answer here; right would be yes or no",
    ]
    os.close(keyboard)


def test_an_answer_in_pieces_is_one_answer(keyboard: int) -> None:
    async def work(desk: Desk) -> None:
        asked = asyncio.ensure_future(desk.ask("Name?", ()))
        for piece in (b"He", b"r", b"on\n"):
            os.write(keyboard, piece)
            await asyncio.sleep(0.01)
        assert await asyncio.wait_for(asked, 60.0) == "heron"

    at_the_desk(work)
    os.close(keyboard)


def test_bytes_that_are_no_text_end_nothing(keyboard: int) -> None:
    async def work(desk: Desk) -> None:
        os.write(keyboard, b"\xff\xfe\nyes\n")
        assert await asyncio.wait_for(desk.ask("Ready?", ("yes",)), 60.0) == "yes"

    at_the_desk(work)
    os.close(keyboard)


def test_two_bays_ask_one_after_the_other(keyboard: int) -> None:
    async def work(desk: Desk) -> None:
        both = asyncio.gather(desk.ask("left: ready?", ("yes",)), desk.ask("right: ready?", ("yes", "no")))
        await asyncio.sleep(0.01)
        os.write(keyboard, b"yes\nno\n")
        assert list(await asyncio.wait_for(both, 60.0)) == ["yes", "no"]

    assert at_the_desk(work) == ["left: ready? [yes]", "right: ready? [yes or no]"]
    os.close(keyboard)


def test_a_question_that_is_taken_back_leaves_the_next_one_its_answer(keyboard: int) -> None:
    async def work(desk: Desk) -> None:
        first = asyncio.ensure_future(desk.ask("left: ready?", ("yes",)))
        second = asyncio.ensure_future(desk.ask("right: ready?", ("yes",)))
        await asyncio.sleep(0.01)
        first.cancel()
        await asyncio.gather(first, return_exceptions=True)
        os.write(keyboard, b"yes\n")
        assert await asyncio.wait_for(second, 60.0) == "yes"

    at_the_desk(work)
    os.close(keyboard)


def test_a_terminal_that_goes_away_leaves_the_question_open(keyboard: int) -> None:
    async def work(desk: Desk) -> None:
        os.close(keyboard)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(desk.ask("Ready?", ("yes",)), 0.1)

    at_the_desk(work)


def test_where_nobody_sits_that_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A file as standard input: nobody will ever answer, and the loop does not spin on it."""
    (tmp_path / "in").write_text("yes\n")

    async def work(desk: Desk) -> None:
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(desk.ask("Ready?", ("yes",)), 0.1)

    with (tmp_path / "in").open() as stream:
        monkeypatch.setattr(sys, "stdin", stream)
        notes = at_the_desk(work)
    assert notes == ["Ready? [yes]", "nobody can answer: standard input is no terminal and no pipe"]
