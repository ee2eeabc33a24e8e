"""A run folder of ten hours at ten samples a second, with six groups and three sensors, written as text."""

import math
import random
from pathlib import Path

from benchwarden.results.columns import header
from tests.synthetic_run import discharge_run

HOURS, RATE_HZ = 10, 10
ROWS = HOURS * 3600 * RATE_HZ
PLACES = ["middle", "joint", "ambient"]


def write_long_run(folder: Path) -> Path:
    """Write the run: an hour of rest, and a draw that goes up and down, with peaks of one sample."""
    writer = discharge_run(every_s=60.0)
    writer.finish(folder, writer.info(places=PLACES))
    chance = random.Random(1)
    with (folder / "samples-001.csv").open("w", encoding="utf-8") as file:
        file.write(header(6, PLACES))
        for number in range(ROWS):
            time_s = number / RATE_HZ + chance.random() * 1e-3
            step, kind, output = (1, "rest", "off") if number < ROWS // HOURS else (2, "discharge", "load")
            amperes = 0.0 if step == 1 else 0.4 + 0.1 * math.sin(time_s / 900.0)
            if step == 2 and number % 7919 == 0:
                amperes += 1.0
            groups = [4.2 - 1.0 * number / ROWS - 0.01 * amperes + chance.gauss(0.0, 2e-4) for _ in range(6)]
            volts, ampere_hours = sum(groups), 0.45 * time_s / 3600.0
            row = [f"{time_s:.6f}", f"{volts:.4f}", f"{-amperes:.4f}", f"{1795640651.0 + time_s:.3f}", step, number + 1]
            row += [kind, f"{time_s:.3f}", f"{-volts * amperes:.4f}", 0.0, f"{ampere_hours:.6f}", 0.0]
            row += [f"{ampere_hours * 22.0:.5f}", "", output, 0.05, 0.4, f"{25 + chance.random():.2f}"]
            row += [f"{26 + chance.random():.2f}", "23.00", *(f"{value:.4f}" for value in groups)]
            file.write(",".join(map(str, row)) + "\n")
    return folder
