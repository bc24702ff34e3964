"""Columns of scans."""

from __future__ import annotations

import numpy as np

from loggerd.model.scan import ClockState, ScanBlock


def test_a_slice_is_a_block_of_its_own_over_the_same_readings() -> None:
    mono = np.array([10, 20, 30, 40])
    block = ScanBlock("meter", 2, (7, 9), mono, mono + 100, np.array([1, 1, 0, 0]), (mono * 2, mono * 3))
    part = block.slice(1, 3)
    assert len(block) == 4
    assert len(part) == 2
    assert (part.device, part.boot, part.series) == ("meter", 2, (7, 9))
    assert part.mono_ms.tolist() == [20, 30]
    assert part.wall_minus_mono_ms.tolist() == [120, 130]
    assert part.clock.tolist() == [ClockState.NOT_SET, ClockState.SET]
    assert [column.tolist() for column in part.counts] == [[40, 60], [60, 90]]
    assert np.shares_memory(part.counts[0], block.counts[0])
    assert len(block.slice(4, 9)) == 0
