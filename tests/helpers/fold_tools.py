"""Builds plans and blocks for tests of the fold, straight from arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from loggerd.analysis.axis import SessionAxis
from loggerd.analysis.fold import BankFold
from loggerd.analysis.plan import BankPlan, Rules
from loggerd.decoding.inference import reading_noise, usual_interval_ms
from loggerd.model.bank import Accuracy, Bank, BankType, Series, SeriesScale
from loggerd.model.channels import parse_channel
from loggerd.model.ledger import Entry, LedgerName
from loggerd.model.results import FoldResults
from loggerd.model.scan import ScanBlock

AXIS = SessionAxis(1, 0)


def axis(interval_ms: int = 1000, device: str = "meter") -> SessionAxis:
    return SessionAxis(1, 0, interval_ms={device: interval_ms})


NO_LIMIT = (-(10**9), 10**9)


def bank(rated_amp_hours: float = 200.0, blocks: int = 4, cells: int = 6, strings: int = 1) -> Bank:
    return Bank("bank", BankType.FLOODED_ANTIMONY, strings, blocks, cells, rated_amp_hours, 20.0)


def series(
    channel: str, accuracy: Accuracy | None = None, device: str = "meter", valid: tuple[int, int] = NO_LIMIT
) -> Series:
    scale = SeriesScale(None, 1.0, 0.0, valid, accuracy or Accuracy())
    return Series(device, "bank", parse_channel(channel), channel, 0.001, "", (scale,))


def plan(channels: Mapping[str, Series], of: Bank | None = None, rules: Rules | None = None) -> BankPlan:
    """A plan whose series ids are the positions in `channels`."""
    whole = of or bank()
    return BankPlan(whole, dict(enumerate(channels.values())), rules or Rules())


def block(
    at_ms: np.ndarray, columns: Sequence[np.ndarray], device: str = "meter", ids: Sequence[int] | None = None
) -> ScanBlock:
    zeros = np.zeros(len(at_ms), dtype=np.int64)
    return ScanBlock(
        device,
        1,
        tuple(ids) if ids is not None else tuple(range(len(columns))),
        at_ms.astype(np.int64),
        zeros,
        zeros,
        tuple(column.astype(np.int64) for column in columns),
    )


def whole(results: Sequence[FoldResults], fold: BankFold) -> list[Entry]:
    """All settled entries, then what stands open."""
    return [entry for one in [*results, fold.view()] for entry in one.entries]


def fold_arrays(
    t_seconds: np.ndarray,
    amps: np.ndarray,
    volts: np.ndarray,
    of: Bank | None = None,
    gain: float | None = None,
    offset: float | None = None,
) -> list[Entry]:
    """Fold one device's current and voltage as a file without stated accuracy would be."""
    at_ms = np.rint(t_seconds * 1000).astype(np.int64)
    milliamps, millivolts = np.rint(amps * 1000).astype(np.int64), np.rint(volts * 1000).astype(np.int64)
    rated = (of or bank()).rated_amp_hours
    noise = min(reading_noise(milliamps) / 1000, rated / 100)
    channels = {"amps": series("amps", Accuracy(gain, offset, noise, 0.001)), "volts": series("volts")}
    fold = BankFold(plan(channels, of))
    settled = fold.push(axis(usual_interval_ms(at_ms)), [block(at_ms, [milliamps, millivolts])])
    return whole([settled], fold)


def of_ledger(entries: Sequence[Entry], ledger: LedgerName) -> list[Entry]:
    return [entry for entry in entries if entry.ledger is ledger]
