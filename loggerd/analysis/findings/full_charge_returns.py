"""Does the bank get back what it gives, and not much more? Days, weeks, and accounts between proven full charges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import SinceFull
from loggerd.analysis.findings.full_charge_counts import Mark, Totals
from loggerd.analysis.findings.full_charge_reading import Limits, offset_amps
from loggerd.analysis.findings.full_charge_specs import CHARGE_FACTOR, OVERCHARGE, UNDERCHARGE
from loggerd.analysis.findings.full_charge_telling import Said, Teller, cannot_tell
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding, Grade

_HOUR_MS = 3_600_000
_KEPT = 60
_LEAST_OUT = 0.1
"""Share of the rated amp-hours that must have gone out for a charge factor."""
_OVER_DAYS, _OVER_OUT = 14, 1.5
"""Overcharge is judged over two to four weeks, in which one and a half rated amp-hours went out."""
_LEAST_DEFICIT = 0.05
_UNKNOWN = 0.15
"""A deficit whose band is wider than this share of the rated amp-hours is not told as a number."""
_LEAST_CHARGES, _EARLY_SHARE = 5, 0.8
_GAP_SHARE = 0.1
_MINOR_PERCENT, _MINOR_FACTOR = 5.0, 0.05


@dataclass
class Returns:
    """`days`: [end ms, net out Ah, gap ms, full that day, out Ah] of past days; `charges`: [end ms, was not full];
    `accounts`: [end ms, out, in, length ms] from the end of one charge that came near full to that of the next.
    """

    ground: Ground
    days: list[list[float]] = field(default_factory=list)
    charges: list[list[int]] = field(default_factory=list)
    accounts: list[list[float]] = field(default_factory=list)
    day_start: Mark | None = None
    full_today: bool = False

    # -- a charge has ended --

    def charge_ended(self, end_ms: int, verdict: str) -> None:
        self.charges = [*self.charges, [end_ms, int(verdict == "ended_early")]][-_KEPT:]

    def keep_account(self, account: SinceFull, end_ms: int) -> None:
        """From the end of one charge that came near full to that of the next."""
        length = end_ms - account.at_ms
        if account.gap_ms <= _GAP_SHARE * length:
            row = [float(end_ms), account.out_amp_hours, account.in_amp_hours, float(length)]
            self.accounts = [*self.accounts, row][-_KEPT:]

    def factor(self, account: SinceFull, end_ms: int, teller: Teller, moment: Moment) -> list[Finding]:
        """From the end of one proven full charge to that of the next."""
        least = _LEAST_OUT * self.ground.bank.rated_amp_hours
        if account.gap_ms > _GAP_SHARE * (end_ms - account.at_ms) or account.out_amp_hours < least:
            return []
        return teller.tell(self._factor(account, end_ms, moment.limits), moment)

    def _factor(self, account: SinceFull, end_ms: int, limits: Limits) -> Said:
        factor = account.in_amp_hours / account.out_amp_hours
        hours = (end_ms - account.at_ms) / _HOUR_MS
        half = offset_amps(self.ground, limits) * hours / account.out_amp_hours * (1 + factor) / 2
        low, high = limits["charge_factor_low"], limits["charge_factor_high"]
        reason = (
            f"{account.in_amp_hours:.0f} Ah in for {account.out_amp_hours:.0f} Ah out in {hours / 24:.1f} days; "
            f"{low:g} to {high:g} is usual. The zero of the current can be wrong by "
            f"{1000 * offset_amps(self.ground, limits):.0f} mA."
        )
        verdict = "low" if factor + half < low else "high" if factor - half > high else "usual"
        numbers = {"out": account.out_amp_hours, "in": account.in_amp_hours}
        span = (account.at_ms, end_ms)
        return Said(CHARGE_FACTOR.name, verdict, reason, value=factor, half_width=half, span=span, numbers=numbers)

    # -- a day has ended --

    def day_ended(self, totals: Totals, teller: Teller, moment: Moment) -> list[Finding]:
        """Once a day: keeps its balance, and judges the weeks."""
        mark = totals.mark()
        if self.day_start is not None:
            past = totals.since(self.day_start)
            net, out = past.net_out_amp_hours, past.out_amp_hours
            row = [float(mark.at_ms), net, float(past.gap_ms), float(self.full_today), out]
            self.days = [*self.days, row][-_KEPT:]
        self.day_start, self.full_today = mark, False
        found = teller.news(self._undercharge(moment), moment, _MINOR_PERCENT)
        told = teller.last.get(OVERCHARGE.name, [""])[0] == "high"
        found.extend(teller.news(self._overcharge(moment, told), moment, _MINOR_FACTOR))
        return found

    def break_off(self) -> None:
        """A pause of unknown length: nobody knows what went in and out."""
        self.days, self.day_start, self.full_today = [], None, False

    def _undercharge(self, moment: Moment) -> Said:
        limits, rated = moment.limits, self.ground.bank.rated_amp_hours
        # The whole days that fit into the limit, between the parts of days at both ends.
        needed = max(3, int(limits["undercharge_deficit_days"]) - 1)
        recent = self.days[-needed:]
        if any(row[3] for row in recent):
            reason = f"A full charge was seen in the last {len(recent)} days."
            return Said(UNDERCHARGE.name, "none", reason, Grade.OBSERVED)
        if len(recent) < needed:
            return cannot_tell(UNDERCHARGE.name, f"{len(recent)} whole days are known; {needed} are needed.")
        if sum(row[2] for row in recent) > _GAP_SHARE * needed * DAY_MS:
            return cannot_tell(UNDERCHARGE.name, "Too many readings are missing in these weeks.")
        third = needed // 3
        parts = [recent[:third], recent[third:-third], recent[-third:]]
        growth = [sum(row[1] for row in part) / len(part) for part in parts]
        offset = 24 * offset_amps(self.ground, limits)
        deficit, half = sum(row[1] for row in recent), offset * needed
        start_ms, end_ms = int(recent[0][0]) - DAY_MS, int(recent[-1][0])
        told = half <= _UNKNOWN * rated
        value, band = (100 * deficit / rated, 100 * half / rated) if told else (None, None)
        grows = min(growth) > offset and deficit - half > _LEAST_DEFICIT * rated
        early = [row for row in self.charges if row[0] > start_ms]
        share = sum(row[1] for row in early) / len(early) if early else 0.0
        if grows:
            reason = f"In {needed} days {deficit:.0f} Ah more went out than came back, in every part of them, and no "
            reason += "charge was full. What gas took comes on top."
        elif returned_in_full(deficit, sum(row[4] for row in recent), half, limits):
            return cannot_tell(
                UNDERCHARGE.name,
                f"No charge of {needed} days was proven full, but {-deficit:.0f} Ah more came back than went out: what "
                "flows at the end of the charges is gas, not charge. Plates that gas early, acid that is low, or the "
                "scale of the current do that.",
            )
        elif len(early) >= _LEAST_CHARGES and share >= _EARLY_SHARE:
            some = f"{share * len(early):.0f} of {len(early)} charges"
            reason = f"{some} in {needed} days ended early, and none was full."
        else:
            return cannot_tell(
                UNDERCHARGE.name, f"No charge of the last {needed} days was full, but the count shows no lasting loss."
            )
        span = (start_ms, end_ms)
        if not told:
            reason += f" How much is missing cannot be told: the zero of the meter alone may make {half:.0f} Ah."
        return Said(UNDERCHARGE.name, "chronic", reason, Grade.OBSERVED, value, band, since_ms=start_ms, span=span)

    def _overcharge(self, moment: Moment, told: bool) -> Said:
        """`told`: that it is too much is told now, and stands until less is shown."""
        limits, rated = moment.limits, self.ground.bank.rated_amp_hours
        now = moment.frame.end_ms
        recent = [row for row in self.accounts if row[0] - row[3] > now - 2 * _OVER_DAYS * DAY_MS]
        length = sum(row[3] for row in recent)
        out, put_in = sum(row[1] for row in recent), sum(row[2] for row in recent)
        if length < 0.9 * _OVER_DAYS * DAY_MS or out < _OVER_OUT * rated:
            return cannot_tell(
                OVERCHARGE.name,
                f"{length / DAY_MS:.0f} days and {out:.0f} Ah lie between full charges of the last four weeks; "
                f"{_OVER_DAYS} days and {_OVER_OUT * rated:.0f} Ah are needed.",
            )
        factor = put_in / out
        half = offset_amps(self.ground, limits) * length / _HOUR_MS / out
        start_ms = int(recent[0][0] - recent[0][3])
        limit = limits["overcharge_factor"]
        excess, usual = (put_in - out) * DAY_MS / length, limits["overcharge_per_day_fraction"] * rated
        reason = f"{put_in:.0f} Ah in for {out:.0f} Ah out in {length / DAY_MS:.0f} days; above {limit:g} is too much."
        reason += f" {excess:.1f} Ah more a day went in than out; {usual:.1f} Ah are usual where a bank is kept full."
        much = excess - 24 * offset_amps(self.ground, limits) > usual
        high = much and factor - half > limit and all(part > limit for part in _halves(recent, now))
        if told and not high and excess > usual and factor + half > limit:
            high, reason = True, f"{reason} It was told, and stands until less is shown."
        said = "high" if high else "none"
        span = (start_ms, int(recent[-1][0]))
        return Said(OVERCHARGE.name, said, reason, value=factor, half_width=half, since_ms=start_ms, span=span)

    def to_plain(self) -> dict[str, Any]:
        return {
            "days": self.days,
            "charges": self.charges,
            "accounts": self.accounts,
            "day_start": None if self.day_start is None else self.day_start.to_plain(),
            "full_today": self.full_today,
        }

    def load_plain(self, plain: Mapping[str, Any]) -> None:
        self.days, self.charges, self.accounts = plain["days"], plain["charges"], plain["accounts"]
        self.day_start, self.full_today = Mark.from_plain(plain["day_start"]), plain["full_today"]


def returned_in_full(net_out: float, out: float, error: float, limits: Limits) -> bool:
    """Whether more came back than any bank needs that is not full [Ah]; `error`: what the count can be wrong by."""
    return -net_out - error > (limits["charge_factor_high"] - 1.0) * out


def _halves(accounts: list[list[float]], now: int) -> list[float]:
    """Charge factors of the earlier and later accounts, divided in the middle of their time."""
    middle = (accounts[0][0] - accounts[0][3] + now) / 2
    parts = [[row for row in accounts if (row[0] < middle) == earlier] for earlier in (True, False)]
    return [sum(row[2] for row in part) / max(sum(row[1] for row in part), 1e-9) for part in parts if part]
