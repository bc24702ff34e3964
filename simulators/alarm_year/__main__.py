"""`python -m simulators.alarm_year`: alarms and mails of healthy banks for a year, and of seeded faults beside them."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from simulators.alarm_year.cases import BOUNDED, Watch, faulty, healthy
from simulators.alarm_year.table import as_json, report
from simulators.alarm_year.watching import BankYear, watched
from simulators.judging.cases import YEAR, fresh_entropy
from simulators.judging.faults import CAUSES
from simulators.judging.run import in_processes


def main(arguments: list[str] | None = None) -> int:
    """Parse, simulate, print. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m simulators.alarm_year", description=__doc__)
    parser.add_argument("--entropy", type=int, help="what the banks are drawn from (default: new, printed)")
    parser.add_argument("--sites", type=int, default=3, help="healthy banks, of each kind of site in turn (default 3)")
    parser.add_argument("--days", type=int, default=YEAR, help=f"of each healthy bank (default {YEAR})")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument(
        "--only",
        nargs="*",
        choices=CAUSES,
        default=list(BOUNDED),
        metavar="CAUSE",
        help=f"seed these faults, each at every kind of site where it can be (default: {', '.join(BOUNDED)})",
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there as well")
    chosen = parser.parse_args(arguments)
    entropy = fresh_entropy() if chosen.entropy is None else chosen.entropy
    sys.stdout.write(f"banks drawn from --entropy {entropy}\n\n")
    sys.stdout.flush()
    watches = healthy(entropy, chosen.sites, chosen.days) + faulty(entropy, chosen.only)
    years = in_processes(watched, _groups(watches), chosen.processes, _progress)
    sys.stdout.write(report(years))
    if chosen.json is not None:
        chosen.json.write_text(json.dumps(as_json(years), indent=1) + "\n", encoding="utf-8")
    return 0


def _groups(watches: Sequence[Watch]) -> list[list[Watch]]:
    """Banks that are simulated together: one layout, lengths alike; the longest first."""
    groups: dict[tuple[str, int], list[Watch]] = {}
    for watch in watches:
        groups.setdefault((watch.case.layout, watch.case.days // 100), []).append(watch)
    return sorted(groups.values(), key=lambda group: -sum(watch.case.days for watch in group))


def _progress(done: Sequence[BankYear]) -> str:
    days = sum(year.watch.case.days for year in done)
    return f"{len(done)} banks, {days / 365.25:.1f} bank-years"


if __name__ == "__main__":
    sys.exit(main())
