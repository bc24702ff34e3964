"""Limits with dates, looked up by instant."""

from __future__ import annotations

from bisect import bisect_right

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loggerd.analysis.limit_table import NO_LIMITS, LimitTable, limit_table


def test_a_limit_holds_until_the_instant_of_the_next() -> None:
    table = limit_table([("low", None, 1.0), ("high", None, 9.0), ("low", 2_000, 2.0), ("high", 1_000, 8.0)])

    assert table.changes_ms == (1_000, 2_000)
    assert table.at(-5) == table.at(999) == {"low": 1.0, "high": 9.0}
    assert table.at(1_000) == table.at(1_999) == {"low": 1.0, "high": 8.0}
    assert table.at(2_000) == table.at(10**15) == {"low": 2.0, "high": 8.0}


def test_the_same_mapping_is_handed_out_until_the_next_change() -> None:
    table = limit_table([("low", None, 1.0), ("low", 2_000, 2.0)])

    assert table.at(0) is table.at(1_999)
    assert table.at(1_999) is not table.at(2_000)


def test_changes_at_one_instant_make_one_stage() -> None:
    table = limit_table([("a", None, 1.0), ("b", None, 1.0), ("a", 5, 2.0), ("b", 5, 3.0)])

    assert table == LimitTable((5,), ({"a": 1.0, "b": 1.0}, {"a": 2.0, "b": 3.0}))


def test_a_table_without_limits_is_false() -> None:
    assert not NO_LIMITS
    assert not limit_table([])
    assert NO_LIMITS.at(0) == {}
    assert limit_table([("a", None, 0.0)])


def test_a_limit_that_does_not_hold_from_the_beginning_is_refused() -> None:
    with pytest.raises(ValueError, match="from the beginning: b"):
        limit_table([("a", None, 1.0), ("b", 5, 2.0)])


@given(
    st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 30), st.integers(0, 9)), max_size=12),
    st.lists(st.integers(-5, 35), min_size=1, max_size=10),
)
def test_a_table_says_what_each_limit_by_itself_says(changes: list[tuple[str, int, int]], instants: list[int]) -> None:
    table = limit_table([*((name, None, -1.0) for name in "abc"), *((n, at, float(v)) for n, at, v in changes)])

    for instant in instants:
        for name in "abc":
            # The last told of the latest instant: a stable sort keeps the order of telling.
            own = sorted(((at, value) for other, at, value in changes if other == name), key=lambda one: one[0])
            count = bisect_right([at for at, _ in own], instant)
            assert table.at(instant)[name] == (float(own[count - 1][1]) if count else -1.0)
