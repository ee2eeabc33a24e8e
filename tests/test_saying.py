"""What the front says: to standard error and to a log that does not grow without end."""

from pathlib import Path

import pytest

from benchwarden.daemon.front.saying import LOG_BYTES, Saying
from tests.shed import wait_for


def test_a_line_is_said_and_logged(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "front.log"
    say = Saying(log)
    say("mqtt_refused: benchwarden/bird-shed/left/start: only STOP is taken")
    wait_for(lambda: log.exists() and log.read_text().endswith("only STOP is taken\n"), 60)
    assert "left/start" in capfd.readouterr().err


def test_a_log_that_is_too_long_is_put_aside(tmp_path: Path) -> None:
    log = tmp_path / "front.log"
    log.write_bytes(b"x" * (LOG_BYTES + 1))
    say = Saying(log)
    say("new")
    wait_for(lambda: _text(log).endswith("new\n"), 60)
    assert log.stat().st_size < 100
    assert (tmp_path / "front.before").stat().st_size == LOG_BYTES + 1


def _text(log: Path) -> str:
    try:
        return log.read_text()
    except FileNotFoundError:  # it is just being put aside
        return ""
