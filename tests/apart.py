"""Two network namespaces with a cable between them, for faults that need a real outage; started by test_wires_apart.py.

The program's side is this process, the instrument's a child in a namespace of its own. A black hole is a neighbour
entry with a wrong hardware address: the carrier stays up, and nothing arrives. What a scenario saw is printed as JSON.
"""

import asyncio
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchwarden.drivers.line import LineDead
from benchwarden.drivers.tcp import TcpLine
from tests.shed import wait_for
from tests.switch import Switch

HERE, THERE = "10.77.0.1", "10.77.0.2"
PORTS = (5025, 5026, 5027)
OUR_MAC, THEIR_MAC, NOBODYS_MAC = "02:00:00:00:77:01", "02:00:00:00:77:02", "02:00:00:00:77:99"


def ip(*words: str) -> None:
    """Run ip(8), which may lie where only root looks."""
    where = shutil.which("ip", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")
    if where is None:
        raise FileNotFoundError("ip (package iproute2)")
    subprocess.run([where, *words], check=True)


class Cable:
    """The cable to the instruments."""

    def __init__(self) -> None:
        self._there = subprocess.Popen(
            ["unshare", "-n", sys.executable, "-m", "tests.apart", "instruments"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._there.stdin
        assert self._there.stdout
        assert self._there.stdout.readline() == "in\n"
        ip("link", "add", "bw0", "address", OUR_MAC, "type", "veth", "peer", "name", "bw1", "address", THEIR_MAC)
        ip("link", "set", "bw1", "netns", str(self._there.pid))
        ip("addr", "add", f"{HERE}/24", "dev", "bw0")
        ip("link", "set", "bw0", "up")
        self._there.stdin.write("plugged in\n")
        self._there.stdin.flush()
        self.restore()
        assert self._there.stdout.readline() == "listening\n"

    def black_hole(self) -> None:
        ip("neigh", "replace", THERE, "lladdr", NOBODYS_MAC, "dev", "bw0", "nud", "permanent")

    def restore(self) -> None:
        ip("neigh", "replace", THERE, "lladdr", THEIR_MAC, "dev", "bw0", "nud", "permanent")

    def pull(self) -> list[tuple[float, int, str]]:
        """End the instruments; return all that ever arrived at them: (s, port, line)."""
        said, _ = self._there.communicate("", timeout=60)
        return [(at_s, port, line) for at_s, port, line in map(json.loads, said.splitlines())]


def instruments() -> None:
    """The far side: a switch at each port, every line that arrives to standard output, until standard input ends."""
    print("in", flush=True)
    sys.stdin.readline()
    ip("addr", "add", f"{THERE}/24", "dev", "bw1")
    ip("link", "set", "bw1", "up")
    kept: list[str] = []

    def teller(port: int) -> Callable[[str], None]:
        return lambda line: kept.append(json.dumps([time.monotonic(), port, line]))

    switches = [Switch(THERE, port, teller(port)) for port in PORTS]
    print("listening", flush=True)
    sys.stdin.read()
    for port, switch in zip(PORTS, switches, strict=True):
        kept.append(json.dumps([time.monotonic(), port, "on at the end" if switch.on else "off at the end"]))
    print("\n".join(kept), flush=True)


async def dead_link(cable: Cable) -> dict[str, Any]:
    """Fault 7: a waiting and an idle line, and a socket as the system makes it; fault 4: connecting into nothing."""
    waiting, idle = TcpLine(THERE, PORTS[0]), TcpLine(THERE, PORTS[1])
    bare = socket.create_connection((THERE, PORTS[2]), 5.0)
    for line in (waiting, idle):
        await line.open()
        assert await line.ask("INP?", 5.0) == "0"
    loop = asyncio.get_running_loop()
    cable.black_hole()
    began_s = loop.time()
    bare.sendall(b"INP?\n")
    found: dict[str, Any] = {}

    async def ask() -> None:
        try:
            await waiting.ask("INP?", 60.0)
        except LineDead as error:
            found["waiting"] = (loop.time() - began_s, str(error))

    async def be_idle() -> None:
        while idle._fault is None and loop.time() - began_s < 60.0:  # noqa: ASYNC110  the line has no word for it
            await asyncio.sleep(0.02)
        found["idle"] = (loop.time() - began_s, str(idle._fault))

    async def connect() -> None:
        try:
            await TcpLine(THERE, PORTS[0]).open()
        except LineDead as error:
            found["connecting"] = (loop.time() - began_s, str(error))

    await asyncio.gather(ask(), be_idle(), connect())
    bare.settimeout(0.0)
    try:
        found["bare"] = repr(bare.recv(10))
    except BlockingIOError:
        found["bare"] = "knows nothing"
    bare.close()
    await waiting.close()
    await idle.close()
    return found


KILLED_WITH_OUR_LINE = """
import asyncio, os, signal, sys
from benchwarden.drivers.tcp import TcpLine
async def go():
    line = TcpLine(sys.argv[1], int(sys.argv[2]))
    await line.open()
    assert await line.ask("INP?", 5.0) == "0"
    print("ready", flush=True)
    sys.stdin.readline()
    await line.tell("INP ON", 1.0)
    os.kill(os.getpid(), signal.SIGKILL)
asyncio.run(go())
"""
WORKER_WITH_A_BARE_SOCKET = """
wire = socket.create_connection(("THERE", PORT))
arm()
wire.sendall(b"INP?\\n")
assert wire.recv(10) == b"0\\n"
beat()
open("READY", "w").close()
while not os.path.exists("GO"): time.sleep(0.01); beat()
wire.sendall(b"INP ON\\n")
os.kill(os.getpid(), signal.SIGKILL)
"""


def ghost(cable: Cable) -> dict[str, Any]:
    """Fault 8: ON written into an outage of 6 s by processes that are killed at once; what arrives afterwards?

    At the first port by our own line; at the second by a bare socket, under a guardian that asserts off.
    """
    from tests.test_guardian import Guarded  # here, since only this side of the cable has use for it

    folder = Path(tempfile.mkdtemp())
    ours = subprocess.Popen(
        [sys.executable, "-c", KILLED_WITH_OUR_LINE, THERE, str(PORTS[0])],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert ours.stdout
    assert ours.stdin
    assert ours.stdout.readline() == "ready\n"

    class At:
        address = f"TCPIP::{THERE}::{PORTS[1]}::SOCKET"

    body = WORKER_WITH_A_BARE_SOCKET.replace("THERE", THERE).replace("PORT", str(PORTS[1]))
    body = body.replace("READY", str(folder / "ready")).replace("GO", str(folder / "go"))
    at: Any = At()
    guarded = Guarded(folder, body, at, assert_off_s=60.0)
    wait_for((folder / "ready").exists, 60)
    cable.black_hole()
    ours.stdin.write("go\n")
    ours.stdin.flush()
    (folder / "go").touch()
    killed = ours.wait(60)
    wait_for(lambda: not Path(f"/proc/{guarded.worker}").exists(), 60)
    time.sleep(6.0)
    restored_s = time.monotonic()
    cable.restore()
    time.sleep(12.0)
    guarded.process.send_signal(signal.SIGKILL)
    _, said = guarded.process.communicate(timeout=60)
    shutil.rmtree(folder)
    return {"killed": killed, "restored_s": restored_s, "said": said}


def main() -> None:
    what = sys.argv[1]
    if what == "instruments":
        instruments()
        return
    cable = Cable()
    found = asyncio.run(dead_link(cable)) if what == "dead link" else ghost(cable) if what == "ghost" else {}
    cable.restore()
    print(json.dumps(found | {"arrived": cable.pull()}))


if __name__ == "__main__":
    main()
