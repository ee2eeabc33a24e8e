"""Reads a run folder into columns: the fast way for a run in order, the careful way for any other.

A run in order is one whose rows all have the shape of their header, finite numbers and numbers that rise by one.
Whatever else is found, `folder.read_run` reads the run row by row and says what was wrong. Needs numpy; the worker
never imports this.
"""

import warnings
from io import StringIO
from itertools import islice, pairwise
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from benchwarden.results import folder
from benchwarden.results.columns import ColumnsError, Layout, read_header
from benchwarden.results.run import Run
from benchwarden.results.series import NUMBER_COLUMNS, Series

_BLOCK_ROWS = 20_000
_NAMES = (
    *("test_time_s", "voltage_v", "current_a", "unix_time_s", "step_count", "sequence", "step_type", "step_time_s"),
    *("power", "charging_ah", "discharging_ah", "charging_wh", "discharging_wh", "phase", "output"),
    *("groups_age_s", "temperatures_age_s"),
)
"""What each fixed column is called in a sample; the power is derived and not kept."""
_WORD_BYTES = 60
_WORDS = ("step_type", "phase", "output")
_SURE = ("test_time_s", "unix_time_s", "step_time_s", "charging_ah", "discharging_ah", "charging_wh", "discharging_wh")
"""Columns in which no row has an empty field."""


class _NotInOrderError(Exception):
    """The samples' files need the careful way."""


def read_run(path: Path) -> Run:
    """Return a run as `folder.read_run` does, its samples as a `Series` where they are in order.

    Raises FolderError as that does.
    """
    try:
        return folder.read_run(path, samples=lambda: _read_columns(path))
    except _NotInOrderError:
        return folder.read_run(path)


def _read_columns(path: Path) -> Series:
    found = folder.segments(path)
    if [number for number, _ in found] != list(range(1, len(found) + 1)) or not found:
        raise _NotInOrderError
    layout: Layout | None = None
    blocks: list[dict[str, Any]] = []
    codes: dict[str, int] = {}
    for _, segment in found:
        with segment.open("rb") as file:
            try:
                own = read_header(file.readline().decode())
            except (ColumnsError, UnicodeDecodeError):
                raise _NotInOrderError from None
            if layout not in (None, own):
                raise _NotInOrderError
            layout = own
            blocks.extend(_blocks(file, own, codes))
    if not blocks:
        raise _NotInOrderError
    columns: dict[str, Any] = {}
    for name in list(blocks[0]):
        columns[name] = np.concatenate([block.pop(name) for block in blocks])
    if (np.diff(columns["sequence"]) != 1).any():
        raise _NotInOrderError
    return Series(**columns, words=tuple(codes))


def _blocks(file: BinaryIO, layout: Layout, codes: dict[str, int]) -> list[dict[str, Any]]:
    kinds: dict[str, str] = dict.fromkeys(NUMBER_COLUMNS, "f8") | {"step_count": "i8", "sequence": "i8", "power": "S1"}
    dtype: list[Any] = [(name, kinds.get(name, f"S{_WORD_BYTES}")) for name in _NAMES]
    dtype += [(f"t{n}", "f8") for n in range(layout.temperatures)] + [(f"g{n}", "f8") for n in range(layout.groups)]
    found: list[dict[str, Any]] = []
    while lines := list(islice(file, _BLOCK_ROWS)):
        found.append(_block(lines, np.dtype(dtype), layout, codes))
    return found


def _block(lines: list[bytes], dtype: np.dtype[Any], layout: Layout, codes: dict[str, int]) -> dict[str, Any]:
    text = b"".join(lines)
    if not text.endswith(b"\n") or b"\r" in text or b'"' in text:
        raise _NotInOrderError
    if b" " in text and (b" ," in text or b", " in text):
        raise _NotInOrderError
    filled = text
    if b",," in text or b",\n" in text:
        filled = text.replace(b",,", b",nan,").replace(b",,", b",nan,").replace(b",\n", b",nan\n")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            table = np.loadtxt(StringIO(filled.decode("ascii")), dtype=dtype, delimiter=",", comments=None, ndmin=1)
    except (ValueError, Warning):
        raise _NotInOrderError from None
    columns: dict[str, Any] = {name: np.ascontiguousarray(table[name]) for name in NUMBER_COLUMNS}
    columns |= {name: np.ascontiguousarray(table[name]) for name in ("sequence", "step_count")}
    for name, letter, width in (("groups_v", "g", layout.groups), ("temperatures_c", "t", layout.temperatures)):
        columns[name] = np.empty((len(table), width))
        for number in range(width):
            columns[name][:, number] = table[f"{letter}{number}"]
    for name in _WORDS:
        columns[name] = _coded(table[name], codes)
    if len(table) != len(lines) or any(not np.isfinite(columns[name]).all() for name in _SURE):
        raise _NotInOrderError
    numbers = [columns[name] for name in (*NUMBER_COLUMNS, "groups_v", "temperatures_c")]
    # Each empty field was filled with "nan"; one more of them was written so, which no row of ours is.
    empty = sum(int(np.isnan(column).sum()) for column in numbers)
    empty += sum(int((table[name] == b"nan").sum()) for name in _WORDS)
    empty += int((table["power"] == b"n").sum())
    if any(np.isinf(column).any() for column in numbers) or 3 * empty != len(filled) - len(text):
        raise _NotInOrderError
    return columns


def _coded(words: Any, codes: dict[str, int]) -> Any:
    """Return a column of words as codes; words stand in long stretches, so only their changes are looked at."""
    starts = [0, *(np.flatnonzero(words[1:] != words[:-1]) + 1).tolist()]
    found = np.empty(len(words), dtype=np.int64)
    for begin, end in pairwise([*starts, len(words)]):
        if len(words[begin]) >= _WORD_BYTES:
            raise _NotInOrderError  # it may have been cut there
        word = words[begin].decode()
        found[begin:end] = codes.setdefault("" if word == "nan" else word, len(codes))
    return found
