"""The worker's end of the guardian's socket, against the other end of a real socket pair."""

import asyncio
import base64
import json
import socket
import threading
from collections.abc import Callable

import pytest

from benchwarden.daemon.guard.guardian_link import (
    BEAT_GAP_S,
    DOUBT_S,
    GUARDIAN_SILENCE_S,
    GuardianGone,
    GuardianLink,
    off_entry,
)
from benchwarden.drivers.off_plan import OffPlan

PLAN = OffPlan(
    name="left load",
    address="TCPIP::192.0.2.10::5025::SOCKET",
    off=b"INP OFF\n",
    question=b"INP?\n",
    off_replies=("0", "OFF"),
    current_question=b"MEAS:CURR?\n",
    current_field=0,
    current_separator=";",
    current_unit="",
    current_factor=1.0,
    reply_end=b"\n",
    baud=9600,
)


class Other:
    """The guardian's end: answers the first message with what the test says, and keeps everything."""

    def __init__(self, answer: Callable[[dict[str, object]], bytes | None]) -> None:
        self.ours, theirs = socket.socketpair()
        self.link_descriptor = theirs.detach()
        self.first: dict[str, object] = {}
        self._answer = answer
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        with self.ours.makefile("rb") as lines:
            self.first = json.loads(lines.readline())
            answer = self._answer(self.first)
        if answer is None:
            self.ours.shutdown(socket.SHUT_RDWR)
        else:
            self.ours.sendall(answer)

    def heard(self) -> list[dict[str, object]]:
        """Return the messages after the first."""
        self.ours.settimeout(0.2)
        text = b""
        try:
            while block := self.ours.recv(65536):
                text += block
        except TimeoutError:
            pass
        return [json.loads(line) for line in text.splitlines()]

    def close(self) -> None:
        self._thread.join(60.0)
        self.ours.close()


def good(message: dict[str, object]) -> bytes:
    return json.dumps({"armed": message["arm"]}).encode() + b"\n"


def linked(answer: Callable[[dict[str, object]], bytes | None], work: Callable[[GuardianLink, Other], None]) -> Other:
    """Arm a bay, then do `work`."""
    other = Other(answer)

    async def run() -> None:
        link = GuardianLink(other.link_descriptor)
        try:
            await link.arm("left", [off_entry(PLAN, 0.12)])
            work(link, other)
        finally:
            link.close()

    try:
        asyncio.run(run())
    finally:
        other.close()
    return other


def test_arming_hands_over_everything_needed_to_switch_off() -> None:
    other = linked(good, lambda link, other: None)
    expected = [json.loads(json.dumps(off_entry(PLAN, 0.12)))]
    assert other.first == {"arm": "left", "off": expected, "contactor": None}


def test_an_entry_is_json_with_bytes_in_base_64() -> None:
    data = json.loads(json.dumps(off_entry(PLAN, 0.12)))
    assert base64.b64decode(data["off"]) == b"INP OFF\n"
    assert base64.b64decode(data["question"]) == b"INP?\n"
    assert base64.b64decode(data["reply_end"]) == b"\n"
    assert (data["off_replies"], data["threshold_a"], data["address"]) == (["0", "OFF"], 0.12, PLAN.address)


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (b'{"refused": "left", "why": "another box"}\n', "the guardian refuses bay left: another box"),
        (b'{"armed": "right"}\n', "the guardian did not confirm bay left: TimeoutError"),
        (b"{}\n", "the guardian sent what no guardian sends"),
        (b"no\n", "the guardian sent what no guardian sends"),
        (None, r"the guardian has gone \(its process ended\)"),
    ],
)
def test_without_the_guardian_s_word_nothing_goes_on(
    answer: bytes | None, reason: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchwarden.daemon.guard.guardian_link.ARM_TIMEOUT_S", 0.2)
    with pytest.raises(GuardianGone, match=reason):
        linked(lambda _: answer, lambda link, other: None)


def test_a_guardian_that_says_nothing_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchwarden.daemon.guard.guardian_link.ARM_TIMEOUT_S", 0.1)
    with pytest.raises(GuardianGone, match="the guardian did not confirm bay left: TimeoutError"):
        linked(lambda _: b"", lambda link, other: None)


def judged(monkeypatch: pytest.MonkeyPatch, looks_s: list[float], signs_s: list[float]) -> str:
    """Look at these seconds, with a guardian that gives its last signs at those; return what is wrong, or ""."""
    now_s = [0.0]
    monkeypatch.setattr("benchwarden.daemon.guard.guardian_link.clock.real_s", lambda: now_s[0])
    found: list[str] = []

    def work(link: GuardianLink, other: Other) -> None:
        left = list(signs_s)
        for look_s in looks_s:
            now_s[0] = look_s
            while left and left[0] <= look_s:
                other.ours.sendall(b'{"alive": 1}\n')
                left.pop(0)
            try:
                link.beat("left", 1, True)
            except GuardianGone as error:
                found.append(f"{look_s:g} s: {error}")
                return

    linked(good, work)
    return found[0] if found else ""


@pytest.mark.parametrize("every_s", [0.1, 0.5, 1.0])
def test_a_guardian_that_falls_silent_is_noticed(every_s: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """A frozen guardian reads nothing, but its socket takes minutes of beats: only its own signs of life tell."""
    looks_s = [every_s * n for n in range(1, int(6.0 / every_s))]
    found = judged(monkeypatch, looks_s, [])
    at_s, words = found.split(" s: ")
    assert GUARDIAN_SILENCE_S < float(at_s) <= GUARDIAN_SILENCE_S + every_s + 1e-9
    assert words.startswith("no sign of life from the guardian for")


@pytest.mark.parametrize("stood_still_s", [2.5, 5.0, 60.0])
def test_a_machine_that_stood_still_does_not_make_the_guardian_look_dead(
    stood_still_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """This process may come to a moment before the guardian does; one that stays silent is noticed a second later."""
    looks_s = [0.1, 0.2, *(stood_still_s + 0.1 * n for n in range(1, 40))]
    assert judged(monkeypatch, looks_s, [stood_still_s + 0.4, stood_still_s + 0.9, stood_still_s + 1.4]) == ""
    at_s, _ = judged(monkeypatch, looks_s, []).split(" s: ")
    assert float(at_s) <= max(GUARDIAN_SILENCE_S, stood_still_s + DOUBT_S) + 0.21


def test_a_lost_contactor_ends_the_bay_and_no_other() -> None:
    def work(link: GuardianLink, other: Other) -> None:
        link._hear()
        with pytest.raises(GuardianGone, match="the contactor cannot be held"):
            link.beat("left", 1, True)
        link.beat("right", 1, True)

    linked(lambda message: good(message) + b'{"lost": "left", "why": "the contactor cannot be held"}\n', work)


def test_beats_and_disarming_are_lines_of_json() -> None:
    def work(link: GuardianLink, other: Other) -> None:
        link.beat("left", 7, True)
        link.beat("right", 8, False)
        link.disarm("left", {"load": -0.003, "supply": None})
        assert other.heard() == [
            {"beat": "left", "n": 7, "on": True},
            {"beat": "right", "n": 8, "on": False},
            {"disarm": "left", "current_a": {"load": -0.003, "supply": None}},
        ]

    linked(good, work)


def test_beats_closer_together_than_the_gap_are_left_out() -> None:
    def work(link: GuardianLink, other: Other) -> None:
        for n in range(1000):
            link.beat("left", n, True)
        assert [message["n"] for message in other.heard()] == [0]
        assert 0 < BEAT_GAP_S < 1.0

    linked(good, work)


def test_a_guardian_that_hung_up_is_noticed_at_the_next_beat() -> None:
    def work(link: GuardianLink, other: Other) -> None:
        other.ours.close()
        with pytest.raises(GuardianGone, match=r"^the guardian has gone \(its process ended\)$"):
            link.beat("left", 1, True)
        with pytest.raises(GuardianGone):
            link.disarm("left", {})

    linked(good, work)


def test_a_guardian_that_does_not_read_is_noticed_too() -> None:
    """A full socket must not hold the worker up: it counts as gone."""

    def work(link: GuardianLink, other: Other) -> None:
        def talk() -> None:
            for _ in range(100_000):
                link.disarm("left", {"load": 0.0})

        with pytest.raises(GuardianGone, match="BlockingIOError"):
            talk()

    linked(good, work)
