"""What a thinned curve must keep: of every slice of time its lowest and highest value, and its gaps."""

from array import array
from bisect import bisect_left
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from benchwarden.daemon.front.thinning import thinned, window

NOT_KNOWN = float("nan")
VALUES = st.one_of(st.just(NOT_KNOWN), st.floats(-1e6, 1e6))


@st.composite
def curves(draw: st.DrawFn) -> tuple["array[float]", "array[float]"]:
    values = draw(st.lists(VALUES, min_size=1, max_size=300))
    gaps = draw(st.lists(st.floats(0.01, 30.0), min_size=len(values), max_size=len(values)))
    times, now = array("d"), 0.0
    for gap in gaps:
        now += gap
        times.append(now)
    return times, array("d", values)


@given(curve=curves(), slices=st.integers(1, 60))
def test_lowest_and_highest_of_every_slice_stay(curve: tuple["array[float]", "array[float]"], slices: int) -> None:
    times, values = curve
    found = thinned(times, values, slices)
    kept = set(found)
    length = times[-1] - times[0]
    edges = [times[0] + length * number / slices for number in range(1, slices)]
    places = [0, *(bisect_left(times, edge) for edge in edges), len(times)]
    for begin, end in pairwise(places):
        there = [value for value in values[begin:end] if value == value]
        within = {value for time, value in kept if begin < end and times[begin] <= time <= times[end - 1]}
        if there:
            assert min(there) in within
            assert max(there) in within
        elif begin < end:
            assert None in within, "a gap has been closed"


@given(curve=curves(), slices=st.integers(1, 60))
def test_points_are_the_curve_s_own_in_their_order_and_few(
    curve: tuple["array[float]", "array[float]"], slices: int
) -> None:
    times, values = curve
    own = {(time, None if value != value else value) for time, value in zip(times, values, strict=True)}
    found = thinned(times, values, slices)
    assert set(found) <= own
    assert len(found) <= 2 * slices + 2
    moments = [time for time, _ in found]
    assert moments == sorted(set(moments))
    assert (moments[0], moments[-1]) == (times[0], times[-1])
    if len(times) <= 2 * slices:
        assert len(found) == len(times)


@given(
    curve=curves(),
    from_s=st.one_of(st.none(), st.floats(-10, 1000)),
    length_s=st.one_of(st.none(), st.floats(0, 500)),
)
def test_a_window_holds_all_within_and_one_beside_it(
    curve: tuple["array[float]", "array[float]"], from_s: float | None, length_s: float | None
) -> None:
    times, _ = curve
    to_s = None if length_s is None else (from_s or 0.0) + length_s
    begin, end = window(times, from_s, to_s)
    inside = [
        place
        for place, time in enumerate(times)
        if (from_s is None or time >= from_s) and (to_s is None or time <= to_s)
    ]
    assert set(inside) <= set(range(begin, end))
    assert end - begin <= len(inside) + 3
