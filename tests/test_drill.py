"""The fire drill: passed only if the guardian itself confirmed off, in time; a table of how long each layer took."""

import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchwarden.daemon.bench import read_bench
from benchwarden.daemon.commands.drill import ALLOWED_S, report
from benchwarden.daemon.serving.drill_worker import SMALLEST_A, current_a, prepare
from benchwarden.profiles.mistakes import FileMistakes
from tests.shed import BENCHWARDEN, ENVIRONMENT, Shed
from tests.test_bench import BENCH

FROZEN = {"s": 100.0, "drawn_a": 0.5, "run": "x"}
OFF = "off, read back; 0.00 A measured"
TIMES = [
    (105.0, "noticed", "no sign of life"),
    (105.1, "sent", "left load"),
    (105.2, "read back", "left load"),
    (105.3, "measured", "left load"),
    (106.4, "measured", "left load"),  # asserted again
]


def test_a_drill_that_went_well_says_how_long_each_layer_took() -> None:
    lines, passed = report("left", FROZEN, TIMES, {"left load": OFF}, took_over=True)
    assert passed
    assert [line.split()[0] for line in lines[2:7]] == ["0.000", "5.000", "5.100", "5.200", "5.300"]
    assert lines[-1] == "DRILL PASSED: off, read back and measured 5.3 s after the freeze"


@pytest.mark.parametrize(
    ("frozen", "times", "outcomes", "took_over", "why"),
    [
        (None, [], {}, False, "never came to a current"),
        (FROZEN, TIMES, {"left load": "NOT CONFIRMED (no answer): unplug it"}, True, "could not confirm off"),
        (FROZEN, TIMES, {"left load": OFF, "left supply": "NOT CONFIRMED (…)"}, True, "could not confirm off"),
        (FROZEN, TIMES, {}, True, "could not confirm off"),
        (FROZEN, [], {"left load": OFF}, False, "could not confirm off"),
        (FROZEN, [(100.0 + ALLOWED_S + 1, "measured", "left load")], {"left load": OFF}, True, "only after 9.0 s"),
    ],
)
def test_everything_else_failed(
    frozen: dict[str, object] | None,
    times: list[tuple[float, str, str]],
    outcomes: dict[str, str],
    took_over: bool,
    why: str,
) -> None:
    lines, passed = report("left", frozen, times, outcomes, took_over=took_over)
    assert not passed
    assert lines[-1].startswith("DRILL FAILED")
    assert why in lines[-1]


def test_the_current_is_small_and_stands_out_from_off() -> None:
    bench = read_bench(BENCH, "bench.toml")
    [left] = bench.bay
    assert current_a(left) == pytest.approx(SMALLEST_A)  # 4 × 0.12 A is less
    coarse = read_bench(BENCH.replace("0.05 % of 120 A", "0.5 % of 120 A"), "bench.toml").bay[0]
    assert current_a(coarse) == pytest.approx(4 * 1.2)


def test_a_bay_that_is_not_there_or_cannot_tell_its_pack_is_refused(tmp_path: Path) -> None:
    bench = read_bench(BENCH, "bench.toml")
    with pytest.raises(FileMistakes, match="there is no bay 'right'; known: left"):
        prepare(bench, tmp_path / "bench.toml", "right", None)
    blind = read_bench("\n".join(line for line in BENCH.splitlines() if not line.startswith("cells")), "bench.toml")
    with pytest.raises(FileMistakes, match="drill left=PACK-FILE"):
        prepare(blind, tmp_path / "bench.toml", "left", None)
    real = read_bench(BENCH.replace("simulated = true\n", ""), "bench.toml")
    assert prepare(real, tmp_path / "bench.toml", "left", None).profile_name == "drill"  # what a real bench begins with


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    made = Shed(tmp_path)
    yield made
    made.close()


def drill(shed: Shed, *arguments: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [*BENCHWARDEN, "drill", *arguments],
        env=ENVIRONMENT,
        cwd=shed.folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


@pytest.mark.realtime
def test_a_load_that_ignores_off_fails_the_drill(shed: Shed) -> None:
    """Fault 70 in a drill: the guardian's question goes to something else than what carries the current."""
    entries = tomllib.loads(shed.bench.read_text())["bay"]
    shed.bench.write_text(shed.bench.read_text().replace(entries[0]["load"]["at"], "TCPIP::127.0.0.1::9::SOCKET"))
    done = drill(shed, "left=pack.toml")
    assert done.returncode == 1
    assert "DRILL FAILED in bay left: it never came to a current" in done.stdout
    assert drill(shed, "nowhere").returncode == 2
