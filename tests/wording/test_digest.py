"""The digest and the sign of life."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mail_samples import DAY_MS, HOUR_MS, NOW_MS, SITE, ZONE, cycle, digest, finding, heartbeat, reader, week

from loggerd.model.ledger import Entry, Figure, Instant, LedgerName
from loggerd.outputs.picture import png
from loggerd.settings.texts import load_texts
from loggerd.wording.digest import MOST_FINDINGS, BankDigest, Digest, compose_digest
from loggerd.wording.digest_figures import DayAmpHours, day_edges, days_of, summarise
from loggerd.wording.heartbeat import Alive, compose_heartbeat, compose_test
from loggerd.wording.picture import HEIGHT, WIDTH, bar_chart

LATE_MS = NOW_MS + 100 * DAY_MS
DAYS = week().banks[0].days


def _flat(text: str) -> str:
    return " ".join(text.split())


def test_the_text_alone_carries_the_week() -> None:
    mail = digest()
    plain = _flat(mail.plain)
    for told in (
        "Wed 18 Nov 2026 to Tue 24 Nov 2026", "Full was last proven: 2 days ago", "Count: 6",
        "Blocks apart after a charge: 18 mV per cell", "Capacity: 191.0 Ah (182.0 to 200.0), on fair readings",
        "Taken out: 372.6 Ah (368.9 to 376.3)", "In for each Ah out: 1.120 (1.109 to 1.131)",
        "Energy out for energy in: 81 % (80 to 82)", "28 % (27 to 28) on average, 41 % (41 to 42) at most",
        "97 % of the time is covered", "Temperature probe fault", "the probe has come off", "Wed 18 61.2 68.5 no",
        "Fri 20* 0.0 0.0 no", "Mon 23 70.4 78.8 yes", "readings are missing for more than a tenth",
        "19 times out of 20", "Bank cart", "No cycle was completed.", "Nothing new.",
    ):  # fmt: skip
        assert told in plain, told
    assert mail.subject == "Hill farm: Digest of the week, one alarm stands"


def test_the_picture_goes_with_the_mail_and_is_said_in_words() -> None:
    mail = digest()
    (picture,) = mail.attachments
    assert picture.content.startswith(b"\x89PNG")
    assert f'src="cid:{picture.content_id}"' in mail.html
    assert "at most 104 Ah. Days on which full was proven, marked with a square: Thu 19, Mon 23." in mail.html
    assert len(picture.content) < 20_000


def test_the_second_language_and_comma() -> None:
    plain = _flat(digest("de").plain)
    assert "Entnommen: 372,6 Ah (368,9 bis 376,3)" in plain
    assert "Der Verbinder an Block 3: Der Widerstand liegt 14 % über dem der ersten Wochen" in plain


def test_a_digest_of_a_day_without_anything() -> None:
    edges = day_edges(NOW_MS, 1, ZONE)
    empty = Digest(edges[0], edges[1], 1, (BankDigest("barn", (), summarise((), *edges)),))
    mail = compose_digest(empty, replace(SITE, clock_set=False), reader(), png)
    assert mail.subject == "Hill farm: Digest of the day, no alarm stands"
    assert mail.attachments == ()
    assert "all times here are guessed" in _flat(mail.plain)


def test_what_weighs_most_comes_first_and_not_everything_is_told() -> None:
    many = [finding("blocks.cause", "fine", f"block {number}") for number in range(1, 40)]
    found = (*many, finding("blocks.cause", "shorted_cell", "block 9"))
    bank = replace(week().banks[0], changed=found)
    plain = _flat(compose_digest(replace(week(), banks=(bank,)), SITE, reader(), png).plain)
    assert plain.index("Block 9 gives about one cell too little") < plain.index("goes along with its peers")
    assert f"and {40 - MOST_FINDINGS} more" in plain


def test_sums_of_cycles_with_their_bands() -> None:
    cycles = [cycle(NOW_MS, 100.0, 110.0), cycle(NOW_MS + DAY_MS, 50.0, 60.0), cycle(LATE_MS, 70.0, 80.0)]
    told = summarise(cycles, NOW_MS, LATE_MS)
    assert told.count == 2
    assert told.out == Figure("discharge_amp_hours", 150.0, 148.5, 151.5)
    assert told.charge_factor.value == pytest.approx(170.0 / 150.0)
    assert told.charge_factor.low == pytest.approx(0.99 * 170.0 / 150.0)
    assert told.deepest.value == pytest.approx(100.0 / 225.0)
    assert told.mean_depth.value == pytest.approx(75.0 / 225.0)


def test_a_cycle_that_is_open_or_of_another_time_does_not_count() -> None:
    open_one = replace(cycle(NOW_MS, 100.0, 110.0), complete=False)
    account = replace(cycle(NOW_MS, 100.0, 110.0), ledger=LedgerName.FULL_TO_FULL)
    assert summarise([open_one, account, cycle(NOW_MS - 3 * DAY_MS, 1.0, 1.0)], NOW_MS, LATE_MS).count == 0


def test_a_sum_with_missing_readings_is_at_least_so_much() -> None:
    odd = replace(
        cycle(NOW_MS, 50.0, 60.0), figures=(Figure("discharge_amp_hours", 50.0, reason="readings are missing"),)
    )
    told = summarise([odd, cycle(NOW_MS, 100.0, 110.0)], NOW_MS, LATE_MS)
    assert told.out == Figure("discharge_amp_hours", 150.0, reason="readings are missing")
    bank = replace(week().banks[0], cycles=told)
    assert "Taken out: 150.0 Ah (at least)" in compose_digest(replace(week(), banks=(bank,)), SITE, reader(), png).plain


@pytest.mark.parametrize(
    ("verdict", "value", "told"),
    [
        ("overdue", 17.2, "Full was last proven: The bank has had no full charge for 17 days"),
        ("cannot_tell", None, "cannot be told. Why loggerd says so: no rest yet"),
    ],
)
def test_full_that_is_long_ago_or_not_known(verdict: str, value: float | None, told: str) -> None:
    found = replace(finding("full_charge.days_since", verdict, value=value), reason="no rest yet")
    bank = replace(week().banks[0], newest=(found,))
    assert told in _flat(compose_digest(replace(week(), banks=(bank,)), SITE, reader(), png).plain)


def _phase(kind: str, start_ms: int, end_ms: int, amp_hours: float) -> Entry:
    figures = (Figure("amp_hours", amp_hours),)
    return Entry(LedgerName.PHASES, kind, Instant(1, start_ms), Instant(1, end_ms), True, figures)


def test_a_phase_over_midnight_is_shared_out() -> None:
    edges = day_edges(NOW_MS, 2, ZONE)
    phases = [
        _phase("discharge", edges[1] - 3 * HOUR_MS, edges[1] + HOUR_MS, 40.0),
        _phase("charge", edges[1] + HOUR_MS, edges[1] + 5 * HOUR_MS, 44.0),
        _phase("rest", edges[0], edges[1], 0.3),
    ]
    first, second = days_of(phases, NOW_MS, 2, ZONE, [edges[1] + 5 * HOUR_MS])
    assert (first.out, first.into, first.full) == (30.0, 0.0, False)
    assert (second.out, second.into, second.full) == (10.0, 44.0, True)


def test_days_are_local_and_as_long_as_they_are() -> None:
    """25 October 2026 has 25 hours in Vienna."""
    edges = day_edges(1_792_888_200_000, 2, ZONE)
    assert [(later - one) // HOUR_MS for one, later in pairwise(edges)] == [25, 24]


@given(st.lists(st.tuples(st.integers(0, 20 * 24), st.integers(1, 96), st.floats(0.1, 500.0)), max_size=8))
def test_no_amp_hour_is_lost_or_told_twice(spans: list[tuple[int, int, float]]) -> None:
    start = day_edges(1_792_281_600_000, 30, ZONE)[0]
    phases = [_phase("discharge", start + a * HOUR_MS, start + (a + n) * HOUR_MS, ah) for a, n, ah in spans]
    days = days_of(phases, start, 30, ZONE)
    assert sum(day.out for day in days) == pytest.approx(sum(ah for _, _, ah in spans))


def _decoded(content: bytes) -> np.ndarray:
    """The picture of a PNG file, read by its own description: chunks with checksums, rows with filter 0."""
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    at, found = 8, {}
    while at < len(content):
        (length,) = struct.unpack_from(">I", content, at)
        kind, data = content[at + 4 : at + 8], content[at + 8 : at + 8 + length]
        (check,) = struct.unpack_from(">I", content, at + 8 + length)
        assert check == zlib.crc32(kind + data)
        found[kind] = data
        at += 12 + length
    width, height, depth, colours, *rest = struct.unpack(">IIBBBBB", found[b"IHDR"])
    assert (depth, colours, rest) == (8, 2, [0, 0, 0])
    rows = np.frombuffer(zlib.decompress(found[b"IDAT"]), np.uint8).reshape(height, 1 + 3 * width)
    assert not rows[:, 0].any()
    return rows[:, 1:].reshape(height, width, 3)


def test_a_png_file_holds_the_picture() -> None:
    picture = bar_chart(DAYS, [str(number) for number in range(7)])
    assert picture.shape == (HEIGHT, WIDTH, 3)
    assert np.array_equal(_decoded(png(picture)), picture)


@pytest.mark.parametrize("shape", [(3, 3), (0, 3, 3), (3, 3, 4)])
def test_what_is_no_picture_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="a picture of"):
        png(np.zeros(shape, np.uint8))


def _points(picture: np.ndarray, colour: tuple[int, int, int]) -> int:
    return int((picture == np.array(colour, np.uint8)).all(axis=2).sum())


def test_bars_are_as_large_as_their_amp_hours() -> None:
    one = [DayAmpHours(0, 50.0, 100.0), DayAmpHours(0, 100.0, 50.0, full=True)]
    picture = bar_chart(one, ["1", "2"])
    out, into, full = (60, 70, 90), (120, 175, 220), (30, 120, 60)
    assert _points(picture, out) == pytest.approx(_points(picture, into), rel=0.03)
    assert _points(picture, full) == 100
    left, right = picture[:, : WIDTH // 2], picture[:, WIDTH // 2 :]
    assert _points(left, into) == pytest.approx(2 * _points(right, into), rel=0.06)
    assert _points(left, full) == 0


@given(
    st.lists(
        st.builds(DayAmpHours, st.just(0), st.floats(0, 1e5), st.floats(0, 1e5), st.booleans()),
        min_size=1,
        max_size=400,
    )
)
def test_any_days_make_a_picture(days: list[DayAmpHours]) -> None:
    assert bar_chart(days, [str(number % 32) for number in range(len(days))]).shape == (HEIGHT, WIDTH, 3)


def test_no_days_make_an_empty_picture() -> None:
    assert (bar_chart([], []) == 255).all()


def test_the_sign_of_life_says_when_the_next_is_due() -> None:
    mail = heartbeat()
    plain = _flat(mail.plain)
    assert mail.subject == "Hill farm: Sign of life, one alarm stands"
    assert "The next sign of life is due Thu 26 Nov 2026, 07:05 (UTC+01:00)." in plain
    assert "3 of 4 answer" in plain
    assert "Mail that waits: 2" in plain
    assert "Instrument is silent" in plain


def test_the_sign_of_life_of_a_logger_that_has_read_nothing() -> None:
    mail = compose_heartbeat(Alive(NOW_MS, NOW_MS + 1, None, 0, 0), [], SITE, reader("de"))
    assert mail.subject == "Hill farm: Lebenszeichen, kein Alarm steht an"
    assert "Letzter Messwert: keine" in mail.plain


def test_the_test_mail_says_that_it_is_one() -> None:
    mail = compose_test(SITE, reader())
    assert mail.subject == "Hill farm: Test mail"
    assert load_texts("en").words["test_text"].format(site="Hill farm") in _flat(mail.plain)
