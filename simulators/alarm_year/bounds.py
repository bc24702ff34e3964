"""Which alarm is the right one for a seeded fault, which came first, and whether it came within its bound."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from loggerd.alarms.catalogue import HOUR_MS, MINUTE_MS, AlarmCondition
from loggerd.alarms.conditions import ALARM_CONDITIONS
from loggerd.analysis.findings import spec_of
from simulators.alarm_year.watching import BankYear, Raised
from simulators.judging.causes import RIGHT, TRUE_TOO
from simulators.judging.faults import Fault
from simulators.judging.judge import DEVICES
from simulators.judging.stream import DAY_MS

MOST_RESTS = 3
RUNAWAY_MINUTES = 30
SILENT_MINUTES = 5
UNDERCHARGE_DAYS = 21
NOTHING = "no alarm"
_OF_HEALTH = {"dead_device": ("device_silent",), "wrong_clock": ("clock_not_set",)}
"""Conditions that no finding makes true."""
_AGREE = re.compile(r"(\d+) of the last (\d+) discharges agree")
_BY_PLACE = ("block", "string")


def conditions_for(cause: str) -> tuple[set[str], set[str]]:
    """Conditions that are right for a seeded cause, and those that are true of it too, by the causes that their
    findings name."""
    right = {one.name for one in ALARM_CONDITIONS if _names(one) & set(RIGHT[cause])} | set(_OF_HEALTH.get(cause, ()))
    too = {one.name for one in ALARM_CONDITIONS if _names(one) & set(TRUE_TOO.get(cause, ()))}
    return right, too - right


def _names(condition: AlarmCondition) -> set[str]:
    verdicts = [spec_of(name).verdict(word) for name, words in condition.findings for word in words]
    return {one.cause for one in verdicts}


@dataclass(frozen=True)
class Answer:
    """How the alarms answered to a fault. `first`: the first that was raised for itself; `kind`: "right", "true too",
    "wrong" or "none"; `right`: the first right one at the right place; `mailed_ms`: when a mail told of that one."""

    year: BankYear
    first: Raised | None
    kind: str
    right: Raised | None
    mailed_ms: int | None

    @property
    def fault(self) -> Fault:
        assert self.year.watch.case.fault is not None
        return self.year.watch.case.fault

    @property
    def begin_ms(self) -> int:
        assert self.year.begin_ms is not None
        return self.year.begin_ms

    @property
    def after_ms(self) -> int | None:
        """From the beginning of the fault until the look that raised the right alarm."""
        return None if self.right is None else self.right.looked_ms - self.begin_ms


def answer(year: BankYear) -> Answer:
    """Look at a bank with a fault."""
    fault = year.watch.case.fault
    assert fault is not None and year.begin_ms is not None
    right, too = conditions_for(fault.cause)
    since = [one for one in year.raised if one.at_ms >= year.begin_ms and not one.hidden]
    first = next((one for one in since if one.root is None), None)
    kind = "none"
    if first is not None:
        name = first.key.condition
        kind = "right" if name in right else "true too" if name in too else "wrong"
    fitting = next((one for one in since if one.key.condition in right and _in_place(one.key.subject, fault)), None)
    mailed = None
    if fitting is not None:
        mailed = next(
            (one.at_ms for one in year.mails if fitting.key in one.raised and one.at_ms >= fitting.looked_ms), None
        )
    return Answer(year, first, kind, fitting, mailed)


def _in_place(subject: str, fault: Fault) -> bool:
    """Whether an alarm is about the place of the fault; one about the whole bank or an instrument is."""
    words = subject.replace("_", " ").split()
    if words[0] not in (*_BY_PLACE, "link") or not (fault.block or fault.string or fault.channel):
        return True
    numbers = [one for one in words if one.isdecimal()]
    return numbers in ([str(fault.block)], [str(fault.string)]) or subject == fault.channel


@dataclass(frozen=True)
class Bound:
    """What was aimed at, what came, and whether it is within; `met` is None where the fault gave no occasion."""

    aim: str
    came: str
    met: bool | None


def bound_of(found: Answer) -> Bound | None:
    """The bound on the alarm of this fault; None where there is none."""
    check = _BOUNDS.get(found.fault.cause)
    return None if check is None else check(found)


def _short(found: Answer) -> Bound:
    aim = f"named within {MOST_RESTS} rests"
    if found.right is None:
        rests = len(found.year.truth.rests_ms)
        return Bound(aim, f"not named in {rests} rests", False if rests > MOST_RESTS else None)
    until_ms = found.right.looked_ms
    rests = sum(at_ms <= until_ms for at_ms in found.year.truth.rests_ms)
    return Bound(aim, f"{rests} rests", rests <= MOST_RESTS)


def _runaway(found: Answer) -> Bound:
    aim = f"within {RUNAWAY_MINUTES} min of when the heat feeds itself and it shows"
    begun_ms = found.year.truth.runaway_ms
    if begun_ms is None:
        return Bound(aim, "it never came to that", None)
    if found.right is None:
        return Bound(aim, NOTHING, False)
    late_ms = found.right.looked_ms - begun_ms
    words = f"{late_ms / MINUTE_MS:.0f} min after" if late_ms > 0 else f"{-late_ms / HOUR_MS:.1f} h before"
    return Bound(aim, f"{found.right.key.condition} {words}", late_ms <= RUNAWAY_MINUTES * MINUTE_MS)


def _silent(found: Answer) -> Bound:
    aim = f"within {SILENT_MINUTES} min of the last reading"
    if found.right is None or found.right.key.subject not in DEVICES:
        return Bound(aim, NOTHING, False)
    late_ms = found.right.looked_ms - found.year.heard_ms[found.right.key.subject]
    return Bound(aim, f"{late_ms / MINUTE_MS:.0f} min", late_ms <= SILENT_MINUTES * MINUTE_MS)


def _undercharge(found: Answer) -> Bound:
    aim = f"within {UNDERCHARGE_DAYS} days"
    if found.after_ms is None:
        return Bound(aim, NOTHING, False)
    return Bound(aim, f"{found.after_ms / DAY_MS:.1f} days", found.after_ms <= UNDERCHARGE_DAYS * DAY_MS)


def _out_of_balance(found: Answer) -> Bound:
    """Of the alarm of that block: that the whole bank asks for equalizing is right too, and has no bound."""
    aim = "within the discharges that its finding says it looked at"
    discharges = [at_ms for at_ms in found.year.truth.discharges_ms if at_ms >= found.begin_ms]
    since = [one for one in found.year.raised if one.at_ms >= found.begin_ms and one.key.condition == "out_of_balance"]
    named = next((one for one in since if _in_place(one.key.subject, found.fault)), None)
    if named is None:
        return Bound(aim, f"{NOTHING} of the block in {len(discharges)} discharges", False)
    passed = sum(at_ms <= named.looked_ms for at_ms in discharges)
    said = _AGREE.search(named.reason)
    if said is None:
        return Bound(aim, f'{passed} discharges; its reason states no number: "{named.reason}"', False)
    agree, looked = int(said[1]), int(said[2])
    return Bound(aim, f"after {passed} discharges; {agree} of {looked} agree", passed <= looked)


def _one_alarm(found: Answer) -> Bound:
    aim = "one alarm, one mail that tells of it"
    about = {found.right.key} if found.right is not None else set()
    raised = sum(one.key in about for one in found.year.raised if one.at_ms >= found.begin_ms)
    mails = sum(bool(about & set(one.raised)) for one in found.year.mails if one.at_ms >= found.begin_ms)
    return Bound(aim, f"raised {raised} times, told in {mails} mails", raised == 1 and mails == 1)


_BOUNDS: dict[str, Callable[[Answer], Bound]] = {
    "shorted_cell": _short,
    "thermal_runaway": _runaway,
    "dead_device": _silent,
    "chronic_undercharge": _undercharge,
    "out_of_balance": _out_of_balance,
    "noisy_channel": _one_alarm,
    "stuck_channel": _one_alarm,
}
