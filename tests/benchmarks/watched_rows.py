"""README's rows of what watching costs, from what tests/benchmarks/test_watched.py has measured."""

from typing import Any

NAMES = ("subscriber", "long_run", "watched", "frozen_broker")


def rows(found: dict[str, dict[str, Any]]) -> list[tuple[str, str, str]]:
    """Return what was measured, how much it is now, and what is to be reached."""
    subscriber, long_run, watched, frozen = (found[name] for name in NAMES)
    return [
        (
            f"sample taken → in an MQTT subscriber's hands, {subscriber['samples']} samples at 10 Hz, "
            f"load average {subscriber['load']:g}",
            f"{1e3 * subscriber['p50_s']:.0f} ms median, {1e3 * subscriber['p99_s']:.0f} ms p99",
            "p99 ≤ 50 ms",
        ),
        (
            f"page of a run of {long_run['hours']} h at {long_run['hz']} Hz opened → chart drawn, "
            f"load average {long_run['load']:g}",
            f"{long_run['first_s']:g} s at first, {long_run['later_s']:g} s once it was read; "
            f"{long_run['transferred_mb']:.2f} MB",
            "≤ 1.5 s, ≤ 1.5 MB",
        ),
        (
            f"lateness of samples, {watched['bays']} bays at 10 Hz, {watched['pages']} pages, MQTT on, "
            f"load average {watched['load']:g}",
            f"{watched['p99_share']:.1%} of the period p99, {watched['frozen_p99_share']:.1%} with the broker frozen; "
            f"a timer that does nothing else: {watched['bare_p99_share']:.1%}",
            "p99 ≤ 5 %",
        ),
        (
            f"of {watched['frozen_samples']} samples of these bays while the broker stood still for "
            f"{watched['frozen_s']:g} s, late by a whole period",
            f"{watched['frozen_late']}; of timers that do nothing else: {watched['bare_late']}",
            "0",
        ),
        (
            f"broker frozen while the live feed tells as many samples as 10 min bring ({frozen['samples']} in "
            f"{frozen['real_s']:g} s; no run beside)",
            f"{frozen['late']} late by 0.1 s, front {frozen['growth_mb']:+.1f} MB",
            "0, bounded",
        ),
    ]
