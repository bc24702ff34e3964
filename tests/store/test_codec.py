"""Columns come back as they were, and damaged bytes never come back as numbers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loggerd.errors import StoreDamaged
from loggerd.model.channels import MISSING
from loggerd.model.scan import ScanBlock
from loggerd.store.bundle import decode_bundle, encode_bundle
from loggerd.store.codec import (
    decode_block,
    encode_block,
    pack_column,
    read_number,
    unpack_column,
    write_number,
)

TAG = (7, 3, -12)
extremes = st.sampled_from([MISSING, MISSING + 1, -1, 0, 1, 2**31, -(2**31), 2**63 - 1])
values = st.one_of(st.integers(-300, 300), st.integers(-(2**63), 2**63 - 1), extremes)
columns = st.lists(values, min_size=1, max_size=60).map(lambda v: np.array(v, dtype=np.int64))
slopes = st.builds(
    lambda start, step, n, noise: np.array(
        [start + step * i + noise[i % len(noise)] for i in range(n)], dtype=np.int64
    ),
    st.integers(-(2**50), 2**50),
    st.integers(-(2**30), 2**30),
    st.integers(1, 60),
    st.lists(st.integers(-3, 3), min_size=1, max_size=5),
)


@given(st.integers(-(2**63), 2**63 - 1))
def test_numbers_come_back(value: int) -> None:
    raw = write_number(value)
    assert read_number(b"x" + raw + b"y", 1) == (value, 1 + len(raw))


@given(st.one_of(columns, slopes))
def test_column_comes_back(column: np.ndarray) -> None:
    raw = pack_column(column)
    found, end = unpack_column(b"before" + raw, 6, len(column))
    assert end == 6 + len(raw)
    assert found.dtype == np.int64
    assert np.array_equal(found, column)


@given(st.integers(1, 40), st.data())
def test_block_comes_back_whole_and_in_part(n: int, data: st.DataObject) -> None:
    some = [(i - 3, np.array(data.draw(st.lists(values, min_size=n, max_size=n)), dtype=np.int64)) for i in range(5)]
    payload = encode_block(TAG, some)
    whole = decode_block(payload, TAG)
    assert list(whole.by_id) == [identity for identity, _ in some]
    assert all(np.array_equal(whole.by_id[identity], column) for identity, column in some)
    part = decode_block(payload, TAG, {-3, 1})
    assert set(part.by_id) == {-3, 1}
    assert np.array_equal(part.by_id[1], some[4][1])


def test_even_stamps_and_constants_cost_next_to_nothing() -> None:
    stamps = np.arange(3600, dtype=np.int64) * 1000 + 1_760_000_000_123
    assert len(pack_column(stamps)) < 16
    assert len(pack_column(np.full(3600, -17, dtype=np.int64))) == 2


def test_block_in_the_wrong_place_is_refused() -> None:
    payload = encode_block(TAG, [(1, np.arange(5, dtype=np.int64))])
    with pytest.raises(StoreDamaged, match="not in its place"):
        decode_block(payload, (7, 3, -11))


@settings(max_examples=300)
@given(st.lists(st.integers(-400, 400), min_size=2, max_size=50), st.data())
def test_damaged_block_never_gives_other_numbers(numbers: list[int], data: st.DataObject) -> None:
    column = np.array(numbers, dtype=np.int64)
    payload = encode_block(TAG, [(-1, np.arange(len(column), dtype=np.int64)), (4, column)])
    damaged = bytearray(payload)
    if data.draw(st.booleans()):
        bit = data.draw(st.integers(0, len(payload) * 8 - 1))
        damaged[bit // 8] ^= 1 << bit % 8
    else:
        damaged = damaged[: data.draw(st.integers(0, len(payload) - 1))]
    try:
        found = decode_block(bytes(damaged), TAG).by_id
    except StoreDamaged:
        return
    # A bit that deflate does not look at (padding behind the last code) changes nothing.
    assert np.array_equal(found[4], column)
    assert np.array_equal(found[-1], np.arange(len(column)))


def _block(device: str, ids: tuple[int, ...], n: int) -> ScanBlock:
    stamps = np.arange(n, dtype=np.int64) * 1000 + 5
    rest = tuple(np.arange(n, dtype=np.int64) * i for i in ids)
    return ScanBlock(device, 7, ids, stamps, stamps * 0 + 10**12, stamps * 0, rest)


@given(st.data())
def test_damaged_commit_never_gives_other_numbers(data: st.DataObject) -> None:
    blocks = [(1, _block("a", (1, 2), 4)), (2, _block("b", (3,), 5))]
    payload = bytearray(encode_bundle(TAG, blocks))
    bit = data.draw(st.integers(0, len(payload) * 8 - 1))
    payload[bit // 8] ^= 1 << bit % 8
    try:
        found = decode_bundle(bytes(payload), TAG, {1: "a", 2: "b"}.__getitem__)
    except StoreDamaged:
        return
    assert [block.device for block in found] == ["a", "b"]
    assert np.array_equal(found[0].counts[1], blocks[0][1].counts[1])
    assert np.array_equal(found[1].mono_ms, blocks[1][1].mono_ms)


def test_commit_gives_only_the_wanted_series() -> None:
    payload = encode_bundle(TAG, [(1, _block("a", (1, 2), 4)), (2, _block("b", (3,), 5))])
    (found,) = decode_bundle(payload, TAG, {1: "a", 2: "b"}.__getitem__, {2})
    assert found.series == (2,)
    assert np.array_equal(found.counts[0], np.arange(4) * 2)


@given(st.binary(max_size=200))
def test_nonsense_is_damage(nonsense: bytes) -> None:
    with pytest.raises(StoreDamaged):
        decode_block(nonsense, TAG)
    with pytest.raises(StoreDamaged):
        decode_bundle(nonsense, TAG, str)
