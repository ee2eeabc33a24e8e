"""What holds for every test."""

import asyncio
import asyncio.runners
from collections.abc import Iterator
from typing import Any

import pytest

from tests.broker import MOSQUITTO


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


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say aloud what was not tested on this machine."""
    if MOSQUITTO is None:
        terminalreporter.write_line("MQTT WAS NOT TESTED: mosquitto is not installed (Debian: apt install mosquitto)")
