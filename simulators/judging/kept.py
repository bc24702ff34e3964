"""Readings of judged banks, kept in a folder: findings that were mended judge the same banks again, not simulated anew.

Banks that something was mended on judge no longer: draw new ones for a figure that counts.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulators.judging.chemistry import LAYOUTS
from simulators.judging.faults import Fault
from simulators.judging.judge import MINUTES_A_DAY, Outcome, Watcher, judge
from simulators.judging.stream import Case, Chunk

_NOT_READ = np.iinfo(np.int32).min


def judge_and_keep(folder: Path, cases: Sequence[Case]) -> list[Outcome]:
    """Judge cases of one layout, and keep the readings of each in a file of its own."""
    return judge(cases, partial(_write, folder))


def judge_again(paths: Sequence[Path]) -> list[Outcome]:
    """Fold kept banks anew."""
    outcomes = []
    for path in paths:
        case, deepest, chunks = _read(path)
        watcher = Watcher(case, LAYOUTS[case.layout])
        for day, chunk in enumerate(chunks):
            watcher.push(day, chunk)
        watcher.outcome.deepest = deepest
        outcomes.append(watcher.outcome)
    return outcomes


def kept_in(folder: Path) -> list[Path]:
    """The kept banks of a folder, in the order of their seeds."""
    return sorted(folder.glob("*.npz"), key=lambda path: int(path.stem.rsplit("-", 1)[1]))


def _name(case: Case) -> str:
    cause = f"{case.fault.cause}-{case.fault.severity}" if case.fault else "healthy"
    return f"{case.layout}-{cause}-{case.seed}"


def _write(folder: Path, outcome: Outcome, chunks: Sequence[Chunk]) -> None:
    """Whole thousandths, as the fold takes them."""
    path = folder / f"{_name(outcome.case)}.npz"
    arrays: dict[str, Any] = {
        f"channel {name}": _whole(np.concatenate([chunk.channels[name] for chunk in chunks]))
        for name in chunks[0].channels
    }
    arrays["head"] = np.array(json.dumps({"case": asdict(outcome.case), "deepest": outcome.deepest}))
    arrays["times_ms"] = np.concatenate([chunk.times_ms for chunk in chunks])
    # A name that does not end as kept files do, so that one that was cut short is no kept bank.
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        np.savez_compressed(file, **arrays)
    part.rename(path)


def _whole(values: npt.NDArray[np.float64]) -> npt.NDArray[np.int32]:
    return np.where(np.isnan(values), _NOT_READ, np.rint(np.nan_to_num(values) * 1000.0)).astype(np.int32)


def _read(path: Path) -> tuple[Case, float, Iterator[Chunk]]:
    with np.load(path) as file:
        arrays = {name: file[name] for name in file.files}
    head = json.loads(str(arrays["head"]))
    fault = head["case"].pop("fault")
    case = Case(**head["case"], fault=None if fault is None else Fault(**fault))
    return case, head["deepest"], _days(case, arrays)


def _days(case: Case, arrays: dict[str, npt.NDArray[np.int64]]) -> Iterator[Chunk]:
    columns = {name.removeprefix("channel "): values for name, values in arrays.items() if name.startswith("channel ")}
    for begin in range(0, len(arrays["times_ms"]), MINUTES_A_DAY):
        day = slice(begin, begin + MINUTES_A_DAY)
        channels = {
            name: np.where(values[day] == _NOT_READ, np.nan, values[day] / 1000.0) for name, values in columns.items()
        }
        yield Chunk(case, arrays["times_ms"][day], channels)
