"""Signs of life for a watchdog elsewhere: while an output is on, and only while somebody really looks."""

import time
from collections.abc import Iterator

import pytest

from benchwarden.daemon.alarm.alive import Alive
from tests.listener import Listener, listening
from tests.shed import wait_for

pytestmark = pytest.mark.realtime


@pytest.fixture
def listener() -> Iterator[Listener]:
    with listening() as found:
        yield found


def alive_to(listener: Listener, said: list[str], *, fresh_s: float = 10.0) -> Alive:
    return Alive(f"{listener.url}/on", f"{listener.url}/end", said.append, period_s=0.1, fresh_s=fresh_s)


def test_fetched_at_once_and_each_period_while_an_output_is_on(listener: Listener) -> None:
    alive = alive_to(listener, [])
    time.sleep(0.3)
    assert listener.fetched == []  # nothing is on
    alive.sign(True)
    wait_for(lambda: listener.fetched.count("/on") >= 3, 60)
    alive.sign(False)
    wait_for(lambda: "/end" in listener.fetched, 60)
    time.sleep(0.3)
    assert listener.fetched.count("/end") == 1
    assert listener.fetched[-1] == "/end"
    alive.sign(True)
    wait_for(lambda: listener.fetched[-1] == "/on", 60)
    alive.close()


def test_no_sign_from_the_bench_is_silence(listener: Listener) -> None:
    """Fault 34, a lying heartbeat: this process lives, but nobody measures any more."""
    alive = alive_to(listener, [], fresh_s=0.3)
    alive.sign(True)
    time.sleep(0.8)
    before = len(listener.fetched)
    time.sleep(0.5)
    assert len(listener.fetched) == before
    assert "/end" not in listener.fetched  # and no all-clear
    alive.close()
    assert len(listener.fetched) == before


def test_the_end_is_told_even_when_it_comes_with_closing(listener: Listener) -> None:
    alive = alive_to(listener, [])
    alive.sign(True)
    alive.sign(False)
    alive.close()
    assert listener.fetched[-1] == "/end"


def test_failing_is_said_once_and_so_is_its_end(listener: Listener) -> None:
    said: list[str] = []
    listener.refuse = True
    alive = alive_to(listener, said)
    alive.sign(True)
    wait_for(lambda: len(listener.fetched) >= 3, 60)
    assert len(said) == 1
    assert said[0].startswith("the sign of life did not get through: ")
    listener.refuse = False
    wait_for(lambda: len(said) == 2, 60)
    assert said[1] == "the sign of life gets through again"
    alive.close()


def test_without_an_address_nothing_happens() -> None:
    said: list[str] = []
    alive = Alive(None, None, said.append, period_s=0.05)
    alive.sign(True)
    time.sleep(0.2)
    alive.sign(False)
    alive.close()
    assert said == []
