"""What holds for every test."""

import asyncio
import asyncio.runners
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from tests.needs import pytest_runtest_makereport, pytest_runtest_setup, say_what_is_absent
from tests.stalls import pytest_runtest_protocol, pytest_sessionstart, say_tried_again

__all__ = ["pytest_runtest_makereport", "pytest_runtest_protocol", "pytest_runtest_setup", "pytest_sessionstart"]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say aloud what was not tested on this machine, and what only passed when it was tried again."""
    say_what_is_absent(terminalreporter)
    say_tried_again(terminalreporter)


# How long one example takes says more of the machine than of the code.
settings.register_profile("patient", deadline=None)
settings.load_profile("patient")

# The files that take longest, by what they take on an idle machine. They go first, longest before shorter, so that no
# core is idle at the end while another has a long one left.
LONGEST = (
    "test_page_tells",
    "test_guardian",
    "test_counted_steps",
    "test_reports_browser",
    "test_page_browser",
    "test_frozen_service",
    "test_charts",
    "test_serve_processes",
    "test_nth_fault",
    "test_kill_anytime",
    "test_drilled",
    "test_continue_run",
    "test_alarms",
    "test_skeleton",
    "test_plausible",
    "test_whole_chain",
    "test_contactor",
    "test_wires_whole_run",
    "test_repeatable",
    "test_run_desk",
    "test_mqtt_whole_run",
    "test_rebuild",
    "test_library_runs",
    "test_soak",
    "test_uncertainty_of_figures",
    "test_reporting",
    "test_show_plan",
    "test_service",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; within a file, and among the others, the order stays."""
    place = {name: number for number, name in enumerate(LONGEST)}
    gone = [name for name in LONGEST if not (Path(__file__).parent / f"{name}.py").exists()]
    if gone:
        raise pytest.UsageError(f"tests/conftest.py: LONGEST names files that are not there: {', '.join(gone)}")
    items.sort(key=lambda item: place.get(item.path.stem, len(LONGEST)))


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
