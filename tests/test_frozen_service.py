"""A service that freezes while nothing is on: it is noticed, people are told, and nobody waits for it meanwhile."""

import json
import os
import signal
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwarden.daemon.guard.guardian_link import ALIVE_S
from benchwarden.daemon.guard.worker_signs import AWAKE_AT_MOST_S, WORKER_SILENCE_S, WorkerSigns
from benchwarden.daemon.guardian import SILENCE_S, TOOK_OVER, TURN_S
from benchwarden.daemon.serving.asking import ANSWER_S, STOP_IDLE_S, STOP_S
from tests.listener import listening
from tests.shed import SOON, Shed, wait_for
from tests.test_serve_processes import serving


def test_the_two_silences_leave_room_for_each_other() -> None:
    assert TURN_S < AWAKE_AT_MOST_S <= ALIVE_S < SILENCE_S < WORKER_SILENCE_S
    assert STOP_IDLE_S < WORKER_SILENCE_S < STOP_S


@given(st.lists(st.floats(0.0, 1000.0), max_size=50))
def test_who_never_gave_a_sign_is_never_missed(gaps_s: list[float]) -> None:
    """A single run gives none, and a service that reads its lists has not come to it."""
    signs, now_s = WorkerSigns(), 100.0
    for gap_s in gaps_s:
        now_s += gap_s
        assert signs.missed_s(now_s) == 0.0


@given(st.lists(st.tuples(st.floats(0.0, 1000.0), st.booleans()), max_size=80))
def test_only_what_was_looked_at_counts_as_silence(looks: list[tuple[float, bool]]) -> None:
    """However long the machine stood still: a silence is no longer than it was, nor than a second for each look."""
    signs, now_s, heard_s, since = WorkerSigns(), 0.0, 0.0, 0
    signs.heard(now_s)
    for gap_s, sign in looks:
        now_s += gap_s
        if sign:
            signs.heard(now_s)
            heard_s, since = now_s, 0
        since += 1
        missed_s = signs.missed_s(now_s)
        assert 0.0 <= missed_s <= min(now_s - heard_s, since * AWAKE_AT_MOST_S) + 1e-9


def test_a_frozen_service_is_missed_after_its_time_and_one_that_slept_with_the_machine_is_not() -> None:
    signs = WorkerSigns()
    signs.heard(0.0)
    looks = [n * TURN_S for n in range(1, 200)]
    assert min(now_s for now_s in looks if signs.missed_s(now_s) > WORKER_SILENCE_S) == pytest.approx(15.1)
    signs.heard(20.0)
    assert signs.missed_s(8 * 3600.0) <= AWAKE_AT_MOST_S
    assert signs.missed_s(8 * 3600.0 + 1.0) <= 2 * AWAKE_AT_MOST_S


@pytest.mark.realtime
def test_an_idle_service_that_freezes_is_ended_and_people_are_told(tmp_path: Path) -> None:
    """Fault 34: with nothing armed nobody misses a bay, and a list would wait for ever."""
    with listening() as listener:
        shed = Shed(tmp_path, recovery=SOON)
        addresses = tmp_path / "alarm-addresses"
        addresses.touch(0o600)
        addresses.write_text(f"{listener.address}\n")
        head, mark, rest = shed.bench.read_text().partition("\n[[bay]]")
        shed.bench.write_text(f'{head}\n[alarms]\nurls_file = "alarm-addresses"\n{mark}{rest}')
        try:
            with serving(shed, "state") as service:
                service.idle()
                os.kill(service.worker(), signal.SIGSTOP)
                began_s = time.monotonic()
                said = service.say("status").stderr
                assert time.monotonic() - began_s < ANSWER_S
                if "has killed it" not in said:  # a machine that stalls may have come so far
                    assert "worker.sock: no answer (timed out)" in said
                    assert f"end process {service.process.pid}, its guardian" in said
                    assert "starts one" not in said
                began_s = time.monotonic()
                stopped = service.say("stop", "--all")
                assert time.monotonic() - began_s < STOP_S
                assert stopped.returncode == 0, stopped.stdout + stopped.stderr
                assert "switching off from here" in stopped.stdout
                assert "left load at" in stopped.stdout
                assert service.process.wait(60) == TOOK_OVER
                wait_for(lambda: listener.posted, 60)
                [text] = listener.texts()
                assert "bench: guardian took over: no sign of life from the service for 15." in text
                assert "waits for a person" in text
                assert "no sign of life from the service" in (service.state / "guardian.log").read_text()
            with serving(shed, "state") as service:
                service.idle()
                assert all(bay["off"]["confirmed"] for bay in service.status()["bays"].values())
        finally:
            shed.close()
    assert json.loads((tmp_path / "state" / "left.json").read_text())["stand"] == "idle"
