from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loggerd.decoding.csv_header import UnusableFile, read_header
from loggerd.decoding.csv_times import END_OF_TIMES_MS, LocalTimes, time_from_text
from loggerd.decoding.readings_file import ReadingsParser
from loggerd.decoding.time_order import TimeOrder
from loggerd.model.channels import MISSING

VIENNA = ZoneInfo("Europe/Vienna")
NOON_MS = 1_777_636_800_000  # 2026-05-01T12:00:00Z


def parse(text: str, header: str = "time,volts,amps", cut: int | None = None) -> tuple[ReadingsParser, list[list[int]]]:
    """The parser after all the text, and rows of time and counts. `cut` pushes the text in blocks of so
    many lines.
    """
    parser = ReadingsParser(read_header(header, None), VIENNA)
    lines = text.encode().splitlines(keepends=True)
    step = cut or max(len(lines), 1)
    taken = [parser.push(b"".join(lines[at : at + step])) for at in range(0, len(lines), step)]
    taken.append(parser.finish())
    rows = [
        [int(block.times_ms[row]), *(int(column[row]) for column in block.counts)]
        for block in taken
        for row in range(len(block.times_ms))
    ]
    return parser, rows


@pytest.mark.parametrize(
    ("text", "milliseconds", "is_local"),
    [
        ("2026-05-01T12:00:00Z", NOON_MS, False),
        ("2026-05-01 12:00", NOON_MS, True),
        ("2026-05-01t14:00:00+02:00", NOON_MS, False),
        ("2026-05-01T07:30:00-0430", NOON_MS, False),
        ("2026-05-01T14:00:00+02", NOON_MS, False),
        ("2026-05-01T12:00:00.25Z", NOON_MS + 250, False),
        ("2026-05-01T12:00:00,2505z", NOON_MS + 250, False),
        ("2026-05-01T11:59:59.9996Z", NOON_MS, False),
        ("2024-02-29 00:00:00", 1_709_164_800_000, True),
        ("1777636800", NOON_MS, False),
        ("1777636800.5", NOON_MS + 500, False),
        ("1777636800,123456", NOON_MS + 123, False),
    ],
)
def test_times_in_all_their_spellings(text: str, milliseconds: int, is_local: bool) -> None:
    assert time_from_text(text) == (milliseconds, is_local)
    quoted, rows = parse(f'"{text}";1;2\n', "time;volts;amps")
    bulk, bulk_rows = parse(f"{text};1;2\n", "time;volts;amps")
    assert rows == bulk_rows
    assert rows[0][0] == milliseconds - (VIENNA_OFFSET_MS[text] if is_local else 0)
    assert quoted.tally == bulk.tally


VIENNA_OFFSET_MS = {"2026-05-01 12:00": 7_200_000, "2024-02-29 00:00:00": 3_600_000}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "noon",
        "01.05.2026 12:00",
        "2026-02-29T00:00:00Z",
        "2026-13-01T00:00:00Z",
        "2026-00-01T00:00:00Z",
        "2026-01-00T00:00:00Z",
        "2026-05-01T24:00:00Z",
        "2026-05-01T12:60:00Z",
        "2026-05-01T12:00:60Z",
        "2026-05-01T12:00:00+24:00",
        "2026-05-01T12:00:00+01:60",
        "0000-05-01T12:00:00Z",
        "2126-05-01T12:00:00Z",
        "-5",
        "1777636800000",  # milliseconds
        "1e9",
    ],
)
def test_a_row_with_a_bad_time_is_left_out_and_named(text: str) -> None:
    for cell in (text, f'"{text}"'):
        parser, rows = parse(f"1777636800,1,2\n{cell},1,2\n1777636802,1,2\n")

        assert [row[0] for row in rows] == [NOON_MS, NOON_MS + 2000]
        assert parser.tally.bad_rows == 1
        assert parser.tally.faults[0].line == 3
        assert "2026-05-01T12:00:00Z, or epoch seconds" in parser.tally.faults[0].why


@given(st.datetimes(datetime(1970, 1, 2), datetime(2099, 12, 30)), st.integers(-1439, 1439), st.sampled_from("TZ "))  # noqa: DTZ001
def test_bulk_times_equal_the_calendar_of_the_standard_library(at: datetime, offset: int, style: str) -> None:
    zone = "Z" if style == "Z" else f"{'-' if offset < 0 else '+'}{abs(offset) // 60:02d}:{abs(offset) % 60:02d}"
    at = at.replace(microsecond=at.microsecond // 1000 * 1000)
    text = at.isoformat(sep="T" if style == "Z" else style, timespec="milliseconds") + zone
    shift = timedelta(0) if style == "Z" else timedelta(minutes=offset)

    wanted = (at.replace(tzinfo=UTC) - shift - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)
    _, rows = parse(f"{text},1,2\n")

    assert rows == [[wanted, 1000, 2000]]


numbers = st.decimals(-(10**9), 10**9, allow_nan=False, places=5).map(lambda number: f"{number:f}")
cells = st.one_of(
    numbers,
    st.integers(-(10**12), 10**12).map(str),
    st.sampled_from(["", "NaN", "-", " 12.5 ", "+3", ".5", "5.", "1e3", "-0", "9" * 25, "  ", "-.", "1.2.3", "x", "."]),
)


@settings(max_examples=300)
@given(st.lists(st.tuples(cells, cells), min_size=1, max_size=30), st.sampled_from([",", ";", "\t"]), st.integers(1, 7))
def test_bulk_and_single_reading_agree_in_any_blocks(pairs: list[tuple[str, str]], delimiter: str, cut: int) -> None:
    good = [f"{1777636800 + 10 * row}{delimiter}1{delimiter}1" for row in range(2 * len(pairs) + 2)]
    plain = [f"{1777636805 + 10 * row}{delimiter}{a}{delimiter}{b}" for row, (a, b) in enumerate(pairs)]
    quoted = [f'"{line}"'.replace(delimiter, f'"{delimiter}"') for line in plain]
    header = delimiter.join(["time", "volts", "amps"])

    def text(rows: list[str]) -> str:
        mixed = [line for pair in zip(good, rows, strict=False) for line in pair] + good[len(rows) :]
        return "\n".join(mixed)

    bulk, rows = parse(text(plain), header)
    single, single_rows = parse(text(quoted), header, cut)

    assert rows == single_rows
    assert len(rows) == len(good) + len(pairs)
    assert bulk.tally.bad_cells == single.tally.bad_cells
    assert bulk.tally.rows_with_bad_cells == single.tally.rows_with_bad_cells
    assert {fault.line for fault in bulk.tally.faults} == {fault.line for fault in single.tally.faults}


@given(numbers, st.sampled_from([0.001, 0.01, 1.0, 0.05, 0.3]))
def test_counts_are_the_exact_nearest_with_any_resolution(number: str, resolution: float) -> None:
    parser = ReadingsParser(read_header("time,volts", {"volts": ("volts", resolution)}), None)
    parser.push(f"1,{number}\n".encode())

    (column,) = parser.finish().counts

    assert int(column[0]) == round(Fraction(number) / Fraction(str(resolution)))


@pytest.mark.parametrize(
    ("number", "count"), [("0.0005", 0), ("0.0015", 2), ("-0.0025", -2), ("-0.0035", -4), ("7.00050001", 7001)]
)
def test_halves_go_to_the_even_count_read_in_bulk_or_singly(number: str, count: int) -> None:
    assert parse(f'1,{number},0\n2,"{number}",0\n')[1] == [[1000, count, 0], [2000, count, 0]]


@pytest.mark.parametrize("cell", ["", "NaN", "nan", "-", "null", "N/A", " "])
def test_missing_cells_are_missing_and_no_fault(cell: str) -> None:
    parser, rows = parse(f"1,{cell},2\n2,3,{cell}\n3,1,1\n")

    assert rows == [[1000, MISSING, 2000], [2000, 3000, MISSING], [3000, 1000, 1000]]
    assert parser.tally.bad_cells == 0


def test_a_cell_that_is_no_number_costs_only_its_own_value_and_is_named() -> None:
    parser, rows = parse("1,48.5,OVER\n2,48.5,3\n3,48.5,3\n")

    assert rows[0] == [1000, 48500, MISSING]
    assert parser.tally.bad_cells == 1
    assert [(fault.line, fault.why) for fault in parser.tally.faults] == [
        (2, "'OVER' in column \"amps\" is not a number")
    ]


def test_decimal_commas_with_semicolons_and_within_quotes() -> None:
    assert parse("1;48,5;-3,25\n", "time;volts;amps")[1] == [[1000, 48500, -3250]]
    assert parse('1,"48,5","-3,25"\n')[1] == [[1000, 48500, -3250]]


def test_blank_lines_are_passed_over_but_counted_as_lines() -> None:
    parser, rows = parse("\n1,2,3\n,,\n   \n2,2,3\nbad\n3,2,3\n")

    assert len(rows) == 3
    assert parser.tally.rows == 4
    assert [fault.line for fault in parser.tally.faults] == [7]
    assert "1 cells, not 3" in parser.tally.faults[0].why


def test_only_the_first_twenty_bad_lines_are_listed() -> None:
    parser, _ = parse("".join(f"{row},1,2\nbad\n{row}.5,1,2\n" for row in range(1, 100)))

    assert parser.tally.bad_rows == 99
    assert [fault.line for fault in parser.tally.faults] == list(range(3, 63, 3))


def test_a_file_that_is_mostly_bad_is_refused_with_its_first_fault() -> None:
    with pytest.raises(UnusableFile, match=r"line 2: found 'a' is not a time .*\(2 bad rows of 3\)"):
        parse("a,1,2\nb,1,2\n1,1,2\n")
    with pytest.raises(UnusableFile, match=r"'x' in column \"volts\""):
        parse("1,x,2\n2,x,2\n3,1,2\n")
    with pytest.raises(UnusableFile, match="no readings"):
        parse("")


def test_a_file_with_the_newest_row_first_is_refused_and_says_what_to_do() -> None:
    with pytest.raises(UnusableFile, match="the oldest first"):
        parse("".join(f"{row},1,2\n" for row in range(100, 0, -1)))


def test_a_bad_file_is_given_up_early() -> None:
    parser = ReadingsParser(read_header("time,volts", None), None)

    with pytest.raises(UnusableFile):
        parser.push(b"bad,1\n" * 1000)


def test_local_times_need_a_timezone() -> None:
    parser = ReadingsParser(read_header("time,volts", None), None)

    with pytest.raises(UnusableFile, match="line 2: found a time without an offset; expected an offset"):
        parser.push(b"2026-05-01 12:00:00,1\n")


def local_log(
    begin: str, hours: float, minutes: int, skip: tuple[float, float] = (0, 0)
) -> tuple[list[str], list[int]]:
    """Local times as a logger in Vienna writes them, and what they mean; `skip` leaves out a stretch, in
    hours.
    """
    at = datetime.fromisoformat(begin)
    times = [at + timedelta(minutes=minutes * step) for step in range(int(hours * 60 / minutes))]
    kept = [time for time in times if not skip[0] <= (time - at) / timedelta(hours=1) < skip[1]]
    texts = [time.astimezone(VIENNA).strftime("%Y-%m-%d %H:%M:%S") for time in kept]
    return texts, [int(time.timestamp() * 1000) for time in kept]


@pytest.mark.parametrize("minutes", [1, 5, 15, 30])
@pytest.mark.parametrize("cut", [None, 1, 7])
def test_the_autumn_hour_that_comes_twice_is_told_apart_by_the_step_back(minutes: int, cut: int | None) -> None:
    # 25 October 2026: 03:00 summer time becomes 02:00, at 01:00 UTC.
    texts, wanted = local_log("2026-10-24T22:00:00+00:00", 6, minutes)

    parser, rows = parse("".join(f"{text},1,2\n" for text in texts), cut=cut)

    assert [row[0] for row in rows] == wanted
    assert parser.order.backward == parser.order.repeated == 0
    assert parser.local is not None
    assert parser.local.ambiguous == 0


def test_an_autumn_hour_with_one_pass_only_is_said() -> None:
    texts, wanted = local_log("2026-10-24T22:00:00+00:00", 6, 10, skip=(3, 4))

    parser, rows = parse("".join(f"{text},1,2\n" for text in texts))

    assert [row[0] for row in rows] == wanted
    assert parser.local is not None
    assert parser.local.ambiguous == 6


def test_an_autumn_hour_at_the_end_of_the_file_is_said() -> None:
    texts, _ = local_log("2026-10-24T22:00:00+00:00", 2.5, 10)

    parser, _ = parse("".join(f"{text},1,2\n" for text in texts))

    assert parser.local is not None
    assert parser.local.ambiguous == 3


def test_the_spring_hour_that_does_not_exist_is_refused() -> None:
    parser, rows = parse("2026-03-29 01:59:59,1,2\n2026-03-29 02:30:00,1,2\n2026-03-29 03:00:00,1,2\n")

    assert [row[0] for row in rows] == [1_774_745_999_000, 1_774_746_000_000]
    assert [(fault.line, fault.why.split(":")[0]) for fault in parser.tally.faults] == [
        (3, "local time does not exist")
    ]


def test_local_times_of_an_empty_block_are_empty() -> None:
    times, exist = LocalTimes(VIENNA).to_utc(np.zeros(0, np.int64))

    assert len(times) == len(exist) == 0


def orders(text: str, cut: int | None) -> tuple[ReadingsParser, list[int]]:
    """The parser after all the text, and the order of the rows."""
    parser = ReadingsParser(read_header("time,volts,amps", None), VIENNA)
    lines = text.encode().splitlines(keepends=True)
    step = cut or len(lines)
    taken = [parser.push(b"".join(lines[at : at + step])) for at in range(0, len(lines), step)]
    taken.append(parser.finish())
    return parser, [int(order) for block in taken for order in block.order_ms]


def test_repeated_and_backward_times_stay_where_they_stand_counted_and_named() -> None:
    text = "".join(f"{t},{t},2\n" for t in (10, 11, 11, 12, 9, 8, 13, 13, 14))
    for cut in (None, 1, 2, 3):
        parser, rows = parse(text, cut=cut)
        _, order = orders(text, cut)

        assert [row[0] // 1000 for row in rows] == [10, 11, 11, 12, 9, 8, 13, 13, 14]
        assert [row[1] // 1000 for row in rows] == [10, 11, 11, 12, 9, 8, 13, 13, 14]
        assert order == [10_000, 11_000, 11_001, 12_000, 12_001, 12_002, 13_000, 13_001, 14_000]
        assert (parser.order.repeated, parser.order.repeated_lines) == (2, [4, 9])
        assert (parser.order.backward, parser.order.backward_lines) == (2, [6, 7])
        assert (parser.order.first_ms, parser.order.last_ms, parser.order.kept) == (10_000, 14_000, 5)


def test_one_date_in_the_future_does_not_cost_the_rows_after_it() -> None:
    text = "".join(f"{t},1,2\n" for t in (10, 11, 4_000_000_000, 12, 13, 14))
    for cut in (None, 1, 3):
        parser, order = orders(text, cut)

        assert order == [10_000, 11_000, 11_001, 12_000, 13_000, 14_000]
        assert parser.order.backward_lines == [4]


@given(st.lists(st.integers(0, 60), max_size=60), st.integers(1, 10))
def test_the_order_rises_strictly_and_does_not_depend_on_blocks(times: list[int], cut: int) -> None:
    whole, pieces = TimeOrder(1), TimeOrder(1)
    array = np.array(times, np.int64)
    lines = np.arange(len(times)) + 2

    kept = [*whole.push(array, [array], lines)[0], *whole.finish()[0]]
    cut_kept = [
        time
        for at in range(0, len(times), cut)
        for time in pieces.push(array[at : at + cut], [array[at : at + cut]], lines[at : at + cut])[0]
    ]
    cut_kept.extend(pieces.finish()[0])

    assert kept == cut_kept
    assert all(earlier < later for earlier, later in pairwise(kept))
    assert len(kept) == len(times)
    assert whole.kept + whole.repeated + whole.backward == len(times)
    assert (whole.backward_lines, whole.repeated_lines) == (pieces.backward_lines, pieces.repeated_lines)


@pytest.mark.parametrize(
    ("steps", "median"),
    [
        ([], None),
        ([1000, 1000, 5000], 1000),
        ([250, 251, 252], 251),
        ([60_000, 60_000, 1], 60_000),
        ([10**9], 86_409_000),
    ],
)
def test_the_nominal_interval_is_the_median(steps: list[int], median: int | None) -> None:
    order = TimeOrder(0)
    times = np.cumsum(np.array([0, *steps], np.int64))
    order.push(times, [], np.arange(len(times)))
    order.finish()

    assert order.median_interval_ms() == median


@pytest.mark.parametrize(
    "header", ["time,volts,amps", "Time;Volts;AMPS", '"time"\t"volts"\t"amps"', " time , volts , amps "]
)
def test_headers_with_every_delimiter(header: str) -> None:
    read = read_header(header, None)

    assert [column.channel.name for column in read.columns] == ["volts", "amps"]
    assert [column.resolution for column in read.columns] == [0.001, 0.001]


def test_columns_that_are_no_channels_are_ignored_and_named() -> None:
    read = read_header("weather,time,volts,block_1_volts,", None)

    assert read.ignored == ("weather",)
    assert [(column.number, column.name) for column in read.columns] == [(2, "volts"), (3, "block_1_volts")]


def test_mapped_columns_feed_their_channels() -> None:
    mapping = {"When": ("time", 1.0), "U [V]": ("volts", 0.01), "I": ("amps", 0.001)}
    read = read_header("When;I;U [V];volts", mapping)

    assert (read.time, read.ignored) == (0, ("volts",))
    assert [(c.channel.name, c.number, c.resolution) for c in read.columns] == [("amps", 1, 0.001), ("volts", 2, 0.01)]


@pytest.mark.parametrize(
    ("header", "mapping", "found"),
    [
        ("", None, "''; expected a header with a column \"time\""),
        ("volts,amps", None, 'a header with a column "time"'),
        ("time", None, 'a header with a column "time"'),
        ("time,time,volts", None, "two columns"),
        ("time,watts", None, "at least one channel"),
        ("time,volts,Volts", None, "volts in two columns"),
        ("time,U", {"I": ("amps", 0.001)}, "also I, as mapped"),
        ("time,I", {"I": ("ampere", 0.001)}, 'column "I" mapped to "ampere"; expected volts, amps'),
        ("time,I", {"T": ("time", 1.0), "I": ("amps", 0.001)}, 'a column "T"'),
    ],
)
def test_headers_that_cannot_be_used_say_why(
    header: str, mapping: dict[str, tuple[str, float]] | None, found: str
) -> None:
    with pytest.raises(UnusableFile) as caught:
        read_header(header, mapping)
    assert found in str(caught.value)
    assert caught.value.line == 1


@settings(max_examples=2000, deadline=None)
@given(st.one_of(st.binary(max_size=300), st.text('0123456789.,-+eE"\n;: TZna', max_size=300).map(str.encode)))
def test_no_text_raises_anything_but_unusable_file(block: bytes) -> None:
    parser = ReadingsParser(read_header("time,volts,amps", None), VIENNA)
    try:
        taken = [parser.push(block), parser.finish()]
    except UnusableFile as fault:
        assert str(fault).isprintable()
    else:
        times = np.concatenate([columns.times_ms for columns in taken])
        assert (np.diff(times) > 0).all()
        assert (times < END_OF_TIMES_MS).all()
