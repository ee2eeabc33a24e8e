"""The service as people run it: real processes, real seconds, a simulated bench in a process of its own.

What takes seconds is the checks and the test pulse before a first step, so few tests go through them, and two bays at
once where they do.
"""

import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.guard.state_folder import has_ended
from tests.shed import BENCHWARDEN, ENVIRONMENT, SOON, Shed, wait_for, worker_of

pytestmark = pytest.mark.realtime

REST = """
title = "Short rest"
[[step]]
do = "rest"
at_least = "2 s"
"""


class Service:
    """A service on a shed's bench with a state folder of its own, and the commands that a person types."""

    def __init__(self, shed: Shed, state: Path) -> None:
        self.shed, self.state = shed, state
        (shed.folder / "rest.toml").write_text(REST)
        self.log = shed.folder / f"{state.name}.log"
        with self.log.open("a") as log:
            self.process = subprocess.Popen(
                [*BENCHWARDEN, "serve", "--state", str(state)],
                env=ENVIRONMENT,
                cwd=shed.folder,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                text=True,
            )

    def typed(self, *arguments: str, typed: str = "") -> "subprocess.CompletedProcess[str]":
        """What a person types, as it stands."""
        return subprocess.run(
            [*BENCHWARDEN, *arguments],
            env=ENVIRONMENT,
            cwd=self.shed.folder,
            input=typed,
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )

    def say(self, *arguments: str, typed: str = "") -> "subprocess.CompletedProcess[str]":
        """The same to this service."""
        return self.typed(*arguments, "--state", str(self.state), typed=typed)

    def status(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.say("status", "--json").stdout)
        return found

    def idle(self, seconds: float = 20.0) -> None:
        """Wait until its own worker takes requests: one whose guardian was killed answers for a while."""

        def answers() -> bool:
            said = self.say("status", "--json")
            if said.returncode == 2 or not said.stdout:
                return False
            with suppress(FileNotFoundError):  # it has just gone
                stat = Path(f"/proc/{json.loads(said.stdout)['pid']}/stat").read_text()
                return int(stat.rpartition(")")[2].split()[1]) == self.process.pid
            return False

        wait_for(answers, seconds)

    def worker(self) -> int:
        return worker_of(self.process)

    def is_read(self) -> bool:
        """Tell whether somebody is connected to the live feed (state 03 of proc(5), /proc/net/unix)."""
        rows = [line.split() for line in Path("/proc/net/unix").read_text().splitlines()[1:]]
        return any(row[5] == "03" and row[7:] == [str(self.state / "feed.sock")] for row in rows)

    def start(self, bay: str) -> None:
        """Have a bay draw, by the way that a person goes."""
        added = self.say("add", f"{bay}=pack.toml", "draw.toml", "rest.toml")
        assert added.returncode == 0, added.stderr
        started = self.say("start", bay, typed="yes\n")
        assert started.returncode == 0, started.stderr


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    made = Shed(tmp_path_factory.mktemp("shed"), recovery=SOON)
    yield made
    made.close()


@contextmanager
def serving(shed: Shed, state: str) -> Iterator[Service]:
    made = Service(shed, shed.folder / state)
    try:
        yield made
    finally:
        if made.process.poll() is None:
            made.process.terminate()
            try:
                made.process.wait(60)
            except subprocess.TimeoutExpired:
                made.process.kill()
                made.process.wait(60)


def test_add_start_status_stop_and_the_end(shed: Shed) -> None:
    """Faults 37 and 39: nobody else gets at the bench, and SIGTERM leaves everything off, confirmed, within 5 s."""
    with serving(shed, "one") as service:
        service.idle()
        pid = service.process.pid
        second = service.say("serve")
        assert second.returncode == 2
        assert f"process {pid} since" in second.stderr
        for others in (["serve", "--state", "another"], ["run", "draw.toml", "left=pack.toml"], ["drill", "right"]):
            refused = service.typed(*others)
            assert refused.returncode == 2
            assert refused.stderr.startswith(f"process {pid} since ")
        for bay in ("left", "right"):
            service.start(bay)
        # The test pulse before the first step is on for a second; what is waited for is the step.
        wait_for(lambda: all(shed.is_on(bay) and shed.drawn_a(bay) > 3.0 for bay in ("left", "right")), 60)
        both = {"left": {"on": True}, "right": {"on": True}}
        wait_for(lambda: service.status()["guardian"]["armed"] == both, 10)  # at the next sign of life
        found = service.status()["bays"]
        assert (found["left"]["now"]["output"], found["middle"]["now"]) == ("load", None)
        stopped = service.say("stop", "left")
        assert not shed.is_on("left")
        assert stopped.returncode == 0
        assert "worker: left: off confirmed (load " in stopped.stdout
        assert "guardian: has nothing to switch off" in stopped.stdout
        assert shed.is_on("right")  # it is nobody's neighbour
        left = service.status()["bays"]["left"]
        assert left["list"]["stand"] == "stopped"
        assert left["off"]["current_a"]["load"] == pytest.approx(0.0, abs=0.05)
        began = time.monotonic()
        service.process.send_signal(signal.SIGTERM)
        assert service.process.wait(60) == 0
        assert time.monotonic() - began < 5.0
        assert not shed.is_on("right")
        assert shed.drawn_a("right") < 0.05
        assert "every bay is off, confirmed" in service.log.read_text()
        assert not (service.state / "worker.sock").exists()


def test_worker_and_guardian_are_killed_and_each_next_start_is_idle(shed: Shed) -> None:
    """SIGKILL of the worker: the guardian takes over. Of the guardian: the worker ends, and is waited for."""
    with serving(shed, "two") as service:
        service.idle()
        service.start("left")
        wait_for(shed.is_on, 30)
        waiting = subprocess.Popen(
            [*BENCHWARDEN, "wait", "left", "--bench", str(shed.bench), "--state", str(service.state)],
            env=ENVIRONMENT,
            stderr=subprocess.PIPE,
            text=True,
        )
        wait_for(service.is_read, 60)
        os.kill(service.worker(), signal.SIGKILL)
        wait_for(lambda: not shed.is_on() and shed.drawn_a() < 0.05, 60)
        heard = waiting.communicate(timeout=60)[1]
        assert waiting.returncode == 1
        assert "left: the worker has gone; its guardian has taken over: off confirmed (" in heard
        assert "left load: off, read back" in heard
        said = service.say("status")
        assert said.returncode == 1
        assert "its guardian has taken over: off confirmed" in said.stderr
        stopped = service.say("stop", "left")  # somebody who stops it now is told who did, and that it is off
        assert stopped.returncode == 0, stopped.stdout + stopped.stderr
        assert "guardian: took over:" in stopped.stdout
        for others in (["serve"], ["run", "draw.toml", "left=pack.toml"]):  # nobody is told to end who holds it off
            refused = service.say(*others)
            assert refused.returncode == 2
            assert "its guardian holds off until " in refused.stderr
            assert "wait, and do not end it" in refused.stderr
            assert "end that" not in refused.stderr
        morning = service.say("morning")
        assert "the guardian acts now, in the worker's place:" in morning.stdout
        assert "  off confirmed (the guardian: left load: off, read back; " in morning.stdout
        assert "nobody has confirmed it" not in morning.stdout.partition("middle")[0]
        # It asserts off for two minutes, then ends with 4 (test_guardian.py); an operator does not wait for that.
        service.process.kill()
        service.process.wait(60)
    with serving(shed, "two") as service:
        service.idle()
        left = service.status()["bays"]["left"]
        assert left["list"]["stand"] == "interrupted"
        assert [test["fate"] for test in left["list"]["tests"]] == ["interrupted", "waiting"]
        assert left["off"]["confirmed"]
        wait_for(lambda: "the guardian of the service before said: " in service.log.read_text(), 10)
        wait_for(lambda: "sealed as interrupted" in service.log.read_text(), 20)  # in a process of its own
        morning = service.say("morning", "left")
        assert morning.returncode == 1
        assert "the guardian of the service before had to act; that is over:" in morning.stdout
        assert "taking over bays left" in morning.stdout
        assert "1. Short draw: interrupted" in morning.stdout
        assert "did not run: 2. Short rest: waits" in morning.stdout
        assert not shed.is_on()
        worker = service.worker()
        service.process.kill()
        service.process.wait(60)
        assert not has_ended(f"process {worker} ")  # it switches off, and holds the bench meanwhile
    with serving(shed, "two") as service:
        service.idle()
        assert has_ended(f"process {worker} ")
        wait_for(lambda: "the guardian has gone" in service.log.read_text(), 10)
        assert service.status()["bays"]["left"]["list"]["stand"] == "interrupted"
