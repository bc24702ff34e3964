from __future__ import annotations

import re
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from loggerd.decoding.decimal_text import count_from_text, steps_per_unit
from loggerd.decoding.text_lines import (
    Checksum,
    LineField,
    LineFormat,
    LineSplitter,
    checksum_digits,
    parse_line,
)
from loggerd.model.channels import MISSING

MILLI = (LineField("volts", 0.001), LineField("amps", 0.001))
PATTERN = LineFormat(pattern=r"V=(?P<volts>\S*) A=(?P<amps>\S*)(?: T=(?P<celsius>\S*))?")
DELIMITED = LineFormat(delimiter=";", fields=("volts", "", "amps"))
PAIRS = LineFormat(key_value=True)


@pytest.mark.parametrize(
    ("text", "resolution", "count"),
    [
        ("12.345", 0.001, 12345),
        ("-12,345", 0.001, -12345),
        ("+7", 0.001, 7000),
        ("0.0005", 0.001, 0),  # halves go to the even count
        ("0.0015", 0.001, 2),
        ("-0.0015", 0.001, -2),
        ("1.5e2", 0.1, 1500),
        ("12.3", 0.05, 246),
        ("1", 3.0, 0),
        ("5.", 0.5, 10),
        (".5", 0.5, 1),
        ("4.35", 0.01, 435),  # 4.35 / 0.01 in floats is 434.99999999999994
        ("9223372036854775.807", 0.001, 2**63 - 1),
    ],
)
def test_decimal_text_becomes_the_exact_count(text: str, resolution: float, count: int) -> None:
    assert count_from_text(text, resolution) == count


@pytest.mark.parametrize(
    "text",
    [
        "",
        "-",
        ".",
        "1.234,5",
        "0x10",
        "1_0",
        "nan",
        "inf",
        "1e9999",
        "٣",
        "9223372036854775.808",
        "1 2",
        "9" * 50,
    ],
)
def test_what_is_not_a_plain_number_has_no_count(text: str) -> None:
    assert count_from_text(text, 0.001) is None


@given(st.integers(-(10**15), 10**15), st.integers(0, 9), st.sampled_from([1.0, 0.1, 0.01, 0.001, 0.05, 0.25]))
def test_counts_equal_exact_fractions(mantissa: int, places: int, resolution: float) -> None:
    sign = "-" if mantissa < 0 else ""
    digits = str(abs(mantissa)).rjust(places + 1, "0")
    text = f"{sign}{digits[: len(digits) - places]}.{digits[len(digits) - places :]}"

    wanted = round(Fraction(mantissa, 10**places) / Fraction(str(resolution)))

    assert count_from_text(text, resolution) == wanted


@pytest.mark.parametrize("resolution", [0.0, -1.0, float("nan"), float("inf")])
def test_a_resolution_must_be_positive(resolution: float) -> None:
    with pytest.raises(ValueError, match="positive"):
        steps_per_unit(resolution)


@pytest.mark.parametrize(
    ("line_format", "line"),
    [
        (PATTERN, b"V=48.123 A=-5.2"),
        (DELIMITED, b"48.123;junk;-5,2"),
        (PAIRS, b"amps=-5.2, volts=48.123 ; mode=x"),
        (LineFormat(key_value=True, pair_separator="&", key_separator=":"), b"amps : -5.2&volts:48.123"),
    ],
)
def test_every_form_gives_counts_in_the_order_asked(line_format: LineFormat, line: bytes) -> None:
    assert parse_line(line_format, MILLI, line) == (48123, -5200)


@pytest.mark.parametrize(
    ("line_format", "line", "counts"),
    [
        (PATTERN, b"V= A=1", (MISSING, 1000)),
        (DELIMITED, b"---;;1", (MISSING, 1000)),
        (PAIRS, b"amps=1", (MISSING, 1000)),
        (PAIRS, b"volts=OL amps=1", (MISSING, 1000)),
    ],
)
def test_absent_and_unreadable_fields_are_missing(
    line_format: LineFormat, line: bytes, counts: tuple[int, int]
) -> None:
    assert parse_line(line_format, MILLI, line) == counts


def test_an_optional_group_that_did_not_take_part_is_missing() -> None:
    assert parse_line(PATTERN, [("celsius", 0.1)], b"V=1 A=2") == (MISSING,)
    assert parse_line(PATTERN, [("celsius", 0.1)], b"V=1 A=2 T=21.5") == (215,)


@pytest.mark.parametrize(
    ("line_format", "line", "reason"),
    [
        (PATTERN, b"V=48.123 A", "does not match"),
        (PATTERN, b"V=1 A=2 and more", "does not match"),
        (DELIMITED, b"48.123;junk", "has 2 fields, not 3"),
        (PAIRS, b"volts=1 volts=2", "comes twice"),
        (PAIRS, b"volts=12,5 amps=1", "no '='"),
        (PAIRS, b"watts=12", "none of volts, amps"),
        (PAIRS, b"", "none of volts, amps"),
        (PAIRS, b"volts=1\xff", "not ascii text"),
        (PAIRS, b"volts=" + b"1" * 5000, "longer than 4096"),
        (LineFormat(key_value=True, start="$"), b"volts=1", "does not begin with"),
    ],
)
def test_a_line_that_does_not_fit_is_refused_with_the_reason(line_format: LineFormat, line: bytes, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        parse_line(line_format, MILLI, line)


# Well-known check values: "123456789" has the Modbus CRC 4B37 and the byte sum 477 = 0x1DD; the exclusive-or
# of the digits 1 to 9 is 0x31. A positioning sentence of NMEA 0183 as printed in many texts has 47.
@pytest.mark.parametrize(
    ("checksum", "body", "digits"),
    [
        (Checksum.CRC16_HEX, b"123456789", b"4B37"),
        (Checksum.SUM_HEX, b"123456789", b"DD"),
        (Checksum.XOR_HEX, b"123456789", b"31"),
        (Checksum.XOR_HEX, b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", b"47"),
        (Checksum.NONE, b"123456789", b""),
    ],
)
def test_checksums_have_their_published_values(checksum: Checksum, body: bytes, digits: bytes) -> None:
    assert checksum_digits(checksum, body) == digits


@pytest.mark.parametrize("checksum", [Checksum.XOR_HEX, Checksum.SUM_HEX, Checksum.CRC16_HEX])
def test_a_right_checksum_is_taken_and_any_changed_byte_refused(checksum: Checksum) -> None:
    line_format = LineFormat(key_value=True, checksum=checksum, start="$")
    body = b" volts=48.1 amps=3"
    good = b"$" + body + b"*" + checksum_digits(checksum, body)

    assert parse_line(line_format, MILLI, good.lower()) == (48100, 3000)
    for place in range(len(good)):
        damaged = good[:place] + bytes([good[place] ^ 1]) + good[place + 1 :]
        with pytest.raises(ValueError, match=r"checksum|begin"):
            parse_line(line_format, MILLI, damaged)
    with pytest.raises(ValueError, match="no checksum"):
        parse_line(line_format, MILLI, b"$" + body)


@pytest.mark.parametrize(
    ("keys", "reason"),
    [
        ({}, "exactly one"),
        ({"pattern": "(?P<a>.)", "key_value": True}, "exactly one"),
        ({"pattern": "(?P<a>"}, "not a regular expression"),
        ({"pattern": "[0-9]+"}, "named groups"),
        ({"delimiter": "", "fields": ("a",)}, "not be empty"),
        ({"delimiter": ","}, "names of the fields"),
        ({"delimiter": ",", "fields": ("a", "a")}, "same name"),
        ({"key_value": True, "key_separator": ""}, "separators"),
        ({"key_value": True, "encoding": "hex"}, "encoding 'hex'"),
        ({"key_value": True, "encoding": "no-such"}, "encoding 'no-such'"),
        ({"key_value": True, "checksum": Checksum.XOR_HEX, "checksum_separator": ""}, "needs a separator"),
        ({"key_value": True, "longest": 100_000}, "longest line"),
    ],
)
def test_a_description_that_cannot_be_used_says_why(keys: dict[str, object], reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        LineFormat(**keys)  # type: ignore[arg-type]


def test_the_fields_that_can_be_asked_for_are_known() -> None:
    assert PATTERN.names() == ("volts", "amps", "celsius")
    assert DELIMITED.names() == ("volts", "", "amps")
    assert PAIRS.names() is None


FORMATS = [
    PATTERN,
    DELIMITED,
    PAIRS,
    LineFormat(key_value=True, checksum=Checksum.XOR_HEX, start="$", encoding="utf-8"),
    LineFormat(delimiter=",", fields=("volts", "amps"), checksum=Checksum.CRC16_HEX, encoding="utf-16"),
]
LIKELY_BYTES = st.text("volts amps=VA;,.*$-+eE0123456789 \t", max_size=80).map(str.encode)


@settings(max_examples=10_000, deadline=None)
@given(st.sampled_from(FORMATS), st.one_of(st.binary(max_size=200), LIKELY_BYTES))
@example(PAIRS, b"=" * 4096)
@example(PATTERN, b"V=" + b" A=" * 1000)
def test_no_line_raises_anything_but_value_error(line_format: LineFormat, line: bytes) -> None:
    try:
        counts = parse_line(line_format, MILLI, line)
    except ValueError as error:
        assert str(error)
        assert str(error).isprintable()
        assert len(str(error)) < 300
    else:
        assert len(counts) == 2
        assert all(-(2**63) <= count < 2**63 for count in counts)


def test_the_splitter_takes_every_line_end_and_leaves_out_nothing_lines() -> None:
    splitter = LineSplitter()

    lines = splitter.push(b"rest of a line\r\none\ntwo\rthree\r\n\r\n\n\0fo\0ur\0\nfive")

    assert lines == [b"one", b"two", b"three", b"four"]
    assert splitter.push(b"\r") == [b"five"]


def test_the_first_part_after_a_reset_is_dropped() -> None:
    splitter = LineSplitter()
    splitter.push(b"x\none\nhalf")

    splitter.reset()

    assert splitter.push(b" of another\ntwo\n") == [b"two"]
    assert splitter.dropped_bytes == len(b"x") + len(b" of another")


def test_a_line_without_end_is_dropped_whole_in_bounded_memory() -> None:
    splitter = LineSplitter(limit=100)
    splitter.push(b"\n")

    for _ in range(1000):
        assert splitter.push(b"x" * 1000) == []
        assert len(splitter._rest) <= 100
    lines = splitter.push(b"xx\ngood\n")

    assert lines == [b"good"]
    assert splitter.overlong == 1
    assert splitter.dropped_bytes == 1000 * 1000 + 2


@given(st.lists(st.binary(max_size=30), max_size=20), st.data())
def test_lines_do_not_depend_on_how_the_bytes_arrive(parts: list[bytes], data: st.DataObject) -> None:
    stream = b"\n".join(parts).replace(b"a", b"\r\n")
    whole, bytewise = LineSplitter(limit=25), LineSplitter(limit=25)
    cut = data.draw(st.integers(0, len(stream)))

    lines = whole.push(stream[:cut]) + whole.push(stream[cut:])
    singly = [line for byte in stream for line in bytewise.push(bytes([byte]))]

    assert lines == singly
    assert whole.overlong == bytewise.overlong
    ended = re.split(rb"[\r\n]", stream.replace(b"\0", b""))
    assert lines == [line for line in ended[1:-1] if line and len(line) <= 25]
