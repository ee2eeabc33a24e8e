"""How much of a long test is done: a seeded part by default, everything with `make endure`.

A test is written once and takes `whole`; what it judges, case by case, is a function that another process can import.
"""

import functools
import multiprocessing
import os
import random
import sys
import warnings
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from typing import TypeVar

import pytest

SEED = 20261125

extents = pytest.mark.parametrize(
    "whole", [pytest.param(False, id="some"), pytest.param(True, id="all", marks=pytest.mark.endure)]
)

C = TypeVar("C")
R = TypeVar("R")


def some(cases: Sequence[C], count: int, salt: str) -> list[C]:
    """Return `count` of the cases in their order, one drawn from each stretch; `salt` names the test."""
    drawn = random.Random(f"{SEED} {salt}")
    edges = [round(place * len(cases) / count) for place in range(count + 1)]
    return [cases[drawn.randrange(first, after)] for first, after in pairwise(edges) if first < after]


def over_all_cores(judge: Callable[[C], R], cases: Iterable[C]) -> list[R]:
    """Judge every case in processes of their own, as many as there are cores; raises what the first bad one raised."""
    begin = multiprocessing.get_context("spawn")  # a fork would inherit the test run's threads and descriptors
    with ProcessPoolExecutor(os.cpu_count(), mp_context=begin, initializer=_be_strict) as pool:
        return list(pool.map(functools.partial(_judged, judge), cases, chunksize=8))


_unraisable: list[str] = []


def _be_strict() -> None:
    """Take warnings for errors as pytest does, also those that nobody can catch."""
    warnings.simplefilter("error")
    sys.unraisablehook = lambda found: _unraisable.append(repr(found.exc_value))


def _judged(judge: Callable[[C], R], case: C) -> R:
    result = judge(case)
    assert not _unraisable, f"{case}, or a case before it: {_unraisable}"
    return result
