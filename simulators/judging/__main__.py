"""`python -m simulators.judging`: judge findings by simulated banks; `--list`, `--show CAUSE`: look at the streams."""

from __future__ import annotations

import argparse
import csv
import sys
from datetime import UTC, datetime
from pathlib import Path

from simulators.judging.cases import draw_cases, fresh_entropy, healthy_cases
from simulators.judging.chemistry import LAYOUTS, SITES
from simulators.judging.faults import CAUSES, HEALTHY, SEVERITIES, Fault, draw_fault, possible
from simulators.judging.kept import kept_in
from simulators.judging.run import run, run_again
from simulators.judging.stream import FULL_FILL, Case, Chunk, Truth, whole_stream


def main(arguments: list[str] | None = None) -> int:
    """Parse, simulate, print. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m simulators.judging", description=__doc__)
    parser.add_argument("--list", action="store_true", help="causes and layouts")
    parser.add_argument("--show", metavar="CAUSE", choices=(HEALTHY, *CAUSES), help="simulate one bank")
    parser.add_argument("--site", choices=LAYOUTS, default="solar", help="layout of the bank (default solar)")
    parser.add_argument("--severity", choices=SEVERITIES, default="moderate")
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--begin", type=int, default=None, help="day on which the fault begins (default: half way)")
    parser.add_argument("--season", type=int, default=100, help="day of the year at the start (default 100)")
    parser.add_argument("--seed", type=int, default=None, help="of the bank (default: a new one, printed)")
    parser.add_argument("--csv", type=Path, help="file for the readings")
    judging = parser.add_argument_group("judging, when there is neither --list nor --show")
    judging.add_argument("--entropy", type=int, help="what the cases are drawn from (default: new, printed)")
    judging.add_argument("--seeds", type=int, default=2, help="cases of each cause, severity and site (default 2)")
    judging.add_argument("--healthy", type=int, default=50, metavar="YEARS", help="healthy bank-years (default 50)")
    judging.add_argument("--cause", action="append", choices=CAUSES, help="only these causes")
    judging.add_argument("--kind", action="append", choices=SITES, help="only these kinds of site")
    judging.add_argument("--only", action="append", choices=SEVERITIES, help="only these severities")
    judging.add_argument("--processes", type=int, default=2)
    judging.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the readings of each bank there")
    judging.add_argument("--again", type=Path, metavar="FOLDER", help="judge kept banks anew, and draw none")
    chosen = parser.parse_args(arguments)
    if chosen.list:
        _print_list()
        return 0
    return _judge(chosen) if chosen.show is None else _show(chosen)


def _judge(chosen: argparse.Namespace) -> int:
    if chosen.again is not None:
        return _judge_again(chosen.again, chosen.processes)
    if chosen.keep is not None and kept_in(chosen.keep):
        sys.stderr.write(f"{chosen.keep} holds the banks of another draw; keep each draw in a folder of its own\n")
        return 2
    entropy = fresh_entropy() if chosen.entropy is None else chosen.entropy
    sys.stdout.write(f"cases drawn from --entropy {entropy}\n")
    sites = tuple(chosen.kind or SITES)
    severities = [SEVERITIES.index(word) for word in chosen.only or SEVERITIES]
    cases = draw_cases(entropy, chosen.seeds, tuple(chosen.cause or CAUSES), sites, severities)
    cases += healthy_cases(entropy, chosen.healthy, sites)
    if chosen.keep is not None:
        chosen.keep.mkdir(parents=True, exist_ok=True)
    sys.stdout.write(run(cases, chosen.processes, chosen.keep))
    return 0


def _judge_again(folder: Path, processes: int) -> int:
    if not kept_in(folder):
        sys.stderr.write(f"{folder} holds no kept banks; make some with --keep\n")
        return 2
    sys.stdout.write(f"banks kept in {folder}\n{run_again(folder, processes)}")
    return 0


def _show(chosen: argparse.Namespace) -> int:
    seed = fresh_entropy() % 2**31 if chosen.seed is None else chosen.seed
    try:
        fault = _fault(chosen, seed)
    except ValueError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    chunk, truth = whole_stream(Case(chosen.site, seed, chosen.days, chosen.season, fault))
    _print_truth(chunk, truth)
    if chosen.csv is not None:
        _write_csv(chosen.csv, chunk)
    return 0


def _fault(chosen: argparse.Namespace, seed: int) -> Fault | None:
    if chosen.show == HEALTHY:
        return None
    begin = chosen.days // 2 if chosen.begin is None else chosen.begin
    return draw_fault(chosen.show, SEVERITIES.index(chosen.severity), chosen.site, seed, begin)


def _print_list() -> None:
    for cause in CAUSES:
        where = ", ".join(name for name, layout in LAYOUTS.items() if possible(cause, layout))
        sys.stdout.write(f"{cause:22} {where}\n")


def _print_truth(chunk: Chunk, truth: Truth) -> None:
    fault = truth.case.fault
    sys.stdout.write(f"seed {truth.case.seed}: {truth.cause}")
    if fault is not None:
        sys.stdout.write(f" ({SEVERITIES[fault.severity]}) at {fault.subject} from day {fault.begin_day}")
    sys.stdout.write("\n")
    for day in range(0, truth.case.days, max(truth.case.days // 30, 1)):
        capacity, ohms = truth.capacity_amp_hours[day], truth.ohms[day]
        full = "full" if truth.highest_fill[day] >= FULL_FILL else "    "
        rows = slice(day * 1440, day * 1440 + 1440)
        volts, amps = chunk.channels["volts"][rows], chunk.channels["amps"][rows]
        sys.stdout.write(
            f"day {day:3}  Ah {capacity.min():6.1f}..{capacity.max():6.1f}  mOhm {1e3 * ohms.min():5.2f}.."
            f"{1e3 * ohms.max():5.2f}  highest fill {truth.highest_fill[day]:.3f} {full}  volts {volts.min():6.2f}.."
            f"{volts.max():6.2f}  amps {amps.min():7.1f}..{amps.max():7.1f}\n"
        )


def _write_csv(path: Path, chunk: Chunk) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["time", *chunk.channels])
        columns = [[f"{value:.6g}" for value in values.tolist()] for values in chunk.channels.values()]
        for instant, *values in zip(chunk.times_ms.tolist(), *columns, strict=True):
            writer.writerow([datetime.fromtimestamp(instant / 1000, UTC).isoformat(), *values])


if __name__ == "__main__":
    sys.exit(main())
