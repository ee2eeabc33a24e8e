"""What holds for every test."""

import asyncio
import asyncio.runners
from collections.abc import Iterator
from typing import Any

import pytest

from tests.needs import pytest_runtest_makereport, pytest_runtest_setup, pytest_terminal_summary

__all__ = ["pytest_runtest_makereport", "pytest_runtest_setup", "pytest_terminal_summary"]


@pytest.fixture(autouse=True)
def no_task_left_over(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Fail a test whose event loop still had tasks when it was closed: somebody forgot to stop them."""
    left: list[asyncio.Task[Any]] = []
    cancel_all: Any = asyncio.runners._cancel_all_tasks  # type: ignore[attr-defined]

    def look(loop: asyncio.AbstractEventLoop) -> None:
        left.extend(asyncio.all_tasks(loop))
        cancel_all(loop)

    monkeypatch.setattr(asyncio.runners, "_cancel_all_tasks", look)
    yield
    assert not left or request.node.get_closest_marker("leaves_tasks"), f"tasks left over: {left}"
