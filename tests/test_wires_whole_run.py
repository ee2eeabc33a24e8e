"""Whole runs with a broken wire to each bay's load: real processes, the real guardian, a simulated bench in its own.

What was on is asked of the simulated loads themselves, beside the proxies. Three bays break at once, each its own way.
"""

import json
import re
import signal
import socket
import subprocess
import threading
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.proxy import Faults, Proxy, before_address
from tests.shed import BENCHWARDEN, ENVIRONMENT, SOON, Shed, wait_for

pytestmark = pytest.mark.realtime

LOOK_S = 0.05
QUESTIONS = {"left": "INP?", "middle": "LOAD?", "right": "INP?"}
BAYS = tuple(QUESTIONS)
BLIND_S, PERIOD_S, WAY_TO_OFF_S = 3.0, 1.0, 2.0  # as in test_bay_faults.py
PULSE_TIMER_S = 4.0
"""The load's own timer during the test pulse: nobody has to reach it."""
ASSERTED_S = 1.0 + 2.0 + 1.0
"""The guardian waits a second between two attempts, gives an attempt two, and asks twice."""
SLACK_S = 4.0
"""What a loaded machine may take on top."""


@dataclass
class Told:
    """What one whole run has left: times on this process's monotonic clock."""

    broken_s: float
    healed_s: float
    switched: dict[str, list[tuple[float, bool]]]
    """Per bay: when its load was seen to change, and to what."""
    journals: dict[str, list[dict[str, Any]]]
    said: str
    drawn_a: dict[str, float] = field(default_factory=dict)
    code: int | None = None

    def off_s(self, bay: str) -> float:
        """When the load was seen off for the last time."""
        at_s, on = self.switched[bay][-1]
        assert not on, f"the load of bay {bay} is on at the end"
        return at_s

    def journal(self, bay: str) -> str:
        return "\n".join(map(json.dumps, self.journals[bay]))


class WholeRun:
    """A run in three bays, a proxy before the first load of each, and somebody who looks at the loads all the time."""

    def __init__(self, folder: Path) -> None:
        self.shed = Shed(folder, recovery=SOON)
        entries = tomllib.loads(self.shed.bench.read_text())["bay"]
        loads = {entry["name"]: entry["load"] for entry in entries}
        self.loads = {bay: (load[0] if isinstance(load, list) else load)["at"] for bay, load in loads.items()}
        self.proxies = {bay: before_address(address) for bay, address in self.loads.items()}
        text = self.shed.bench.read_text()
        for bay, address in self.loads.items():
            text = text.replace(address, self.proxies[bay].address)
        self.shed.bench.write_text(text)
        self.switched: dict[str, list[tuple[float, bool]]] = {bay: [] for bay in BAYS}
        self.said = ""
        self.process = subprocess.Popen(
            [*BENCHWARDEN, "run", "draw.toml", *(f"{bay}=pack.toml" for bay in BAYS), "--bench", "bench.toml"],
            env=ENVIRONMENT,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._ended = threading.Event()
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._look, self._listen)]
        for thread in self._threads:
            thread.start()

    def _ask(self, bay: str, question: str) -> str:
        _, host, port, _ = self.loads[bay].split("::")
        with socket.create_connection((host, int(port)), 5.0) as wire, wire.makefile("r") as answers:
            wire.sendall(question.encode() + b"\n")
            return answers.readline().strip()

    def _look(self) -> None:
        while not self._ended.wait(LOOK_S):
            for bay, changes in self.switched.items():
                on = self._ask(bay, QUESTIONS[bay]) == "1"
                if not changes or changes[-1][1] != on:
                    changes.append((time.monotonic(), on))

    def _listen(self) -> None:
        assert self.process.stderr
        for line in self.process.stderr:
            self.said += line

    def is_on(self, bay: str) -> bool:
        return bool(self.switched[bay]) and self.switched[bay][-1][1]

    def drawn_a(self, bay: str) -> float:
        return float(self._ask(bay, "MEAS:CURR?"))

    def journals(self) -> dict[str, list[dict[str, Any]]]:
        found: dict[str, list[dict[str, Any]]] = {bay: [] for bay in BAYS}
        for path in self.shed.folder.glob("runs/*/*/events.jsonl"):
            text = path.read_text()
            [bay] = [one for one in BAYS if f'"L-{one}-1"' in text]
            found[bay] = [json.loads(line) for line in text.splitlines()]
        return found

    def samples(self, bay: str) -> list[dict[str, str]]:
        for path in self.shed.folder.glob("runs/*/*/run.json"):
            if f'"L-{bay}-1"' in (path.parent / "events.jsonl").read_text():
                head, *rows = (path.parent / "samples-001.csv").read_text().splitlines()
                return [dict(zip(head.split(","), row.split(","), strict=False)) for row in rows]
        return []

    def wait_said(self, bay: str, what: str) -> None:
        """Wait until the guardian has said this of the bay's load."""
        wait_for(lambda: f"{bay} load at {self.proxies[bay].address}: {what}" in self.said, 30)

    def wait_missed(self, bay: str, readings: int) -> None:
        """Wait until so many readings of a bay have been missed."""
        wait_for(lambda: len(missed_in(self, bay)) >= readings, 20)

    def told(self, broken_s: float, healed_s: float) -> Told:
        drawn_a = {bay: self.drawn_a(bay) for bay in BAYS}
        return Told(broken_s, healed_s, self.switched, self.journals(), self.said, drawn_a, self.process.poll())

    def close(self) -> None:
        self.process.kill()
        self._ended.set()
        for thread in self._threads:
            thread.join(10.0)
        self.process.wait(10)
        if self.process.stderr:
            self.process.stderr.close()
        for proxy in self.proxies.values():
            proxy.close()
        self.shed.close()


def creep(proxy: Proxy, seconds: float = 3.0) -> None:
    """Let replies come later and later: from at once to 3 s."""
    began_s = time.monotonic()
    while (late_s := time.monotonic() - began_s) < seconds:
        proxy.faults.delay_s = late_s
        time.sleep(LOOK_S)
    proxy.faults.delay_s = seconds


# Half-open, refused, latency creep: the worker cannot confirm off, so the guardian takes over.


def drawing(run: WholeRun) -> bool:
    return all(run.is_on(bay) and run.drawn_a(bay) > 3.0 and len(run.samples(bay)) > 2 for bay in BAYS)


def pulsing(run: WholeRun) -> bool:
    return all(run.is_on(bay) for bay in BAYS)


@pytest.fixture(
    scope="module",
    params=["in the test pulse", pytest.param("while drawing", marks=pytest.mark.endure)],
)
def unreachable(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Told]]:
    """A run whose loads cannot be reached any more; when the guardian has said so, two wires come back."""
    run = WholeRun(tmp_path_factory.mktemp("unreachable"))
    creeping = threading.Thread(target=creep, args=(run.proxies["right"],))
    try:
        wait_for(lambda: (pulsing if request.param == "in the test pulse" else drawing)(run), 60)
        broken_s = time.monotonic()
        left, middle = run.proxies["left"], run.proxies["middle"]
        left.faults.answerless = left.faults.swallow_orders = left.faults.swallow_replies = True
        middle.refuse()
        middle.reset()
        creeping.start()
        for bay in ("left", "middle"):
            run.wait_said(bay, "NOT CONFIRMED")
        healed_s = time.monotonic()
        left.faults = Faults()
        left.reset()
        middle.listen()
        for bay in ("left", "middle"):
            run.wait_said(bay, "off, read back")
        time.sleep(PERIOD_S)  # off is to stay
        yield request.param, run.told(broken_s, healed_s)
    finally:
        if creeping.ident:
            creeping.join()
        run.close()


@pytest.mark.parametrize(
    ("bay", "why"),
    [
        pytest.param("left", r"left load at \S+: \S+ no reply to ", id="half-open (7)"),
        pytest.param("middle", r"middle load at \S+: .*(reset|refused)", id="RST and refused (4, 5)"),
        pytest.param("right", r"right load 1 at \S+: \S+ no reply to ", id="latency creep (23)"),
    ],
)
def test_a_load_that_cannot_be_reached_is_off_as_soon_as_anything_reaches_it(
    unreachable: tuple[str, Told], bay: str, why: str
) -> None:
    when, told = unreachable
    off_s = told.off_s(bay)
    if bay == "right":  # orders still arrive: off does, although nobody hears that it did
        assert off_s - told.broken_s <= 0.5 + BLIND_S + PERIOD_S + WAY_TO_OFF_S + SLACK_S
    elif when == "in the test pulse":
        assert off_s - told.switched[bay][-2][0] <= PULSE_TIMER_S + SLACK_S
        assert off_s < told.healed_s  # by the load's own timer
    else:
        assert told.healed_s < off_s <= told.healed_s + ASSERTED_S + SLACK_S  # by the guardian's second and third
    assert told.drawn_a[bay] < 0.05
    assert [on for _, on in told.switched[bay]].count(True) == (1 if when == "in the test pulse" else 2)

    assert re.search(why, told.journal(bay)), told.journal(bay)
    events = told.journals[bay]
    on_last = max(number for number, event in enumerate(events) if event["event"] == "output_on")
    assert not any(event.get("confirmed") for event in events[on_last:])  # nobody claims what nobody has seen
    assert "taking over bays" in told.said
    assert bay in told.said.split("taking over bays ")[1].split("\n")[0]


# Stale, sliced, ended and reset once: a reading is missed, and the run goes on.


@pytest.fixture(scope="module")
def disturbed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[WholeRun, Told]]:
    run = WholeRun(tmp_path_factory.mktemp("disturbed"))
    try:
        wait_for(lambda: drawing(run), 60)
        broken_s = time.monotonic()
        for bay, cut_at in (("left", 0), ("middle", 3)):  # all of a reply, or its tail, comes too late
            faults = run.proxies[bay].faults
            faults.cut_at, faults.gap_s, faults.cuts = cut_at, 0.75, 1
        for how in (Proxy.reset, Proxy.finish):
            wait_for(lambda: run.proxies["right"].open, 20)
            missed = len(missed_in(run, "right"))
            how(run.proxies["right"])
            run.wait_missed("right", missed + 1)
        for bay in ("left", "middle"):
            run.wait_missed(bay, 1)
        rows = {bay: len(run.samples(bay)) for bay in BAYS}
        wait_for(lambda: all(len(run.samples(bay)) > rows[bay] + 2 for bay in BAYS), 20)
        assert pulsing(run)
        asked_s = time.monotonic()
        run.process.send_signal(signal.SIGINT)
        run.process.wait(30)
        time.sleep(2 * PERIOD_S)
        yield run, run.told(broken_s, asked_s)
    finally:
        run.close()


def missed_in(run: WholeRun, bay: str) -> list[dict[str, Any]]:
    return [event for event in run.journals()[bay] if event["event"] == "missed"]


@pytest.mark.endure
@pytest.mark.parametrize(
    ("bay", "words"),
    [
        pytest.param("left", ["no reply to"], id="stale (1)"),
        pytest.param("middle", ["only b'"], id="sliced (2)"),
        pytest.param("right", ["reset", "closed the line"], id="RST, then FIN (5)"),
    ],
)
def test_a_wire_disturbed_once_costs_a_reading_and_nothing_else(
    disturbed: tuple[WholeRun, Told], bay: str, words: list[str]
) -> None:
    run, told = disturbed
    missed = missed_in(run, bay)
    assert len(missed) == len(words)
    for event, word in zip(missed, words, strict=True):
        assert word in event["error"]
    current, voltage = (
        [float(row[name]) for row in run.samples(bay) if row[name]] for name in ("Current / A", "Voltage / V")
    )
    assert all(18.0 < value < 25.3 for value in voltage)  # a current in its place, or half a number, would stand out
    assert all(-13.0 < value < 0.1 for value in current)
    assert told.code == 3
    assert told.journals[bay][-1]["how"] == "stopped"
    assert told.journals[bay][-1]["off_confirmed"] is True
    assert told.off_s(bay) - told.healed_s <= PERIOD_S + WAY_TO_OFF_S + SLACK_S
    assert told.drawn_a[bay] < 0.05
