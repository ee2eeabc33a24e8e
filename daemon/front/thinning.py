"""Fewer points of a long curve for a screen: in every slice of time its lowest and its highest stay. Pure functions."""

from bisect import bisect_left
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

# A time in seconds and the value at it; None where nothing was measured, so that a line is not drawn across.
Point = tuple[float, float | None]


def thinned(times: Sequence[float], values: Sequence[float], slices: int) -> list[Point]:
    """Return a curve's points, or at most `2 * slices + 2` of them, in their order.

    `times` rise; NaN in `values` is a missing one. The time is cut into `slices` of one length; of each its lowest and
    highest value stay, or a missing one if it has no other, and of the whole curve its first and last point.
    """
    count = len(times)
    if count <= 2 * slices:
        return [(time, _known(value)) for time, value in zip(times, values, strict=True)]
    first_s, length_s = times[0], times[-1] - times[0]
    column = np.asarray(values)
    chosen = [0]
    begin = 0
    for number in range(1, slices + 1):
        end = count if number == slices else bisect_left(times, first_s + length_s * number / slices, begin)
        if end > begin:
            chosen += _of_slice(column, begin, end)
            begin = end
    chosen.append(count - 1)
    return [(times[place], _known(values[place])) for place in dict.fromkeys(chosen)]


def _of_slice(values: npt.NDArray[np.float64], begin: int, end: int) -> list[int]:
    part = values[begin:end]
    lowest = part.argmin()  # the first NaN, if there is one
    if part[lowest] == part[lowest]:
        return sorted({begin + int(lowest), begin + int(part.argmax())})
    there = np.flatnonzero(part == part)
    if not len(there):
        return [begin]
    known = part[there]
    return sorted({begin + int(there[known.argmin()]), begin + int(there[known.argmax()])})


def _known(value: float) -> float | None:
    return value if value == value else None


def window(times: Sequence[float], from_s: float | None, to_s: float | None) -> tuple[int, int]:
    """Return the places [begin, end) of what lies in a time, and one beside it at each end for the line to enter by."""
    begin = 0 if from_s is None else max(bisect_left(times, from_s) - 1, 0)
    end = len(times) if to_s is None else min(bisect_left(times, to_s) + 1, len(times))
    return begin, max(end, begin)
