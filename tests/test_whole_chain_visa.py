"""The whole chain with the load on PyVISA instead of our own socket: the same test, the same figures."""

from pathlib import Path

from benchwarden.simulators.scenario import demo_bench
from tests.virtual_bench import Done, on_virtual_time, run_test

PACK = (Path(__file__).parents[1] / "daemon" / "commands" / "demo_heron.toml").read_text()
PROFILE = """
title = "A short draw"
[[step]]
do = "rest"
at_least = "5 s"
[[step]]
do = "discharge"
power = "5C"
at_most = "60 s"
stop_at = { group_voltage = "discharge cut-off" }
[[step]]
do = "rest"
at_least = "5 s"
"""


def by(folder: Path, via: str) -> Done:
    return on_virtual_time(
        run_test(
            folder,
            demo_bench()[0],
            PACK,
            PROFILE,
            sockets=True,
            soc=0.9,
            change_bench=lambda text: text.replace('map = "load-function"', f'map = "load-function"{via}', 1),
        )
    )


def test_a_load_on_pyvisa_gives_the_same_samples_as_on_our_own_socket(tmp_path: Path) -> None:
    """pyvisa-py, the backend that is installed with this program, over a real socket in a thread of its own."""
    own, visa = by(tmp_path / "own", ""), by(tmp_path / "visa", ', via = "visa"')
    assert visa.run.info.instruments["load"]["via"] == "visa"
    assert (visa.ending.how, visa.off_confirmed) == (own.ending.how, own.off_confirmed) == ("finished", True)
    drawn = [[(s.voltage_v, s.current_a, s.step_time_s) for s in done.run.samples] for done in (own, visa)]
    assert drawn[0] == drawn[1]
    assert len(drawn[0]) > 60
    assert visa.guardian.armed  # the guardian reaches the same address without VISA
