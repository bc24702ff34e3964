"""Judges many cases in several processes, prints how far it has come, and the tables even when interrupted."""

from __future__ import annotations

import multiprocessing
import signal
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from functools import partial
from pathlib import Path
from types import FrameType
from typing import TypeVar

from simulators.judging.cases import batches
from simulators.judging.judge import Outcome, judge
from simulators.judging.kept import judge_again, judge_and_keep, kept_in
from simulators.judging.stream import Case
from simulators.judging.table import report

Group = TypeVar("Group")
Result = TypeVar("Result")
BATCH = 8
"""Cases simulated together: enough to be fast, few enough that progress is seen."""
_SIGNALS = (signal.SIGINT, signal.SIGTERM)


def run(cases: Sequence[Case], processes: int = 2, keep: Path | None = None) -> str:
    """Judge the cases and return the tables as text. After Ctrl-C or SIGTERM: of those that were done.

    `keep`: folder that takes the readings of each bank, for `run_again`.
    """
    # In an order drawn with the cases: what is done when somebody interrupts is a fair sample of all.
    groups = sorted(batches(cases, BATCH), key=lambda group: group[0].seed)
    work = judge if keep is None else partial(judge_and_keep, keep)
    return report(in_processes(work, groups, processes, _progress(len(cases))))


def run_again(folder: Path, processes: int = 2) -> str:
    """Judge the banks that were kept in a folder anew; as `run`."""
    paths = kept_in(folder)
    return report(in_processes(judge_again, [[path] for path in paths], processes, _progress(len(paths))))


def _progress(count: int) -> Callable[[Sequence[Outcome]], str]:
    def progress(done: Sequence[Outcome]) -> str:
        years = sum(outcome.case.days for outcome in done) / 365.25
        return f"{len(done)} of {count} banks, {years:.1f} bank-years"

    return progress


def in_processes(
    work: Callable[[Group], Sequence[Result]],
    groups: Sequence[Group],
    processes: int,
    progress: Callable[[Sequence[Result]], str],
) -> list[Result]:
    """What `work` makes of the groups, in several processes; `progress` says how far it has come. After Ctrl-C or
    SIGTERM: of those that were done."""
    results: list[Result] = []
    begun = time.monotonic()
    pool = ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), _ignore_interrupts)
    before = {number: signal.signal(number, _interrupt_once) for number in _SIGNALS}
    try:
        for done in as_completed([pool.submit(work, group) for group in groups]):
            results += done.result()
            _say(f"\r{progress(results)}, {_elapsed(begun)}")
    except KeyboardInterrupt:
        _say("\ninterrupted: tables of what was done")
        pool.shutdown(wait=False, cancel_futures=True)
        for worker in multiprocessing.active_children():
            worker.kill()
    else:
        for number, handler in before.items():
            signal.signal(number, handler)
    finally:
        pool.shutdown()
    _say("\n")
    return results


def _interrupt_once(number: int, frame: FrameType | None) -> None:
    """Ctrl-C or SIGTERM: the tables have to be made yet, so that a second one is not heard."""
    for heard in _SIGNALS:
        signal.signal(heard, signal.SIG_IGN)
    raise KeyboardInterrupt


def _ignore_interrupts() -> None:
    """Ctrl-C goes to the parent, which ends the workers."""
    for number in _SIGNALS:
        signal.signal(number, signal.SIG_IGN)


def _elapsed(begun: float) -> str:
    return f"{time.monotonic() - begun:.0f} s"


def _say(text: str) -> None:
    sys.stderr.write(text)
    sys.stderr.flush()
