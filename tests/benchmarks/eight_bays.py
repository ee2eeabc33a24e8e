"""`python eight_bays.py BENCH`: serves a simulated bench of eight bays, and writes its bench file."""

import sys
from dataclasses import replace
from pathlib import Path

from benchwarden.simulators.scenario import demo_bench
from benchwarden.simulators.start import simulate

BAYS = [f"bay-{number}" for number in range(1, 9)]


def main(bench: Path) -> None:
    """Serve until interrupted."""
    bay = demo_bench()[1]
    scenario = [replace(bay, name=name, seed=bay.seed + number) for number, name in enumerate(BAYS)]
    simulate(bench, scenario=scenario, say=lambda text: None)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
