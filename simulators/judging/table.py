"""The confusion table: seeded cause against the cause named first, days to detection, false findings per bank-year."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from simulators.judging.causes import NOTHING, RIGHT, SHALLOW, SILENT_WHEN_SHALLOW, kind_of_answer
from simulators.judging.chemistry import LAYOUTS
from simulators.judging.faults import CAUSES, SEVERITIES
from simulators.judging.intervals import poisson_interval, share_interval
from simulators.judging.judge import FAULT_WEIGHT, Outcome, Told

RIGHT_FIRST_AIM = 0.90
FALSE_AIM = 0.20
"""Upper 95 % limit of false findings per healthy bank-year."""
LEAST_BANK_YEARS = 50.0
_KINDS = ("right", "both", "true too", "nothing", "wrong")


@dataclass(frozen=True)
class Score:
    """What was made of one faulty bank."""

    outcome: Outcome
    named: str
    """Cause that is told first at the end."""
    kind: str
    days: int | None
    """Days from the fault's beginning until its right name is told at all; None if never."""
    placed: bool | None
    """Whether the right name is told of the right block; None where the fault has none, or was not named."""

    @property
    def cause(self) -> str:
        assert self.outcome.case.fault is not None
        return self.outcome.case.fault.cause


def score(outcome: Outcome) -> Score:
    """Judge the outcome of a case with a fault."""
    fault = outcome.case.fault
    assert fault is not None
    names = [told.cause for told in outcome.standing]
    named = names[0] if names else NOTHING
    kind = kind_of_answer(fault.cause, named, names)
    right = [told for told in outcome.told if told.cause in RIGHT[fault.cause] and told.day >= fault.begin_day]
    days = right[0].day - fault.begin_day if right else None
    number = "".join(letter for letter in fault.subject if letter.isdigit())
    placed = any(number == "".join(filter(str.isdigit, one.subject)) for one in right) if number and right else None
    return Score(outcome, named, kind, days, placed)


def false_findings(outcomes: Iterable[Outcome]) -> tuple[list[Told], float]:
    """What was told of healthy banks, and of others before their fault began; and the bank-years behind it."""
    told: list[Told] = []
    days = 0
    for outcome in outcomes:
        fault = outcome.case.fault
        until = outcome.case.days if fault is None else fault.begin_day
        days += until
        told += [one for one in outcome.told if one.day < until]
    return told, days / 365.25


def report(outcomes: Sequence[Outcome]) -> str:
    """All tables as text; bars that are missed are said."""
    scores = [score(one) for one in outcomes if one.case.fault is not None]
    healthy = [one for one in outcomes if one.case.fault is None]
    parts = [_by_cause(scores), _confusion(scores), _right_first(scores)]
    parts.append(_false("Healthy banks", healthy, judged=True))
    parts.append(_false("Other banks before their fault", [one.outcome for one in scores], judged=False))
    return "\n\n".join(part for part in parts if part) + "\n"


def _by_cause(scores: Sequence[Score]) -> str:
    head = f"{'seeded cause':22} {'severity':9} {'cases':>5}" + "".join(f" {kind:>9}" for kind in _KINDS)
    lines = [head + f" {'told':>5} {'median days':>12} {'place right':>12}"]
    for cause in CAUSES:
        for severity, word in enumerate(SEVERITIES):
            group = [one for one in scores if one.cause == cause and _severity(one) == severity]
            if not group:
                continue
            kinds = Counter(one.kind for one in group)
            days = [one.days for one in group if one.days is not None]
            placed = [one.placed for one in group if one.placed is not None]
            lines.append(
                f"{cause:22} {word:9} {len(group):5}"
                + "".join(f" {kinds[kind] or '.':>9}" for kind in _KINDS)
                + f" {len(days):5} {median(days) if days else '-':>12} "
                + f"{f'{sum(placed)}/{len(placed)}' if placed else '-':>12}"
            )
    return "\n".join(lines) if scores else ""


def _confusion(scores: Sequence[Score]) -> str:
    """Seeded cause, and what was named first instead of or beside the right name, moderate and severe cases."""
    named: dict[str, Counter[str]] = defaultdict(Counter)
    for one in scores:
        if _severity(one) > 0:
            named[one.cause][one.named] += 1
    lines = ["Named first, moderate and severe (* right, + true too):"]
    for cause in CAUSES:
        if cause not in named:
            continue
        marks = {"right": "*", "true too": "+"}
        told = [
            f"{marks.get(kind_of_answer(cause, name), '')}{name} {count}" for name, count in named[cause].most_common()
        ]
        lines.append(f"{cause:22} {', '.join(told)}")
    return "\n".join(lines) if named else ""


def _right_first(scores: Sequence[Score]) -> str:
    """The strictest count first; then what of it two true names and shallow use explain, and the bar."""
    sites: dict[str, list[Score]] = defaultdict(list)
    for one in scores:
        sites[LAYOUTS[one.outcome.case.layout].site].append(one)
    lines = [_share_line(site, group) for site, group in sites.items()]
    lines.append(_share_line("all sites", scores))
    serious = [one for one in scores if _severity(one) > 0]
    strict = sum(one.kind == "right" for one in serious)
    if strict < RIGHT_FIRST_AIM * len(serious):
        lines.append(f"MISSED by this strictest count: {RIGHT_FIRST_AIM:.0%}")
    shallow = [one for one in serious if _shallow(one)]
    deep = [one for one in serious if not _shallow(one)]
    both = sum(one.kind == "both" for one in deep)
    if both:
        lines.append(f"    {both} more are told by two names that are both true of the seed, the other one first")
    if shallow:
        kinds = Counter(one.kind for one in shallow)
        told = ", ".join(f"{kind} {kinds[kind]}" for kind in _KINDS if kinds[kind])
        lines.append(
            f"    {len(shallow)} lost capacity and were never drawn below {SHALLOW:.0%}, where the right answer is "
            f"silence: {told}"
        )
    right = sum(one.kind == "right" for one in deep) + both
    if both or shallow:
        low, high = share_interval(right, len(deep)) if deep else (0.0, 1.0)
        lines.append(f"all that can show, either true name first: {right} of {len(deep)} ({low:.0%} to {high:.0%})")
    if deep and right < RIGHT_FIRST_AIM * len(deep):
        lines.append(f"MISSED: right cause first on {RIGHT_FIRST_AIM:.0%} of moderate and severe cases")
    return "\n".join(lines) if scores else ""


def _shallow(one: Score) -> bool:
    """Not where something wrong was told instead of nothing: that counts."""
    return one.kind != "wrong" and one.cause in SILENT_WHEN_SHALLOW and one.outcome.deepest < SHALLOW


def _false(title: str, outcomes: Sequence[Outcome], judged: bool) -> str:
    if not outcomes:
        return ""
    told, years = false_findings(outcomes)
    lines = []
    for words, group in (
        (f"faults (weight {FAULT_WEIGHT} and more)", [one for one in told if one.weight >= FAULT_WEIGHT]),
        ("lighter hints", [one for one in told if one.weight < FAULT_WEIGHT]),
    ):
        low, high = poisson_interval(len(group), years)
        lines.append(
            f"{title}: {len(group)} false {words} in {years:.1f} bank-years: "
            f"{len(group) / years:.3f} a year ({low:.3f} to {high:.3f})"
        )
        lines += [
            f"    {count:4} {name}: {verdict} ({cause})"
            for (name, verdict, cause), count in Counter((o.name, o.verdict, o.cause) for o in group).most_common()
        ]
        if judged and "faults" in words and high > FALSE_AIM:
            lines.append(f"MISSED: upper limit under {FALSE_AIM} false findings a healthy bank-year")
    if judged and years < LEAST_BANK_YEARS:
        lines.append(f"MISSED: at least {LEAST_BANK_YEARS:.0f} healthy bank-years")
    return "\n".join(lines)


def _share_line(name: str, scores: Sequence[Score]) -> str:
    serious = [one for one in scores if _severity(one) > 0]
    right, wrong = (sum(one.kind == kind for one in serious) for kind in ("right", "wrong"))
    low, high = share_interval(right, len(serious))
    return (
        f"{name}: right cause first in {right} of {len(serious)} moderate and severe cases "
        f"({low:.0%} to {high:.0%}), wrong first in {wrong}"
    )


def _severity(one: Score) -> int:
    assert one.outcome.case.fault is not None
    return one.outcome.case.fault.severity
