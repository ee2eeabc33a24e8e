"""What happens to a test whose program is not there: skipped aloud, and failed where somebody requires the program."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.needs import REQUIRE

TESTS = """
import pytest
from tests.needs import needs

@needs("no-such-program")
def test_absent():
    pass

@needs("sh")
def test_there():
    pass

@needs("sh")
def test_left_out():
    pytest.skip("for another reason")
"""
PLUGIN = "from tests.needs import pytest_runtest_makereport, pytest_runtest_setup\n"


@pytest.mark.parametrize(
    ("required", "code", "outcomes"),
    [
        (None, 0, "1 passed, 2 skipped"),
        ("mosquitto", 0, "1 passed, 2 skipped"),
        ("no-such-program", 1, "1 passed, 1 skipped, 1 error"),
        ("no-such-program,sh", 1, "1 failed, 1 passed, 1 error"),
    ],
)
def test_what_is_required_may_not_be_skipped(tmp_path: Path, required: str | None, code: int, outcomes: str) -> None:
    (tmp_path / "conftest.py").write_text(PLUGIN)
    (tmp_path / "test_some.py").write_text(TESTS)
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers =\n    needs: programs\n")
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    environment.pop(REQUIRE, None)
    if required:
        environment[REQUIRE] = required
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-rs", "."],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == code, done.stdout
    assert f"= {outcomes} in" in done.stdout
    if not required:
        assert "NOT TESTED: no-such-program not installed" in done.stdout


def test_a_clean_checkout_is_tested_with_all_of_them() -> None:
    script = (Path(__file__).parents[1] / ".ci" / "run").read_text()
    assert f"{REQUIRE}=mosquitto,chromium,openssl " in script
    assert "playwright install" not in script, "no browser is downloaded"
