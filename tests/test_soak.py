"""The service for days on virtual time, with faults at random: every invariant holds, and the process does not grow."""

from tests.benchmarks import measured
from tests.extent import extents, over_all_cores
from tests.soak import soak

HOURS, ALL_HOURS = 2.0, 72.0
GROWTH_MB = 5.0
# What comes and goes with a run: files, reserve and folder, both ends of the instruments' connections, its thread.
DESCRIPTORS, THREADS = 30, 3


@extents
def test_days_of_service_leave_nothing_behind(whole: bool) -> None:
    hours = ALL_HOURS if whole else HOURS
    [soaked] = over_all_cores(soak, [hours])  # in a process of its own, which nothing else has filled before
    assert soaked.runs >= 0.5 * hours
    assert sum(soaked.faults.values()) >= 2.0 * hours
    assert soaked.growth_mb < GROWTH_MB, soaked
    assert soaked.after[1] <= soaked.before[1] + DESCRIPTORS, soaked
    assert soaked.after[2] <= soaked.before[2] + THREADS, soaked
    if whole:
        assert set(soaked.endings) >= {"finished", "tripped"}
        measured.keep(
            "soak",
            hours=hours,
            runs=soaked.runs,
            faults=sum(soaked.faults.values()),
            endings=dict(soaked.endings),
            growth_mb=round(soaked.growth_mb, 2),
            descriptors=[soaked.before[1], soaked.after[1]],
            threads=[soaked.before[2], soaked.after[2]],
        )
