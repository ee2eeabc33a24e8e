"""Every file that the worker read goes away, then the worker: what switches off and tells people needs none of them."""

import os
import shutil
import signal
import subprocess
from pathlib import Path

import pytest

from tests.listener import listening
from tests.shed import BENCHWARDEN, ENVIRONMENT, SOON, Shed, on_and_sampled, wait_for, worker_of

pytestmark = pytest.mark.realtime


def test_the_guardian_needs_no_file_of_the_worker(tmp_path: Path) -> None:
    """Fault 35: off was fixed at arming, and whom to tell when the worker had read it."""
    program, shelf, gone = tmp_path / "program", tmp_path / "shed", tmp_path / "gone"
    for folder in (shelf, gone):
        folder.mkdir()
    # A copy of the program, for its command maps go away, too.
    shutil.copytree(Path(__file__).parents[1] / "src", program, ignore=shutil.ignore_patterns("__pycache__", "*.egg*"))
    with listening() as listener:
        shed = Shed(shelf, recovery=SOON)
        addresses = shelf / "alarm-addresses"
        addresses.touch(0o600)
        addresses.write_text(f"{listener.address}\n")
        head, mark, rest = shed.bench.read_text().partition("\n[[bay]]")
        shed.bench.write_text(f'{head}\n[alarms]\nurls_file = "alarm-addresses"\n{mark}{rest}')
        supply = next(line for line in shed.bench.read_text().splitlines() if line.startswith("supply"))
        running = subprocess.Popen(
            [*BENCHWARDEN, "run", "draw.toml", "left=pack.toml", "--bench", "bench.toml"],
            env=ENVIRONMENT | {"PYTHONPATH": str(program)},
            cwd=shelf,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            wait_for(lambda: on_and_sampled(shed), 60)
            worker = worker_of(running)
            os.kill(worker, signal.SIGSTOP)  # so that it is not the worker itself that misses its files
            for number, path in enumerate([*shelf.iterdir(), program / "benchwarden" / "drivers" / "maps"]):
                path.rename(gone / f"{number}-{path.name}")
            assert list(shelf.iterdir()) == []
            os.kill(worker, signal.SIGKILL)
            wait_for(lambda: not shed.is_on() and shed.drawn_a() < 0.05, 20)
            assert shed.ask(supply.split('at = "')[1].split('"')[0], "OUTP?") == "0"
            wait_for(lambda: listener.posted, 60)
        finally:
            running.kill()
            _, said = running.communicate()
            shed.close()
    [text] = listener.texts()
    assert "bay left, pack Sanderling: guardian took over: " in text
    assert "Off is confirmed: read back and measured." in text
    for name in ("left load", "left supply"):
        [line] = [line for line in said.splitlines() if line.startswith(f"guardian: {name} at ")]
        assert "off, read back; " in line
    assert "cannot be read" not in said
