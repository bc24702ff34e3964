from __future__ import annotations

import pytest

from loggerd.decoding.sunspec import BATTERY_POINTS, BATTERY_WORDS, ModelBlock, SunSpecPlace, battery_counts
from loggerd.model.channels import MISSING


def battery(**words: int) -> list[int]:
    """The words of a battery model whose points are all not implemented, but for those given by their offset
    (o34=...).
    """
    model = [0xFFFF] * BATTERY_WORDS
    model[0:2] = [802, 62]
    for offset in (44, 47, 49, *range(52, 64)):
        model[offset] = 0x8000
    for name, word in words.items():
        model[int(name[1:])] = word
    return model


# Offsets as published: V 34 with V_SF 59, A 44 with A_SF 61, SoC 11 with SoC_SF 56, CellVMin 40 with CellV_SF
# 60.
@pytest.mark.parametrize(
    ("place", "words", "count"),
    [
        (SunSpecPlace("V", 0.01), battery(o34=5230, o59=0xFFFE), 5230),  # 52.30 V
        (SunSpecPlace("V", 0.001), battery(o34=5230, o59=0xFFFE), 52300),
        (SunSpecPlace("A", 0.1), battery(o44=0xFF83, o61=0xFFFF), -125),  # -12.5 A
        (SunSpecPlace("A", 0.001), battery(o44=3, o61=1), 30_000),
        (SunSpecPlace("SoC", 0.1), battery(o11=873, o56=0xFFFF), 873),  # 87.3 %
        (SunSpecPlace("CellVMin", 0.001), battery(o40=2051, o60=0xFFFD), 2051),
        (SunSpecPlace("NCyc", 1), battery(o14=1, o15=2), 65538),
        (SunSpecPlace("ChaSt", 1), battery(o16=4), 4),
    ],
)
def test_points(place: SunSpecPlace, words: list[int], count: int) -> None:
    assert battery_counts([place], words) == (count,)


@pytest.mark.parametrize(
    ("point", "words"),
    [
        ("V", battery(o59=0xFFFE)),
        ("A", battery(o61=0xFFFF)),
        ("V", battery(o34=5230)),
        ("V", battery(o34=5230, o59=11)),
        ("NCyc", battery()),
        ("ChaSt", battery()),
        ("V", battery(o34=5230, o59=0)[:34]),
        ("V", battery(o34=5230, o59=0)[:59]),
    ],
)
def test_what_is_not_implemented_is_missing(point: str, words: list[int]) -> None:
    assert battery_counts([SunSpecPlace(point, 0.01)], words) == (MISSING,)


def test_every_point_of_an_unimplemented_battery_is_missing() -> None:
    places = [SunSpecPlace(point) for point in BATTERY_POINTS]
    assert set(battery_counts(places, battery())) == {MISSING}


def test_points_fill_the_model_without_overlap() -> None:
    words = [
        offset + i
        for point in BATTERY_POINTS.values()
        for i, offset in enumerate([point.offset] * (2 if point.type == "uint32" else 1))
    ]
    assert sorted(words) == list(range(2, 52))
    assert {p.scale_offset for p in BATTERY_POINTS.values() if p.scale_offset} == set(range(52, 64))


def test_a_place_names_a_point_that_exists() -> None:
    with pytest.raises(ValueError, match="SoC"):
        SunSpecPlace("Soc")
    with pytest.raises(ValueError):
        SunSpecPlace("V", 0)


def test_chain() -> None:
    common = ModelBlock(40002, 1, 66)
    assert common.next_address == 40070
    assert ModelBlock(40070, 0xFFFF, 0).is_end
    assert not common.is_end
