"""The times that people are promised, and that other times are chosen by, are these numbers.

Everywhere else tests compare with the constants, so that one changed by mistake would go unnoticed.
"""

import pytest

from benchwarden.daemon import guardian
from benchwarden.daemon.commands import install
from benchwarden.daemon.guard import guardian_link
from benchwarden.daemon.recording import record, writer
from benchwarden.daemon.running import bay_off, hands
from benchwarden.daemon.serving import asking


@pytest.mark.parametrize(
    ("found", "promised", "why"),
    [
        (guardian.SILENCE_S, 5.0, "a silent worker is killed, and its bays are off"),
        (guardian.ASSERT_OFF_S, 120.0, "off is said again for two minutes: a dead connection may still deliver"),
        (guardian.STOP_GRACE_S, 10.0, "a worker that was asked to stop has so long"),
        (guardian.RENEW_S, 1.0, "a contactor is told each second that it may stay closed"),
        (guardian_link.GUARDIAN_SILENCE_S, 3.0, "nothing stays on for longer without the guardian's sign of life"),
        (hands.DEAD_TIME_S, 1.0, "load and supply are never on within a second of each other"),
        (hands.CONFIRM_S, 2.0, "off is confirmed in that time, or it is not confirmed"),
        (bay_off.CONFIRM_S, 2.0, "the same, where no run has the instruments"),
        (writer.SYNC_S, 1.0, "a power failure takes a second's rows at most"),
        (record.BEHIND_S, 10.0, "a disk that stands still ends the run"),
        (install.WATCHDOG_S, 10, "systemd ends a guardian that hangs"),
        (install.STOP_S, 150, "systemd waits until off has been said for two minutes"),
        (asking.STOP_S, 30.0, "whoever asks for a stop waits for the worker's ten seconds and the guardian's own"),
    ],
)
def test_a_time_that_is_promised(found: float, promised: float, why: str) -> None:
    assert found == promised, why
