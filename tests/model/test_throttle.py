"""Waits after wrong tries: none at first, then doubling up to a most; a clock that is set back locks nobody out."""

from __future__ import annotations

from loggerd.model.throttle import Tries, TryLimit, after_wrong, taken_back, wait_ms

LIMIT = TryLimit("x", free=5, first_ms=5_000, longest_ms=900_000, forget_ms=86_400_000)
NOW = 1_790_000_000_000


def waits(count: int, limit: TryLimit = LIMIT) -> list[int]:
    """The wait after each wrong try, each made as soon as the wait before is over."""
    tries, now, found = Tries(), NOW, []
    for _ in range(count):
        tries = after_wrong(tries, limit, now)
        found.append(wait_ms(tries, limit, now))
        now += found[-1]
    return found


def test_four_are_free_then_each_wait_is_twice_the_one_before_up_to_a_quarter_of_an_hour() -> None:
    seconds = [one / 1000 for one in waits(14)]

    assert seconds == [0, 0, 0, 0, 5, 10, 20, 40, 80, 160, 320, 640, 900, 900]


def test_very_many_wrong_tries_do_not_make_the_wait_longer() -> None:
    assert set(waits(3000)[20:]) == {900_000}


def test_the_wait_ends_when_it_is_over() -> None:
    tries = Tries(5, NOW, NOW + 5_000)

    assert [wait_ms(tries, LIMIT, NOW + after) for after in (0, 4_999, 5_000, 5_001)] == [5_000, 1, 0, 0]


def test_wrong_tries_are_forgotten_after_a_day() -> None:
    assert after_wrong(Tries(9, NOW, 0), LIMIT, NOW + LIMIT.forget_ms) == Tries(
        10, NOW + LIMIT.forget_ms, NOW + LIMIT.forget_ms + 160_000
    )
    assert after_wrong(Tries(9, NOW, 0), LIMIT, NOW + LIMIT.forget_ms + 1).wrong == 1


def test_a_clock_that_is_set_back_locks_nobody_out() -> None:
    """The board wakes without a clock chip: it is years earlier than when the wait was set."""
    assert wait_ms(Tries(20, NOW, NOW + 900_000), LIMIT, NOW - 10**11) == 0


def test_a_try_that_was_right_after_all_is_taken_back() -> None:
    tries = after_wrong(after_wrong(Tries(3, NOW, 0), LIMIT, NOW), LIMIT, NOW)

    assert taken_back(tries).wrong == 4
    assert wait_ms(taken_back(tries), LIMIT, NOW) == 0
    assert taken_back(Tries()) == Tries()
