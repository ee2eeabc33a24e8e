"""Rows of cells as CSV. Standard library only."""

import csv
from collections.abc import Sequence
from io import StringIO


def as_csv(rows: Sequence[Sequence[str]]) -> str:
    """Return rows as CSV (RFC 4180). A text that a spreadsheet would take for a formula gets an apostrophe first."""
    out = StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerows([[_tame(cell) for cell in row] for row in rows])
    return out.getvalue()


def _tame(cell: str) -> str:
    if cell[:1] not in ("=", "+", "-", "@", "\t", "\r"):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell
