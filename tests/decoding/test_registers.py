from __future__ import annotations

import math
import struct
from itertools import pairwise
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loggerd.decoding.registers import (
    MOST_COUNT,
    MOST_REGISTERS,
    ByteOrder,
    Read,
    RegisterPlace,
    RegisterType,
    Table,
    decode,
    decode_scan,
    plan_reads,
)
from loggerd.model.channels import MISSING

WORDS_OF = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "int64": 4, "uint64": 4, "float32": 2, "float64": 4}


def words(wire: str) -> dict[int, int]:
    """Registers from address 0 on, from the bytes on the wire in hexadecimal."""
    data = bytes.fromhex(wire)
    return dict(enumerate(struct.unpack(f">{len(data) // 2}H", data)))


# The four orders of 123456.0 on the wire, as libmodbus documents its bytes.
@pytest.mark.parametrize(
    ("order", "wire"),
    [("ABCD", "47 F1 20 00"), ("CDAB", "20 00 47 F1"), ("BADC", "F1 47 00 20"), ("DCBA", "00 20 F1 47")],
)
def test_float_orders_by_their_bytes(order: ByteOrder, wire: str) -> None:
    place = RegisterPlace("holding", 0, "float32", order, resolution=0.5)
    assert decode(place, words(wire)) == 246912


@pytest.mark.parametrize(
    ("wire", "resolution", "count"),
    [("41 53 33 33", 0.1, 132), ("C1 48 00 00", 0.5, -25), ("00 00 00 00", 0.001, 0)],
)
def test_published_floats(wire: str, resolution: float, count: int) -> None:
    assert decode(RegisterPlace("holding", 0, "float32", resolution=resolution), words(wire)) == count


@pytest.mark.parametrize(
    ("type_", "order", "wire", "count"),
    [
        ("uint16", "ABCD", "E3 95", 0xE395),
        ("int16", "ABCD", "FF 83", -125),
        ("int16", "BADC", "83 FF", -125),
        ("int16", "CDAB", "FF 83", -125),
        ("uint32", "ABCD", "00 01 E2 40", 123456),
        ("int32", "CDAB", "1D C0 FF FE", -123456),
        ("int32", "DCBA", "C0 1D FE FF", -123456),
        ("uint64", "ABCD", "00 00 00 00 00 01 E2 40", 123456),
        ("uint64", "CDAB", "E2 40 00 01 00 00 00 00", 123456),
        ("int64", "BADC", "FF FF FF FF FE FF C0 1D", -123456),
        ("int64", "DCBA", "C0 1D FE FF FF FF FF FF", -123456),
        ("uint64", "ABCD", "FF FF FF FF FF FF FF FF", 2**63 - 1),
    ],
)
def test_whole_numbers(type_: RegisterType, order: ByteOrder, wire: str, count: int) -> None:
    assert decode(RegisterPlace("holding", 0, type_, order), words(wire)) == count


@given(value=st.integers(-(2**31), 2**31 - 1), order=st.sampled_from(get_args(ByteOrder)))
def test_every_order_brings_back_what_was_sent(value: int, order: ByteOrder) -> None:
    a, b, c, d = struct.pack(">i", value)
    bytes_of = {"A": a, "B": b, "C": c, "D": d}
    wire = bytes(bytes_of[letter] for letter in order)
    assert decode(RegisterPlace("input", 0, "int32", order), words(wire.hex())) == value


@given(st.floats(width=64), st.sampled_from((0.001, 0.1, 1.0)))
def test_any_float_is_a_count_within_bounds_or_missing(value: float, resolution: float) -> None:
    place = RegisterPlace("holding", 0, "float64", resolution=resolution)
    count = decode(place, words(struct.pack(">d", value).hex()))
    if math.isnan(value):
        assert count == MISSING
    elif abs(value / resolution) < MOST_COUNT:
        assert abs(count - value / resolution) <= 0.5
    else:
        assert count == math.copysign(MOST_COUNT, value)


@pytest.mark.parametrize(
    ("place", "wire"),
    [
        (RegisterPlace("holding", 0, "int16", not_a_value=(32768,)), "80 00"),
        (RegisterPlace("holding", 0, "int16", not_a_value=(-32768,)), "80 00"),
        (RegisterPlace("holding", 0, "uint32", not_a_value=(0xFFFFFFFF,)), "FF FF FF FF"),
        (RegisterPlace("holding", 0, "float32", not_a_value=(-9999,)), "C6 1C 3C 00"),
        (RegisterPlace("holding", 0, "float32"), "7F C0 00 00"),
        (RegisterPlace("holding", 0, "int32"), "80 00"),
        (RegisterPlace("holding", 7, "int16"), "80 00"),
    ],
)
def test_no_value(place: RegisterPlace, wire: str) -> None:
    assert decode(place, words(wire)) == MISSING


@pytest.mark.parametrize(
    ("raw", "power", "resolution", "count"),
    [
        (5230, 0xFFFE, 0.01, 5230),  # 52.30
        (0xFF83, 0xFFFF, 0.1, -125),  # -12.5
        (7, 2, 1.0, 700),
        (7, 0x8000, 1.0, MISSING),
        (7, 11, 1.0, MISSING),
        (7, None, 1.0, MISSING),
    ],
)
def test_scale_register(raw: int, power: int | None, resolution: float, count: int) -> None:
    place = RegisterPlace("holding", 0, "int16", scale_address=5, resolution=resolution)
    read = {0: raw} if power is None else {0: raw, 5: power}
    assert decode(place, read) == count


def test_a_scan_takes_each_place_from_its_own_table() -> None:
    places = (
        RegisterPlace("input", 3),
        RegisterPlace("holding", 3),
        RegisterPlace("coil", 3),
        RegisterPlace("discrete", 3),
    )
    assert decode_scan(places, {"input": {3: 10}, "holding": {3: 20}, "coil": {3: 1}}) == (10, 20, 1, MISSING)


@pytest.mark.parametrize(
    "wrong",
    [
        {"table": "registers"},
        {"type": "int24"},
        {"order": "BACD"},
        {"address": -1},
        {"address": 65535, "type": "uint32"},
        {"scale_address": 65536},
        {"resolution": 0.0},
        {"resolution": math.nan},
        {"table": "coil", "scale_address": 3},
    ],
)
def test_impossible_places_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        RegisterPlace(**{"table": "holding", "address": 0, **wrong})  # type: ignore[arg-type]


def test_neighbours_are_read_together_and_holes_are_not_read() -> None:
    places = (
        RegisterPlace("holding", 12, "float32"),
        RegisterPlace("holding", 10, "uint32", scale_address=14),
        RegisterPlace("holding", 16),
        RegisterPlace("input", 15),
    )
    assert plan_reads(places) == (Read("holding", 10, 5), Read("holding", 16, 1), Read("input", 15, 1))
    assert plan_reads(places, gap=1) == (Read("holding", 10, 7), Read("input", 15, 1))


def test_full_requests_and_neighbours_differ_in_length() -> None:
    reads = plan_reads([RegisterPlace("holding", address) for address in range(500)])
    counts = [read.count for read in reads]
    assert max(counts) == MOST_REGISTERS
    assert sum(counts) == 500
    assert all(one != next_ for one, next_ in pairwise(counts))
    apart = plan_reads([RegisterPlace("holding", a) for a in (0, 1, 10, 11, 20, 30)])
    assert [read.count for read in apart] == [2, 1, 2, 1]


place_lists = st.lists(
    st.builds(
        RegisterPlace,
        table=st.sampled_from(get_args(Table)[:2]),
        address=st.integers(0, 400) | st.integers(65000, 65532),
        type=st.sampled_from(get_args(RegisterType)),
        scale_address=st.none() | st.integers(0, 400),
    ),
    max_size=60,
)


@given(places=place_lists, gap=st.integers(0, 5))
def test_every_place_lies_whole_in_one_request_and_nothing_else_is_read(places: list[RegisterPlace], gap: int) -> None:
    reads = plan_reads(places, gap)
    wanted: set[tuple[str, int]] = set()
    for place in places:
        value = set(range(place.address, place.address + WORDS_OF[place.type]))
        assert any(r.table == place.table and value <= set(range(r.address, r.address + r.count)) for r in reads)
        wanted |= {(place.table, address) for address in value}
        if place.scale_address is not None:
            wanted.add((place.table, place.scale_address))
    read = {(r.table, address) for r in reads for address in range(r.address, r.address + r.count)}
    assert wanted <= read
    assert all(1 <= r.count <= MOST_REGISTERS and r.address + r.count <= 65536 for r in reads)
    if gap == 0:
        assert read == wanted
