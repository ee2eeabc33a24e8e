"""docs/results.md has a row, with formula and source, for every figure that a run can have."""

import re
from pathlib import Path

import pytest

from benchwarden.results import counters, discharge, efficiency, flight, further, groups, ladder, resistance

PAGE = (Path(__file__).parents[1] / "docs" / "results.md").read_text(encoding="utf-8")
NAMES = (
    *discharge.NAMES,
    *groups.NAMES,
    *counters.WORST_NAMES,
    *ladder.NAMES,
    *efficiency.NAMES,
    *efficiency.RETENTION_NAMES,
    *resistance.names(6),
    *resistance.PULSE_NAMES,
    *resistance.EXPECTED_NAMES,
    *flight.NAMES,
    *further.INSPECTED_NAMES,
    *further.STORED_NAMES,
    *("cycle_2_ah", "cycle_2_wh", "cycles_done", "cycle_retention", "best_cycle_over_rated", "passed_in_cycle"),
    *("iec_resistance_ohm", "iec_resistance_group_2_ohm", "pulse_drawn_50_2c_10s_ohm", "pulse_drawn_50_power_w"),
    *("inspected_group_3_v", "pulse_group_2_ohm", "pack_burst_heat_w", "leads_burst_heat_w", "group_4_burst_heat_w"),
)


def rows() -> list[tuple[list[re.Pattern[str]], str]]:
    """Return, for each row of the table of figures, what its names look like, and its formula and source."""
    found: list[tuple[list[re.Pattern[str]], str]] = []
    for line in PAGE.partition("## Figures")[2].partition("\n## ")[0].splitlines():
        cells = [cell.strip() for cell in line.strip("| ").split(" | ")]
        if len(cells) == 3 and not cells[0].startswith("-"):
            looks: list[re.Pattern[str]] = []
            for name in re.findall(r"`([^`]+)`", cells[0]):
                pattern = re.escape(name).replace("…", ".*").replace("N", r"\d+")
                looks.append(re.compile(f".*{pattern}" if name.startswith("_") else pattern))
            found.append((looks, f"{cells[1]} | {cells[2]}"))
    return found


@pytest.mark.parametrize("name", dict.fromkeys(NAMES))
def test_every_figure_is_explained(name: str) -> None:
    told = [words for looks, words in rows() if any(look.fullmatch(name) for look in looks)]
    assert told, f"docs/results.md: found no row for {name}"
    assert all(len(words) > 8 for words in told)
