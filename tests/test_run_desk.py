"""A single run answers at the same sockets as a service: status, stop and the live feed, with real processes."""

import json
import signal
import socket
import subprocess
from pathlib import Path

from tests.shed import BENCHWARDEN, ENVIRONMENT, SOON, Shed, on_and_sampled, wait_for


def say(shed: Shed, *words: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [*BENCHWARDEN, *words],
        cwd=shed.folder,
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_a_run_is_seen_told_and_stopped(tmp_path: Path) -> None:
    shed = Shed(tmp_path, recovery=SOON)
    run = shed.run()
    try:
        wait_for(lambda: on_and_sampled(shed), 40)
        seen = say(shed, "status", "--json")
        assert seen.returncode == 0, seen.stderr
        left = json.loads(seen.stdout)["bays"]["left"]
        assert left["list"]["stand"] == "running"
        assert left["list"]["pack_name"] == "Sanderling"

        with socket.socket(socket.AF_UNIX) as feed:
            feed.settimeout(60.0)
            feed.connect(str(tmp_path / "state" / "feed.sock"))
            with feed.makefile("rb") as lines:
                state = json.loads(lines.readline())
                sample = next(one for line in lines if (one := json.loads(line))["kind"] == "sample")
        assert (state["kind"], state["stand"], state["run"]) == ("state", "running", sample["run"])
        assert (tmp_path / "runs" / sample["run"] / "run.json").exists()
        assert sample["current_a"] < -5.0
        assert sample["power_w"] < -100.0

        assert say(shed, "add", "left=pack.toml", "draw.toml").returncode == 2
        second = say(shed, "run", "draw.toml", "left=pack.toml")
        assert second.returncode == 2
        assert f"process {run.pid} since " in second.stderr

        watch, tail, waiting = (
            subprocess.Popen(
                [*BENCHWARDEN, word, *more],
                cwd=tmp_path,
                env=ENVIRONMENT,
                stdout=subprocess.PIPE,
                text=True,
                # Where the tests run in the background, Ctrl-C is ignored from the start.
                preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
            )
            for word, *more in (("watch", "left"), ("tail", "--json"), ("wait", "left"))
        )
        assert watch.stdout
        assert "left: running, Sanderling, test 1 of 1" in watch.stdout.readline()
        watched = next(line for line in watch.stdout if "left: step 1/2 discharge" in line)
        assert "lowest group" in watched

        stopped = say(shed, "stop", "left")
        assert stopped.returncode == 0, stopped.stderr
        assert not shed.is_on()
        assert waiting.wait(60) == 3
        assert "left: stopped (asked to stop), Sanderling; off confirmed" in waiting.communicate()[0]
        assert run.wait(30) == 3
        for looking in (watch, tail):
            looking.send_signal(signal.SIGINT)
        assert watch.wait(60) == 0
        watch.communicate()
        events = [json.loads(line) for line in tail.communicate()[0].splitlines()]
        assert tail.returncode == 0
        assert events[-1]["event"] == "ended"
        assert [one["seq"] for one in events] == list(range(events[0]["seq"], events[-1]["seq"] + 1))
    finally:
        run.kill()
        run.communicate()
        shed.close()
