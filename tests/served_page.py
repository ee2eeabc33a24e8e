"""A service with a page on a simulated bench, each in processes of their own: what a browser test looks at."""

import socket
import subprocess
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.broker import free_port
from tests.shed import Shed, wait_for
from tests.test_serve_processes import Service

VIEW, OPERATE = "look-only-token-0001", "operators-token-0001"
# Checks of the instruments and the test pulse come before a first step.


def answers(port: int) -> bool:
    """Tell whether somebody takes connections at a port of this machine."""
    try:
        socket.create_connection(("127.0.0.1", port), 1.0).close()
    except OSError:
        return False
    return True


class ServedPage:
    """A bench that is being served; `more` is text for its bench file, before the first bay."""

    def __init__(self, folder: Path, more: str = "", shed: Shed | None = None) -> None:
        self.folder, self.shed, self.port = folder, shed or Shed(folder), free_port()
        secret = folder / "page-tokens"
        secret.write_text(f"view = {VIEW}\noperate = {OPERATE}\n")
        secret.chmod(0o600)
        text = self.shed.bench.read_text()
        page = f'{more}\n[page]\nat = "127.0.0.1:{self.port}"\ntokens_file = "page-tokens"\n\n'
        self.shed.bench.write_text(text.replace("[[bay]]", f"{page}[[bay]]", 1))
        self.service = Service(self.shed, folder / "state")
        self.service.idle()
        wait_for(self.answers, 15)
        self.url = f"http://127.0.0.1:{self.port}/"

    def drawn_a(self, bay: str) -> float:
        """Ask a simulated load itself what it draws."""
        return self.shed.drawn_a(bay)

    def answers(self) -> bool:
        """Tell whether the page's server takes connections."""
        return answers(self.port)

    def front(self) -> int:
        """Return the process id of the front among the guardian's children, 0 if there is none now."""
        guardian = self.service.process.pid
        for child in Path(f"/proc/{guardian}/task/{guardian}/children").read_text().split():
            if b"benchwarden.daemon.front" in Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0"):
                return int(child)
        return 0

    def close(self) -> None:
        """End all of it."""
        if self.service.process.poll() is None:
            self.service.process.terminate()
            try:
                self.service.process.wait(8)
            except subprocess.TimeoutExpired:  # a guardian that took over asserts off for two minutes
                self.service.process.kill()
                self.service.process.wait(5)
        self.shed.close()
        wait_for(lambda: not self.answers(), 8)  # a front whose guardian was killed ends by itself


def log_in(page: Page, served: ServedPage, token: str = OPERATE) -> None:
    """Open the page as somebody who has a token."""
    page.goto(served.url)
    expect(page.locator("#login")).to_contain_text("Token")
    expect(page.locator("main")).not_to_contain_text("Bay")
    page.locator("#token").fill(token)
    page.keyboard.press("Enter")
    expect(page.locator("footer")).to_contain_text("You operate" if token == OPERATE else "You may look")


def start(page: Page, bay: str, planned: str = "discharge at") -> None:
    """Start a bay's list as its operator does: look at the plan (words of it), tick what only a person can check."""
    page.evaluate("bay => { location.hash = `#/bay/${bay}`; }", bay)
    page.get_by_role("button", name="Start what waits").click()
    dialog = page.locator("#dialog")
    expect(dialog).to_contain_text("Only you can check")
    expect(dialog).to_contain_text(planned)
    go = dialog.locator(".go")
    expect(go).to_be_disabled()
    boxes = dialog.get_by_role("checkbox")
    assert boxes.count() >= 6
    for number in range(boxes.count()):
        boxes.nth(number).check()
    go.click()
    expect(page.locator("main .stand")).to_contain_text("running")
