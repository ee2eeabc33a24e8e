"""What this program never calls, since it is known to hang, to broadcast or to wait behind others: by its text."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ACTING = (
    "hands",
    "eyes",
    "conductor",
    "checks",
    "bay",
    "supervisor",
    "instruments",
    "guardian_link",
    "writer",
    "record",
)


def called(path: Path) -> Iterator[str]:
    """Give the last name of everything that is called in a file."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call):
            function = node.func
            yield function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")


def who_calls(*names: str, files: list[Path]) -> set[tuple[str, str]]:
    assert files
    return {(path.name, name) for path in files for name in called(path) if name in names}


def named(*names: str) -> list[Path]:
    """Return the daemon's files of these names, wherever they stand."""
    found = [path for path in DAEMON if path.stem in names]
    assert sorted(path.stem for path in found) == sorted(names)
    return found


DRIVERS = [*ROOT.glob("drivers/*.py")]
DAEMON = [*ROOT.glob("daemon/**/*.py")]


def test_nobody_looks_for_instruments_by_himself() -> None:
    """Fault 18: a search broadcasts, takes seconds and opens what others use."""
    assert who_calls("list_resources", "list_resources_info", files=DRIVERS + DAEMON) == set()


def test_a_line_is_never_cleared_or_flushed_but_closed() -> None:
    """Fault 6: device clear on a raw socket whose peer has gone never comes back."""
    lines = [ROOT / "drivers" / f"{name}.py" for name in ("tcp", "serial_port", "visa", "descriptor", "instrument")]
    assert who_calls("flush", "reset_input_buffer", "reset_output_buffer", files=lines) == set()
    assert who_calls("clear", files=[ROOT / "drivers/visa.py"]) == set()


def test_instruments_and_safety_never_wait_for_the_shared_pool_of_threads() -> None:
    """Fault 30: some stuck calls fill it, and what waits behind them is not off."""
    acting = named(*ACTING, "guardian", "raw_wire", "off")
    [bay] = named("bay")
    acting.remove(bay)
    assert who_calls("to_thread", "run_in_executor", files=DRIVERS + acting) == set()
    # The one place in a run: closing the record, after off.
    assert who_calls("to_thread", "run_in_executor", files=[bay]) == {("bay.py", "to_thread")}


@pytest.mark.parametrize("name", ["print", "input"])
def test_what_acts_neither_prints_nor_asks(name: str) -> None:
    """Fault 36: a terminal that is held, closed or gone."""
    assert who_calls(name, files=named(*ACTING)) == set()
