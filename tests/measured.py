"""What the long tests measured: kept as JSON, and written into README's table by `make figures`."""

import json
from pathlib import Path

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "build" / "figures"
BEGIN, END = "<!-- figures: begin -->", "<!-- figures: end -->"


def keep(name: str, **values: object) -> None:
    """Keep what was measured under a name, and print it."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    (FOLDER / f"{name}.json").write_text(json.dumps(values, indent=1) + "\n")
    print(f"{name}: {json.dumps(values)}")


def share(values: list[float], at: float) -> float:
    """Return the smallest value that is not exceeded by this share (0…1) of the values: p50 is at 0.5."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(at * len(ordered)))]
