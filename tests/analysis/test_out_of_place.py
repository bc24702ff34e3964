"""Rows of a file whose time repeats or runs backward: kept and marked, and summed only where their place is known."""

from __future__ import annotations

import numpy as np
from fold_tools import block, of_ledger, plan, series, whole

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.model.ledger import Entry, LedgerName, MarkSpan
from loggerd.model.marks import Mark
from loggerd.model.scan import ScanBlock


def _fold(
    order: list[int], walls: list[int], milliamps: list[int], interval_ms: int
) -> tuple[list[Entry], list[MarkSpan]]:
    at, wall = np.array(order, dtype=np.int64), np.array(walls, dtype=np.int64)
    plain = block(at, [np.array(milliamps, dtype=np.int64), 50_000 - np.arange(len(at))])
    shifted = ScanBlock(plain.device, 1, plain.series, at, wall - at, plain.clock, plain.counts)
    fold = BankFold(plan({"amps": series("amps"), "volts": series("volts")}))
    settled = fold.push(SessionAxis(1, 0, interval_ms={"meter": interval_ms}, by_wall=True), [shifted])
    marks = [span for results in (settled, fold.view()) for span in results.marks]
    return of_ledger(whole([settled], fold), LedgerName.PHASES), marks


def test_a_backward_row_is_marked_and_not_summed() -> None:
    order = [number * 1000 for number in range(600)]
    walls = list(order)
    amps = [-10_000] * 600
    order.insert(301, 300_001)
    walls.insert(301, 5_000)
    amps.insert(301, -900_000)

    phases, marks = _fold(order, walls, amps, 1000)

    assert [phase.kind for phase in phases] == ["discharge"]
    assert abs(phases[0].figure("amp_hours").value - 10 * 599 / 3600) < 1e-9
    assert phases[0].figure("readings_left_out").value == 1
    assert [(Mark(span.mark), span.readings) for span in marks] == [(Mark.BACKWARD_TIME, 1)]


def test_a_repeated_time_is_marked_and_shows_the_switch_to_the_millisecond() -> None:
    order = [number * 60_000 for number in range(121)]
    walls = list(order)
    amps = [-10_000] * 61 + [0] * 60
    order.insert(61, 3_600_001)
    walls.insert(61, 3_600_000)
    amps.insert(61, 0)

    phases, marks = _fold(order, walls, amps, 60_000)

    assert [phase.kind for phase in phases] == ["discharge", "rest"]
    assert abs(phases[0].figure("amp_hours").value - 10.0) < 1e-9
    assert phases[0].end.at_ms == 3_600_000
    assert [(Mark(span.mark), span.readings) for span in marks] == [(Mark.REPEATED_TIME, 1)]
