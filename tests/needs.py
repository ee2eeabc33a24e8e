"""Programs that a test needs beside Python: without one it is skipped aloud, or fails where somebody requires it.

`@needs("chromium")` marks a test. BENCHWARDEN_TESTS_REQUIRE names programs with commas between ("mosquitto,chromium"):
a test that needs one of those fails if it is left out, for whatever reason.
"""

import os
import shutil
from collections.abc import Generator

import pytest

REQUIRE = "BENCHWARDEN_TESTS_REQUIRE"
# Debian puts some where a user's PATH does not look.
_PATH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/bin"])


def program(name: str) -> str | None:
    """Return where a program lies, None if it is not installed."""
    return shutil.which(name, path=_PATH)


def needs(*programs: str) -> pytest.MarkDecorator:
    """Return the mark of a test that needs these programs."""
    return pytest.mark.needs(*programs)


def _needed(item: pytest.Item) -> list[str]:
    return [name for mark in item.iter_markers("needs") for name in mark.args]


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a test without what it needs."""
    absent = [name for name in _needed(item) if program(name) is None]
    if absent:
        pytest.skip(f"NOT TESTED: {', '.join(absent)} not installed (Debian: apt install {' '.join(absent)})")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Make a failure of a skip that nobody may pass over."""
    report = yield
    required = {*os.environ.get(REQUIRE, "").split(",")} & {*_needed(item)}
    if required and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = (
            f"{REQUIRE} names {', '.join(sorted(required))}, and this test was left out: {report.longrepr}"
        )
    return report


def say_what_is_absent(terminalreporter: pytest.TerminalReporter) -> None:
    """Say aloud what was not tested on this machine."""
    for name in ("mosquitto", "chromium"):
        if program(name) is None:
            terminalreporter.write_line(f"NOT TESTED: all that needs {name}; Debian: apt install {name}")
