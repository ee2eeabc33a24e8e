"""README's rows of how fast runs become figures, lists and comparisons, from what tests/benchmarks measured."""

from typing import Any

NAMES = ("figures", "runs", "comparison")
NOT_MEASURED = "not measured"


def rows(found: dict[str, dict[str, Any]]) -> list[tuple[str, str, str]]:
    """Return what was measured, how much it is now ("not measured": nothing is kept), and what is to be reached."""
    figures, runs, comparison = (found.get(name) for name in NAMES)
    return [
        (
            "figures of a run of 10 h at 10 Hz" + ("" if figures is None else f", {figures['rows']:,} rows"),
            NOT_MEASURED
            if figures is None
            else f"{figures['processor_s']:.2f} s of processor, {figures['megabytes']:.0f} MB",
            "≤ 2 s, ≤ 300 MB",
        ),
        (
            f"{5000 if runs is None else runs['runs']:,} runs listed, the start of the command with it",
            NOT_MEASURED if runs is None else f"{runs['command_s']:.2f} s",
            "≤ 0.5 s",
        ),
        (
            f"{20 if comparison is None else comparison['runs']} runs compared, with every chart"
            + ("" if comparison is None else f", {comparison['rows']:,} rows"),
            NOT_MEASURED if comparison is None else f"{comparison['wall_s']:.1f} s",
            "≤ 10 s",
        ),
    ]
