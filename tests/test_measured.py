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


SPEED: dict[str, dict[str, Any]] = {
    "figures": {"rows": 360_000, "processor_s": 1.234, "megabytes": 181.4},
    "runs": {"runs": 5000, "command_s": 0.312, "processor_s": 0.1, "ratio": 0.3},
    "comparison": {"runs": 20, "rows": 120_000, "wall_s": 6.04, "processor_s": 5.9, "ratio": 15.0},
}


def test_the_three_figures_of_speed_stand_in_the_table_and_a_missing_one_says_so() -> None:
    whole, without = (measured.table(found, "On a machine.") for found in (FOUND | SPEED, FOUND))
    for row in (
        "| figures of a run of 10 h at 10 Hz, 360,000 rows | 1.23 s of processor, 181 MB | ≤ 2 s, ≤ 300 MB |",
        "| 5,000 runs listed, the start of the command with it | 0.31 s | ≤ 0.5 s |",
        "| 20 runs compared, with every chart, 120,000 rows | 6.0 s | ≤ 10 s |",
    ):
        assert row in whole
    assert "| 5,000 runs listed, the start of the command with it | not measured | ≤ 0.5 s |" in without
    assert without.count("not measured") == 3


def test_the_table_is_written_from_what_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(measured, "ROOT", tmp_path)
    monkeypatch.setattr(measured, "FOLDER", tmp_path / "build" / "figures")
    text = f"{measured.BEGIN}\nold\n{measured.END}\n"
    (tmp_path / "README.md").write_text(text)
    assert measured.main() == 2
    assert "kills, freezes, reaction" in capsys.readouterr().err
    assert (tmp_path / "README.md").read_text() == text
    for name, values in (FOUND | {"runs": SPEED["runs"]}).items():
        measured.keep(name, **values)
    assert measured.main() == 0
    assert (
        capsys.readouterr().err == "build/figures: figures, comparison not measured; `make benchmark` measures them\n"
    )
    assert "| 0.31 s | ≤ 0.5 s |" in (tmp_path / "README.md").read_text()


def test_readme_has_the_marks() -> None:
    measured.put_into((Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8"), "table")


def test_shares_of_a_hundred() -> None:
    values = [float(n) for n in range(1, 101)]
    assert measured.share(values, 0.5) == 51.0
    assert measured.share(values, 0.99) == 100.0
    assert measured.share([3.0], 0.99) == 3.0
