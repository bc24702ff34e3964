"""What is printed: alarms and mails of healthy banks, alarm rates beside recommended ones, and answers to faults."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from loggerd.alarms.catalogue import HOUR_MS, MINUTE_MS
from loggerd.alarms.conditions import condition_of
from loggerd.alarms.rates import (
    FLOOD_WINDOW_MS,
    MOST_FLOOD_SHARE,
    MOST_PER_DAY,
    MOST_PER_HOUR,
    MOST_PER_TEN_MINUTES,
    MOST_STALE,
    MOST_TOP_SHARE,
    TOP,
    Episode,
    as_of,
    average_per_day,
    chattering,
    episodes_of,
    fleeting,
    flood_share,
    floods,
    most_within,
    priority_split,
    stale,
    top_share,
)
from simulators.alarm_year.bounds import NOTHING, Answer, answer, bound_of
from simulators.alarm_year.watching import BankYear
from simulators.judging.chemistry import LAYOUTS
from simulators.judging.faults import SEVERITIES
from simulators.judging.stream import DAY_MS

MAILS_A_MONTH = 1.0
"""The aim: fewer mails on alarms than this for each healthy bank and month."""
MONTH_DAYS = 365.25 / 12
_LEAST_FOR_TOP = round(TOP / MOST_TOP_SHARE)
"""Of fewer alarms, ten different ones are always more than the recommended share."""


@dataclass(frozen=True)
class Rate:
    """A measure, what is recommended, what came; `met` is None where it is not judged."""

    measure: str
    recommended: str
    came: str
    met: bool | None


def report(years: Sequence[BankYear]) -> str:
    """All tables as text."""
    healthy = [one for one in years if one.watch.case.fault is None]
    answers = answers_of(years)
    parts = []
    if healthy:
        parts += [_healthy(healthy), _rates(rates_of(healthy))]
    if answers:
        parts.append(_faults(answers))
    return "\n\n".join(parts) + "\n"


def as_json(years: Sequence[BankYear]) -> dict[str, Any]:
    """The same figures as plain values."""
    healthy = [one for one in years if one.watch.case.fault is None]
    return {
        "healthy": [
            {
                "layout": one.watch.case.layout,
                "seed": one.watch.case.seed,
                "days": one.watch.case.days,
                "mails_by_month": mails_by_month(one),
                "mails_a_month": mails_a_month(one),
                "raised": [_raised_plain(one, raised.at_ms, raised.key.condition) for raised in one.raised],
            }
            for one in healthy
        ],
        "rates": [asdict(one) for one in rates_of(healthy)] if healthy else [],
        "faults": [_answer_plain(one) for one in answers_of(years)],
    }


def answers_of(years: Iterable[BankYear]) -> list[Answer]:
    found = [answer(one) for one in years if one.watch.case.fault is not None]
    return sorted(found, key=lambda one: (one.fault.cause, one.year.watch.case.layout))


# -- healthy banks ---------------------------------------------------------------------------------------------


def mails_a_month(year: BankYear) -> float:
    """Mails on alarms, for each month of the time watched."""
    return len(year.mails) * MONTH_DAYS / year.watch.case.days


def mails_by_month(year: BankYear) -> list[int]:
    months = -(-year.watch.case.days // MONTH_DAYS)
    counts = Counter(int((one.at_ms - year.start_ms) / DAY_MS / MONTH_DAYS) for one in year.mails)
    return [counts[month] for month in range(int(months))]


def _healthy(years: Sequence[BankYear]) -> str:
    lines = [f"{'healthy bank':12} {'seed':>11} {'days':>5} {'alarms':>6} {'mails':>5} {'a month':>8}  by month"]
    for one in years:
        case = one.watch.case
        by_month = " ".join(map(str, mails_by_month(one)))
        lines.append(
            f"{case.layout:12} {case.seed:11} {case.days:5} {len(one.raised):6} {len(one.mails):5} "
            f"{mails_a_month(one):8.2f}  {by_month}"
        )
    days = sum(one.watch.case.days for one in years)
    mean = sum(len(one.mails) for one in years) * MONTH_DAYS / days
    worst = max(mails_a_month(one) for one in years)
    lines.append(
        _bar(f"mails on alarms a bank and month: under {MAILS_A_MONTH:.0f}", f"{mean:.2f}", mean < MAILS_A_MONTH)
    )
    lines.append(_bar("  likewise of the worst bank", f"{worst:.2f}", worst < MAILS_A_MONTH))
    what = Counter((raised.key.condition, one.watch.case.layout) for one in years for raised in one.raised)
    lines += [f"    {count:3} {condition} ({layout})" for (condition, layout), count in what.most_common()]
    return "\n".join(lines)


def rates_of(years: Sequence[BankYear]) -> list[Rate]:
    """The measures of the standards, each bank a desk of its own: averages over all, peaks of the worst."""
    of_bank = [(one, episodes_of(one.changes)) for one in years]
    every = [episode for _, episodes in of_bank for episode in episodes]
    per_day = _mean([average_per_day(episodes, one.start_ms, one.end_ms) for one, episodes in of_bank])
    raised = [[episode.raised_ms for episode in episodes] for _, episodes in of_bank]
    hour, ten = (max(most_within(one, span_ms) for one in raised) for span_ms in (HOUR_MS, FLOOD_WINDOW_MS))
    flooded = _mean([
        flood_share(floods(instants, one.end_ms), one.start_ms, one.end_ms)
        for (one, _), instants in zip(of_bank, raised, strict=True)
    ])  # fmt: skip
    chatters = sum(len(chattering(episodes)) for _, episodes in of_bank)
    brief = sum(len(fleeting(episodes)) for _, episodes in of_bank)
    old = [_stale_days(one, episodes) for one, episodes in of_bank]
    most_old, bank_days = max(max(one) for one in old), sum(map(len, old))
    share_old = sum(count > 0 for one in old for count in one) / bank_days
    return [
        Rate("alarms a day", f"at most {MOST_PER_DAY:.0f}", f"{per_day:.4f}", per_day <= MOST_PER_DAY),
        Rate("alarms an hour", f"at most {MOST_PER_HOUR:.0f}", f"{per_day / 24:.5f}", per_day / 24 <= MOST_PER_HOUR),
        Rate(
            "alarms in ten minutes", f"at most {MOST_PER_TEN_MINUTES:.0f}", f"{per_day / 144:.6f}",
            per_day / 144 <= MOST_PER_TEN_MINUTES,
        ),
        Rate("most in an hour, in ten minutes", "not stated, under 10", f"{hour}, {ten}", ten < 10),
        Rate("time in floods", f"under {MOST_FLOOD_SHARE:.0%}", f"{flooded:.2%}", flooded < MOST_FLOOD_SHARE),
        Rate("chattering alarms", "none", _of(chatters, len(every)), chatters == 0),
        Rate("fleeting alarms", "none", _of(brief, len(every)), brief == 0),
        Rate("stale alarms on any day", f"under {MOST_STALE}", f"{most_old}", most_old < MOST_STALE),
        Rate("days with a stale alarm", "not stated", f"{share_old:.0%}", None),
        _top(every),
        *_priorities(every),
    ]  # fmt: skip


def _stale_days(year: BankYear, episodes: Sequence[Episode]) -> list[int]:
    """Stale alarms at the end of each day."""
    ends = range(year.start_ms + DAY_MS, year.end_ms + 1, DAY_MS)
    return [len(stale(as_of(episodes, at_ms), at_ms)) for at_ms in ends]


def _top(episodes: Sequence[Episode]) -> Rate:
    share, few = top_share(episodes), len(episodes) < _LEAST_FOR_TOP
    met = None if few else share <= MOST_TOP_SHARE
    came = f"{share:.0%} of {len(episodes)}" + (f"; not judged of under {_LEAST_FOR_TOP}" if few else "")
    return Rate(f"share of the {TOP} most frequent", f"at most {MOST_TOP_SHARE:.0%}", came, met)


def _priorities(episodes: Sequence[Episode]) -> list[Rate]:
    """Reported, never judged: the published shares are for plants."""
    parts = priority_split(condition_of(one.key.condition).priority for one in episodes)
    return [
        Rate(f"priority {one.priority.value}", f"{one.target:.1f} of {len(episodes)}", f"{one.count}", None)
        for one in parts
    ]


def _rates(rates: Sequence[Rate]) -> str:
    lines = ["Alarm rates of healthy banks beside what ISA-18.2, IEC 62682 and EEMUA 191 recommend for a staffed desk:"]
    lines += [_bar(f"{one.measure}: {one.recommended}", one.came, one.met) for one in rates]
    return "\n".join(lines)


# -- faults ----------------------------------------------------------------------------------------------------


def _faults(answers: Sequence[Answer]) -> str:
    head = f"{'seeded fault':20} {'severity':9} {'bank':10} {'first alarm':28} {'is':9}"
    lines = [head + f" {'right after':>12} {'mail after':>12}"]
    for one in answers:
        fault, first = one.fault, one.first
        name = NOTHING if first is None else f"{first.key.condition}, {first.key.subject}"
        lines.append(
            f"{fault.cause:20} {SEVERITIES[fault.severity]:9} {one.year.watch.case.layout:10} {name:28} {one.kind:9} "
            f"{_span(one.after_ms):>12} {_span(None if one.mailed_ms is None else one.mailed_ms - one.begin_ms):>12}"
        )
    right = sum(one.kind in ("right", "true too") for one in answers)
    lines.append(f"first alarm right, or true of it too, in {right} of {len(answers)}")
    lines.append("")
    for one in answers:
        bound = bound_of(one)
        if bound is not None:
            where = f"{one.fault.cause}, {one.year.watch.case.layout}: {bound.aim}"
            lines.append(_bar(where, bound.came, bound.met, "no occasion"))
    return "\n".join(lines)


def _answer_plain(one: Answer) -> dict[str, Any]:
    case, bound = one.year.watch.case, bound_of(one)
    return {
        "cause": one.fault.cause,
        "severity": SEVERITIES[one.fault.severity],
        "layout": case.layout,
        "site": LAYOUTS[case.layout].site,
        "seed": case.seed,
        "first_alarm": None if one.first is None else one.first.key.condition,
        "kind": one.kind,
        "right_after_ms": one.after_ms,
        "mailed_after_ms": None if one.mailed_ms is None else one.mailed_ms - one.begin_ms,
        "bound": None if bound is None else asdict(bound),
        "before_the_fault": [
            _raised_plain(one.year, raised.at_ms, raised.key.condition)
            for raised in one.year.raised
            if raised.at_ms < one.begin_ms
        ],
    }


# -- words -----------------------------------------------------------------------------------------------------


def _bar(what: str, came: str, met: bool | None, unjudged: str = "") -> str:
    word = unjudged if met is None else "met" if met else "MISSED"
    return f"{what:78} {came:34} {word}".rstrip()


def _span(span_ms: int | None) -> str:
    if span_ms is None:
        return "-"
    if span_ms < 2 * HOUR_MS:
        return f"{span_ms / MINUTE_MS:.0f} min"
    return f"{span_ms / HOUR_MS:.0f} h" if span_ms < 3 * DAY_MS else f"{span_ms / DAY_MS:.1f} days"


def _of(count: int, every: int) -> str:
    return f"{count} of {every}" + (f" ({count / every:.1%})" if every else "")


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _raised_plain(year: BankYear, at_ms: int, condition: str) -> dict[str, Any]:
    return {"day": round((at_ms - year.start_ms) / DAY_MS, 3), "condition": condition}
