"""The worker's own off is wrong: the layer behind it switches off by bytes that were fixed at arming."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from benchwarden.daemon.guardian import TOOK_OVER
from tests.shed import ENVIRONMENT, Shed, on_and_sampled, wait_for

pytestmark = pytest.mark.realtime


def test_a_worker_that_cannot_switch_off_is_taken_over(tmp_path: Path) -> None:
    """Fault 35: whoever is there for the case that the worker is wrong must not be wrong with it."""
    shed = Shed(tmp_path)
    orders = {"bench": "bench.toml", "profile": "draw.toml", "packs": {"left": "pack.toml"}}
    root = str(Path(__file__).parents[1])
    running = subprocess.Popen(
        [sys.executable, "-m", "tests.wrong_off", json.dumps(orders)],
        cwd=tmp_path,
        env=ENVIRONMENT | {"PYTHONPATH": f"{ENVIRONMENT['PYTHONPATH']}:{root}"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        wait_for(lambda: on_and_sampled(shed), 60)
        running.send_signal(signal.SIGTERM)
        wait_for(lambda: not shed.is_on() and shed.drawn_a() < 0.05, 20)
        out, said = running.communicate(timeout=60)
    finally:
        running.kill()
        running.communicate()
        shed.close()
    assert running.returncode == TOOK_OVER, out + said
    assert "taking over bays left" in said
    assert "off, read back" in said
