"""The table of the seventy faults is whole: nothing empty, every test it names there, every numbered test in it."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from tests.fault_catalogue import CATALOGUE

TESTS = Path(__file__).parent


@cache
def functions_of(file: str) -> dict[str, str]:
    """Return the test functions of a file and what their docstrings say; empty where there is no such file."""
    path = TESTS / f"{file}.py"
    if not path.exists():
        return {}
    found = [node for node in ast.parse(path.read_text("utf-8")).body if isinstance(node, _FUNCTIONS)]
    return {node.name: ast.get_docstring(node) or "" for node in found if node.name.startswith("test_")}


_FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)


def numbers(text: str) -> set[int]:
    """Return the fault numbers that a docstring names: "Fault 67", "Faults 20 and 21", "Faults 33 to 35 and 40"."""
    found: set[int] = set()
    for words in re.findall(r"\b[Ff]aults? ((?:\d+(?:, | and | to )?)+)", text.replace("\n", " ")):
        for first, last in re.findall(r"\b(\d+)(?: to (\d+))?", words):
            found.update(range(int(first), int(last or first) + 1))
    return found


def test_every_number_has_its_row() -> None:
    assert list(CATALOGUE) == list(range(1, 71))
    titles = [fault.title for fault in CATALOGUE.values()]
    assert len({title.lower() for title in titles}) == 70
    assert all(len(title) > 10 for title in titles)


@pytest.mark.parametrize("number", CATALOGUE)
def test_a_row_names_tests_that_exist_or_says_why_there_are_none(number: int) -> None:
    fault = CATALOGUE[number]
    assert fault.tests or len(fault.rest) > 15
    assert len(set(fault.tests)) == len(fault.tests)
    for name in fault.tests:
        file, _, test = name.partition("::")
        assert test in functions_of(file), f"fault {number}: there is no tests/{file}.py::{test}"


@pytest.mark.parametrize("number", CATALOGUE)
def test_what_exists_of_the_program_is_tested(number: int) -> None:
    """Only what is avoided, or needs what no test here has, may go without a test."""
    fault = CATALOGUE[number]
    assert "not built yet" not in fault.rest
    if not fault.tests:
        assert fault.rest.startswith("avoided: ")


def test_every_test_that_names_a_fault_is_in_its_row() -> None:
    missing = [
        f"fault {number}: {path.stem}::{test}"
        for path in sorted(TESTS.glob("test_*.py"))
        for test, words in functions_of(path.stem).items()
        for number in sorted(numbers(words))
        if f"{path.stem}::{test}" not in CATALOGUE[number].tests
    ]
    assert missing == []


def test_numbers_in_docstrings_are_understood() -> None:
    assert numbers("Fault 67; 85.0 and -127 are answers") == {67}
    assert numbers("Faults 64, 66, 67.") == {64, 66, 67}
    assert numbers("Faults 33 to 35 and 40, and 7 K") == {33, 34, 35, 40}
    assert numbers("nothing of the kind, 12") == set()
