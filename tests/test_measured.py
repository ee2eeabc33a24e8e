"""README's table of measured figures: written between two marks, and nothing else is touched."""

from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks import measured

FOUND: dict[str, dict[str, Any]] = {
    "kills": {"kills": 200, "on": 120, "p50_s": 0.004, "p99_s": 0.0312, "rows": 300, "lost": 0, "load": 1.5},
    "freezes": {"on": 25, "deadline_s": 2.5, "latest_s": -0.2},
    "reaction": {"rounds": 40, "p50_s": 0.0012, "p99_s": 0.0031},
    "soak": {
        "hours": 72.0,
        "runs": 90,
        "faults": 400,
        "growth_mb": 0.74,
        "descriptors": [40, 40],
        "threads": [6, 6],
    },
    "subscriber": {"samples": 301, "p50_s": 0.0051, "p99_s": 0.0337, "load": 7.3},
    "long_run": {"hours": 10, "hz": 10, "first_s": 1.2, "later_s": 0.6, "transferred_mb": 0.157, "load": 1.1},
    "watched": {"bays": 8, "pages": 20, "p99_share": 0.031, "frozen_p99_share": 0.042, "bare_p99_share": 0.02}
    | {"frozen_s": 20.0, "frozen_samples": 1592, "frozen_late": 0, "bare_late": 0, "load": 1.9},
    "frozen_broker": {"samples": 6000, "real_s": 30.0, "late": 0, "growth_mb": 0.1},
}


def test_the_table_stands_between_its_marks() -> None:
    text = f"# x\n\n{measured.BEGIN}\nold\n{measured.END}\n\nafter\n"
    new = measured.put_into(text, measured.table(FOUND, "On a machine."))
    assert new.startswith("# x\n\n")
    assert new.endswith(f"On a machine.\n{measured.END}\n\nafter\n")
    assert "old" not in new
    assert "| 4 ms median, 31 ms p99 | p99 ≤ 100 ms |" in new
    assert "| 200 ms before the deadline of 2.5 s, the latest | ≤ 100 ms after it |" in new
    assert "| +0.7 MB; descriptors 40 → 40, threads 6 → 6 | < 5 MB, flat |" in new
    assert "| 0; of timers that do nothing else: 0 | 0 |" in new
    assert measured.put_into(new, measured.table(FOUND, "On a machine.")) == new
    with pytest.raises(ValueError, match=r"README\.md"):
        measured.put_into("# x\n", "table")


def test_readme_has_the_marks() -> None:
    measured.put_into((Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8"), "table")


def test_shares_of_a_hundred() -> None:
    values = [float(n) for n in range(1, 101)]
    assert measured.share(values, 0.5) == 51.0
    assert measured.share(values, 0.99) == 100.0
    assert measured.share([3.0], 0.99) == 3.0
