"""`watch` in a real terminal of 80 columns by 24 lines and in a pipe, and the exit codes of `wait` for scripts."""

import asyncio
import fcntl
import os
import pty
import signal
import struct
import subprocess
import termios
from pathlib import Path
from typing import Any

import pytest

from benchwarden.daemon.commands import watching
from benchwarden.daemon.serving.feed import Feed
from benchwarden.daemon.serving.worker_socket import WorkerSocket
from tests.front_rig import RUN, state_of
from tests.shed import BENCHWARDEN, ENVIRONMENT
from tests.test_watch_view import LONG, sample

OFF = {"confirmed": True, "current_a": {"load": 0.0}, "why": "", "utc": "", "words": "off confirmed (load 0.000 A)"}


@pytest.mark.parametrize(
    ("stand", "confirmed", "code"),
    [
        ("idle", True, 0),
        ("tripped", True, 1),
        ("stopped", True, 3),
        ("interrupted", True, 3),
        ("idle", False, 1),
        ("stopped", False, 1),
    ],
)
def test_wait_s_exit_code(stand: str, confirmed: bool, code: int, capsys: pytest.CaptureFixture[str]) -> None:
    off = OFF if confirmed else OFF | {"confirmed": False, "words": "OFF NOT CONFIRMED"}
    assert watching._outcome(state_of("left", stand=stand, off=off)) == code
    assert str(off["words"]) in capsys.readouterr().out
    assert watching._outcome(state_of("left", stand=stand, off=None)) == 1, "nobody has looked"


OFF_WORDS = "off, read back; 0.00 A measured"
STUCK = "NOT CONFIRMED (answers 'ON' after off): unplug it"


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (None, ""),
        ({"by": "worker", "armed": {}}, ""),
        (
            {"by": "guardian", "off": False, "outcomes": {"left load": OFF_WORDS, "left-2 load": STUCK}},
            f"its guardian has taken over: off confirmed (left load: {OFF_WORDS})",
        ),
        (
            {"by": "guardian", "off": False, "outcomes": {"left load": OFF_WORDS, "left supply": STUCK}},
            "its guardian has taken over: OFF NOT CONFIRMED: go there, unplug it "
            f"(left load: {OFF_WORDS}; left supply: {STUCK})",
        ),
        (
            {"by": "guardian", "off": True, "outcomes": {"right load": OFF_WORDS}},
            "its guardian has taken over, and had nothing of this bay to switch off",
        ),
    ],
)
def test_what_a_guardian_says_of_a_bay(answer: dict[str, Any] | None, words: str) -> None:
    assert watching.said_by_guardian("left", answer) == words


@pytest.mark.realtime
def test_watch_fits_a_terminal_of_80_by_24(tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    (tmp_path / "bench.toml").write_text('name = "Bird Shed"\n')
    (tmp_path / "state").mkdir()
    environment = {**ENVIRONMENT, "PYTHONIOENCODING": "utf-8", "TERM": "xterm"}
    environment.pop("COLUMNS", None)
    environment.pop("LINES", None)

    async def answer(_: Any) -> dict[str, Any]:
        return {"ok": True, "bays": {"left": {}}}

    def looking() -> "subprocess.Popen[bytes]":
        return subprocess.Popen(
            [*BENCHWARDEN, "watch", "left", "--bench", "bench.toml"],
            cwd=tmp_path,
            env=environment,
            stdin=theirs,
            stdout=theirs,
            stderr=subprocess.STDOUT,
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        )

    async def work() -> bytes:
        state, asked = tmp_path / "state", {"text": LONG, "answers": ["charged"]}
        feed = Feed(state / "feed.sock", lambda: [state_of("left", stand="running", question=asked)])
        async with feed, WorkerSocket(state / "worker.sock", answer):
            watch = looking()
            said = b""
            os.set_blocking(ours, False)
            try:
                async with asyncio.timeout(40.0):
                    number = 0
                    while said.count(b"Ctrl-C leaves") < 3:
                        number += 1
                        feed.tell(sample(number) | {"run": RUN})
                        await asyncio.sleep(0.05)
                        try:
                            said += os.read(ours, 65536)
                        except BlockingIOError:
                            continue
                watch.send_signal(signal.SIGINT)
                assert await asyncio.to_thread(watch.wait, 10) == 0
            finally:
                watch.kill()
                watch.wait()
        return said

    try:
        said = asyncio.run(work()).decode()
    finally:
        os.close(ours)
        os.close(theirs)
    frames = [frame.replace("\r", "").split("\x1b[J")[-1] for frame in said.split("Ctrl-C leaves")[:-1]]
    last = frames[-1].splitlines()
    assert len(last) <= 22
    assert max(map(len, last)) <= 79
    assert any(line.startswith("voltage") for line in last), last
    assert f"ASKS: {LONG}" in " ".join(line.strip() for line in last)
    assert "  answer with: benchwarden answer left … (charged)" in last
    assert any("lowest group" in line or "groups" in line for line in last)


@pytest.mark.realtime
def test_watch_in_a_pipe_says_where_bays_stand_and_what_is_asked(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text('name = "Bird Shed"\n')
    state = tmp_path / "state"
    state.mkdir()

    async def answer(_: Any) -> dict[str, Any]:
        return {"ok": True, "bays": {"left": {}}}

    async def work() -> None:
        states = [state_of("left", stand="stopped", why="stopped by a person", run=None, off=OFF)]
        async with Feed(state / "feed.sock", lambda: states) as feed, WorkerSocket(state / "worker.sock", answer):
            watch = await asyncio.create_subprocess_exec(
                *(*BENCHWARDEN, "watch", "--bench", "bench.toml"),
                cwd=tmp_path,
                env=ENVIRONMENT,
                stdout=subprocess.PIPE,
            )
            assert watch.stdout
            try:
                async with asyncio.timeout(60.0):
                    told = [(await watch.stdout.readline()).decode()[9:] for _ in range(2)]
                    feed.tell(state_of("left", question={"text": "Is it full?", "answers": ["done"]}))
                    told += [(await watch.stdout.readline()).decode()[9:] for _ in range(3)]
            finally:
                watch.kill()
                await watch.wait()
        assert told == [
            "left: stopped (stopped by a person), Sanderling\n",
            "left: off confirmed (load 0.000 A)\n",
            "left: running, Sanderling\n",
            "left: ASKS: Is it full?\n",
            "left: answer with: benchwarden answer left … (done)\n",
        ]

    asyncio.run(work())
