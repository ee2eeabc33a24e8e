"""A headless Chromium, driven by WebDriver (W3C Recommendation) over plain HTTP."""

import base64
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx

DRIVER, CHROMIUM = shutil.which("chromedriver"), shutil.which("chromium")
THERE = bool(DRIVER and CHROMIUM)
ABSENT = "NO BROWSER TESTED: chromium and chromedriver are not installed (Debian: apt install chromium chromium-driver)"
FLAGS = (
    "--headless=new --no-sandbox --disable-gpu --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --disable-dev-shm-usage --hide-scrollbars"
)
ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # WebDriver, section 12.1, web element identifier
TAB, ENTER = "\ue004", "\ue007"  # WebDriver, section 17.4.2, keyboard actions


class Browser:
    """One window."""

    def __init__(self, client: httpx.Client, session: str) -> None:
        self._client, self._session = client, session

    def _call(self, method: str, path: str, data: dict[str, Any] | None = None) -> Any:
        answer = self._client.request(method, f"/session/{self._session}{path}", json=data)
        value = answer.json()["value"]
        assert answer.status_code == 200, value
        return value

    def devtools(self, command: str, **parameters: Any) -> Any:
        return self._call("POST", "/goog/cdp/execute", {"cmd": command, "params": parameters})

    def look(self, width: int, height: int, scheme: str = "light", *, phone: bool = False) -> None:
        """Set size and colour scheme."""
        self.devtools(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=phone
        )
        feature = {"name": "prefers-color-scheme", "value": scheme}
        self.devtools("Emulation.setEmulatedMedia", features=[feature])

    def go(self, url: str) -> None:
        self._call("POST", "/url", {"url": url})

    def new_tab(self) -> None:
        """Open one more tab and look at that from now on; those before are hidden."""
        made = self._call("POST", "/window/new", {"type": "tab"})
        self._call("POST", "/window", {"handle": made["handle"]})

    def run(self, script: str, *arguments: Any) -> Any:
        """Return what a function's body returns in the page."""
        return self._call("POST", "/execute/sync", {"script": script, "args": list(arguments)})

    def text(self, selector: str = "body") -> str:
        return str(self.run("return document.querySelector(arguments[0])?.innerText ?? ''", selector))

    def click(self, selector: str) -> None:
        end = time.monotonic() + 10.0
        while True:  # what has just been put onto the page may not have its place yet
            try:
                found = self._call("POST", "/element", {"using": "css selector", "value": selector})
                self._call("POST", f"/element/{found[ELEMENT]}/click", {})
            except AssertionError as error:
                if "not interactable" not in str(error) or time.monotonic() > end:
                    raise
                time.sleep(0.05)
            else:
                return

    def type(self, keys: str) -> None:
        """Press keys one after the other, wherever the focus is."""
        actions = [{"type": way, "value": key} for key in keys for way in ("keyDown", "keyUp")]
        self._call("POST", "/actions", {"actions": [{"type": "key", "id": "keys", "actions": actions}]})

    def complaints(self) -> list[str]:
        """Return what stands in the console since the last time: errors, refusals by the page's own policy."""
        return [str(one["message"]) for one in self._call("POST", "/se/log", {"type": "browser"})]

    def shoot(self, path: Path, *, whole: bool = False) -> None:
        """Keep a picture of what is seen, or of all there is to scroll through."""
        data = self.devtools("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(data["data"]))

    def wait(self, words: str, selector: str = "body", seconds: float = 15.0) -> str:
        """Return the text of an element once it holds these words."""
        end = time.monotonic() + seconds
        while words not in (found := self.text(selector)):
            assert time.monotonic() < end, f"{words!r} did not come within {seconds} s, only {found!r}"
            time.sleep(0.05)
        return found


@contextmanager
def browser(folder: Path) -> Iterator[Browser]:
    """Start a browser with an empty profile in `folder`."""
    assert DRIVER
    assert CHROMIUM
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    driver = subprocess.Popen(
        [DRIVER, f"--port={port}"],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # a browser that hangs is ended with its driver's session
    )
    options = {"binary": CHROMIUM, "args": [*FLAGS.split(), f"--user-data-dir={folder / 'profile'}"]}
    wanted = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=40.0, trust_env=False) as client:
            end = time.monotonic() + 20
            while True:
                try:
                    client.get("/status")
                    break
                except httpx.TransportError:
                    assert time.monotonic() < end, "chromedriver did not begin to answer within 20 s"
                    time.sleep(0.05)
            made = client.post("/session", json={"capabilities": {"alwaysMatch": wanted}}).json()["value"]
            assert "sessionId" in made, made
            try:
                yield Browser(client, made["sessionId"])
            finally:
                with suppress(httpx.TransportError):
                    client.delete(f"/session/{made['sessionId']}", timeout=5.0)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(driver.pid, signal.SIGKILL)
        driver.wait(10)
