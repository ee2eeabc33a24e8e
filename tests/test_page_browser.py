"""The page in a browser, with a real service on a simulated bench: what a person sees, presses, must not believe."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser import ABSENT, ENTER, TAB, THERE, Browser, browser
from tests.shed import Shed, wait_for, worker_of
from tests.test_serve_processes import Service

pytestmark = pytest.mark.realtime

if not THERE:
    sys.stderr.write(f"\n{ABSENT}\n")
    pytest.skip(ABSENT, allow_module_level=True)

OPERATE = "operators-token-0001"
# Web Content Accessibility Guidelines 2.1, 1.4.3: relative luminance and contrast of every text with its background.
CONTRAST = """
const light = (text) => {
  const [r, g, b] = text.match(/[\\d.]+/g).map((one) => one / 255)
    .map((one) => (one <= 0.03928 ? one / 12.92 : ((one + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
};
const behind = (one) => {
  for (; one; one = one.parentElement) {
    const colour = getComputedStyle(one).backgroundColor;
    if (!/, 0\\)$/.test(colour)) return colour;
  }
  return "rgb(255, 255, 255)";
};
const poor = [];
for (const one of document.querySelectorAll("body *")) {
  const own = [...one.childNodes].some((node) => node.nodeType === 3 && node.data.trim());
  if (!own || !one.checkVisibility() || one.closest(".unseen, .skip, noscript, :disabled, option")) continue;
  const [a, b] = [light(getComputedStyle(one).color), light(behind(one))];
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  if (ratio < 4.5) poor.push(`${one.tagName} ${one.className} "${one.textContent.slice(0, 30)}": ${ratio.toFixed(2)}`);
}
return poor;
"""
UNNAMED = """
return [...document.querySelectorAll("button, a, input, textarea, canvas, summary")]
  .filter((one) => one.checkVisibility())
  .filter((one) => !(one.innerText || one.ariaLabel || one.labels?.length || one.title))
  .map((one) => one.outerHTML.slice(0, 80));
"""


class Bench:
    """A service with a page, and how its loads stand."""

    def __init__(self, folder: Path) -> None:
        self.shed = Shed(folder)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        secret = folder / "page-tokens"
        secret.write_text(f"view = look-only-token-0001\noperate = {OPERATE}\n")
        secret.chmod(0o600)
        text = self.shed.bench.read_text()
        page = f'[page]\nat = "127.0.0.1:{self.port}"\ntokens_file = "page-tokens"\n\n'
        self.shed.bench.write_text(text.replace("[[bay]]", f"{page}[[bay]]", 1))
        self.service = Service(self.shed, folder / "state")
        self.service.idle()
        self.url = f"http://127.0.0.1:{self.port}/"

    def drawn_a(self, bay: str) -> float:
        """Ask a simulated load itself what it draws."""
        return self.shed.drawn_a(bay)

    def close(self) -> None:
        if self.service.process.poll() is None:
            self.service.process.terminate()
            try:
                self.service.process.wait(2)
            except subprocess.TimeoutExpired:
                self.service.process.kill()
                self.service.process.wait(5)
        self.shed.close()
        wait_for(lambda: not _answers(self.port), 8)  # a front whose guardian was killed ends by itself


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    try:
        yield made
    finally:
        made.close()


def start(window: Browser, bay: str) -> None:
    """Start a bay's list as its operator does: look at the plan, tick what only a person can check."""
    window.run("location.hash = arguments[0]", f"#/bay/{bay}")
    window.wait("Start what waits", ".acts")
    window.click(".acts .go")
    window.wait("Only you can check", "#dialog")
    assert "discharge at" in window.text("#dialog")
    assert window.run("return document.querySelector('#dialog .go').disabled")
    reached = "return document.elementFromPoint(...arguments).id"
    box = window.run("return document.getElementById('stop').getBoundingClientRect().toJSON()")
    assert window.run(reached, box["x"] + 30, box["y"] + 30) == "stop", "nothing may lie between a hand and STOP"
    boxes = window.run("return document.querySelectorAll('#dialog input').length")
    assert boxes >= 6
    for number in range(1, boxes + 1):
        window.click(f"#dialog label:nth-of-type({number})")
    window.click("#dialog .go")


def looked_at(window: Browser, pictures: Path) -> None:
    """Look at every view by day and by night, on a desk and on a phone."""
    run = window.run(
        "return [...document.querySelectorAll('a')].map((a) => a.hash).find((one) => one.includes('run/'))"
    )
    for width, height, phone in ((1440, 900, False), (390, 844, True)):
        for scheme in ("light", "dark"):
            window.look(width, height, scheme, phone=phone)
            for name, place in (
                ("overview", "#/"),
                ("bay", "#/bay/left"),
                ("runs", "#/runs"),
                ("run", run or "#/runs"),
            ):
                window.run("location.hash = arguments[0]", place)
                window.wait({"overview": "Bay right", "bay": "Groups", "runs": "Past runs", "run": "u"}[name], "main")
                assert window.run(CONTRAST) == [], (name, scheme)
                assert window.run(UNNAMED) == []
                wide = window.run("return document.documentElement.scrollWidth - innerWidth")
                assert wide <= 0, f"{name} is {wide} px wider than {width} px"
                box = window.run("return document.getElementById('stop').getBoundingClientRect().toJSON()")
                assert 0 <= box["top"] < box["bottom"] <= height
                assert box["height"] >= 44  # WCAG 2.1, 2.5.5, target size
                picture = pictures / f"{name}-{width}-{scheme}.png"
                window.shoot(picture)
                assert picture.stat().st_size > 5000


def test_a_person_starts_watches_and_stops(bench: Bench, tmp_path: Path) -> None:
    """Faults 60 and 62: STOP is true, and a page whose worker stands still does not look alive."""
    for bay in ("left", "middle"):
        assert bench.service.say("add", f"{bay}=pack.toml", "draw.toml").returncode == 0
    with browser(tmp_path) as window:
        window.look(1440, 900)
        wait_for(lambda: _answers(bench.port), 15)
        window.go(bench.url)
        window.wait("Token", "#login")
        assert "Bay" not in window.text("main")
        window.click("#token")
        window.type(OPERATE + ENTER)
        window.wait("You operate this bench", "footer")
        window.complaints()  # that a stranger was refused stands there
        start(window, "left")
        window.wait("running", "main")
        start(window, "middle")
        window.wait("running", "main")
        looked_at(window, tmp_path)
        for _ in range(7):  # more pages than a browser opens connections; each must leave one for STOP
            window.new_tab()
            window.go(bench.url)
            window.wait("You operate this bench", "footer")
        window.look(1440, 900)

        window.run("location.hash = '#/bay/left'")
        wait_for(lambda: bench.drawn_a("left") > 5.0 and bench.drawn_a("middle") > 5.0, 40)
        window.wait("running, drawing", "main")
        shown = wait_for(lambda: re.search(r"A\n\u2212(\d+\.\d+)", window.text(".figures")), 5)
        assert isinstance(shown, re.Match)
        assert float(shown[1]) > 5.0
        assert window.run("return document.querySelector('.plan [aria-current]').innerText").startswith("discharge")
        assert window.run("return document.title").startswith("left, middle running")
        window.click(".stop-bay")
        window.wait("Off: read back and measured.", "#stop-answer")
        assert bench.drawn_a("left") < 0.1
        assert bench.drawn_a("middle") > 5.0
        window.wait("stopped", "main .stand")

        os.kill(worker_of(bench.service.process), signal.SIGSTOP)
        frozen_s = time.monotonic()
        window.run("document.querySelector('body > a').focus()")  # the first of all: to the content
        window.type(TAB)
        assert window.run("return document.activeElement.id") == "stop"
        window.type(ENTER)
        window.wait("STOP everything: sent", "#stop-answer")
        wait_for(lambda: window.run("return document.body.dataset.age") == "late", 8)
        assert time.monotonic() - frozen_s >= 2.0
        window.wait("Off: read back and measured.", "#stop-answer", 30)
        assert "took over" in window.text("#stop-answer")
        assert bench.drawn_a("middle") < 0.1
        wait_for(lambda: window.run("return document.body.dataset.age") == "lost", 15)
        assert time.monotonic() - frozen_s >= 9.0
        assert window.run("return document.getElementById('lost').checkVisibility()")
        assert "NO NEW DATA FOR" in window.text("#lost")
        assert window.run("return document.title").startswith("NO DATA")
        assert "a8201a" in window.run("return document.getElementById('icon').href")
        assert window.complaints() == []


def _answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1.0).close()
    except OSError:
        return False
    return True
