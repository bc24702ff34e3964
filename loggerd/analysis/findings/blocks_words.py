"""Findings about blocks, in words; what was told last, so that nothing is told twice."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from loggerd.analysis.findings.blocks_cause import (
    LEVEL_AGAIN,
    LOW_CAPACITY,
    OUT_OF_BALANCE,
    UNCLEAR,
    Standing,
    last_shares,
)
from loggerd.analysis.findings.blocks_features import Compared
from loggerd.analysis.findings.blocks_short import Prompt
from loggerd.analysis.findings.catalogue import Moment
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant

_CAPACITY_STEP = 6.0
_SPREAD_STEP = 15.0
_LOOKS = 2
"""Occasions without one in between at which it stood with its peers, before a short is thought of."""
_SHARE_STEP = 20.0
_WORDS = {
    LOW_CAPACITY: "level at rest after a charge, lower with depth",
    OUT_OF_BALANCE: "low at the end of the charge as well as without current",
    "high_resistance_link": "low under load and high on charge in proportion to the current, level at rest",
    "bad_tap": "the same amount low in all phases",
    UNCLEAR: "low in some phases and not in those that belong to them",
    "fine": "level with its peers",
    LEVEL_AGAIN: "level with its peers, after it lagged",
}


class BlockTeller:
    """Makes findings. `_told`: verdict and value by name and subject."""

    def __init__(self) -> None:
        self._told: dict[str, list[Any]] = {}

    def _news(self, name: str, subject: str, verdict: str, value: float | None, step: float) -> bool:
        key, before = f"{name} {subject}", self._told.get(f"{name} {subject}")
        same = before is not None and before[0] == verdict
        if before is not None and same and (before[1] is None or value is None or abs(before[1] - value) < step):
            return False
        self._told[key] = [verdict, value]
        return True

    def cause(self, moment: Moment, block: int, word: str, standing: Standing | None, reason: str) -> list[Finding]:
        """`blocks.cause` of a block (from 0), if it is new."""
        subject = f"block {block + 1}"
        value = None
        if standing is not None and standing.capacity is not None:
            value = max(round(100.0 * standing.capacity, 1), -100.0)
        step = _CAPACITY_STEP if word == LOW_CAPACITY else float("inf")
        if not self._news("blocks.cause", subject, word, value, step):
            return []
        band = None if standing is None or standing.scatter is None else 100.0 * standing.scatter
        if standing is not None:
            reason = f"{standing.agree} of the last {standing.looked} discharges agree: {_WORDS.get(word, word)}"
            if standing.evidence and word == LOW_CAPACITY:
                reason += f"; judged by {standing.evidence}"
            if word == UNCLEAR:
                reason += "; a proven full charge, a rest of some hours and one deeper discharge would settle it"
        at = Instant(moment.frame.session, moment.frame.end_ms)
        return [
            Finding(
                "blocks.cause",
                subject,
                word,
                Grade.CANNOT_TELL if word in (UNCLEAR, "not_judged") else Grade.OBSERVED,
                reason,
                at,
                value,
                round(value - band, 1) if value is not None and band is not None else None,
                round(value + band, 1) if value is not None and band is not None else None,
            )
        ]

    def prompt(self, moment: Moment, prompt: Prompt, rests: int) -> list[Finding]:
        """What has been seen at once of a block."""
        if (prompt.what == "short" and prompt.steady < _LOOKS) or (prompt.what == "well" and not self._short(prompt)):
            return []
        name, word = {
            "short": ("blocks.short", "shorted_cell" if prompt.steady >= rests else "looks_shorted"),
            "well": ("blocks.short", "gone"),
            "open": ("blocks.open", "breaks_under_load"),
            "reversal": ("blocks.reversal", "reversed"),
        }[prompt.what]
        subject, session = f"block {prompt.block + 1}", moment.frame.session
        if not self._news(name, subject, word, prompt.volts, float("inf")):
            return []
        since = Instant(session, prompt.since_ms)
        at = Instant(session, moment.frame.end_ms)
        times = {
            "short": f"{prompt.times} of {rests} rests or charges seen, without a load that could pull it down",
            "well": "it has stood with its peers for an hour",
            "open": f"seen {prompt.times} times; its peers stood meanwhile",
            "reversal": "for two frames of five minutes on end under load",
        }[prompt.what]
        return [
            Finding(
                name,
                subject,
                word,
                Grade.OBSERVED,
                times,
                at,
                None if prompt.what == "well" else prompt.volts,
                since=since,
                evidence=((since, at),),
            )
        ]

    def _short(self, prompt: Prompt) -> bool:
        """Whether a short has been told of the block."""
        return bool(self._told.get(f"blocks.short block {prompt.block + 1}", ["gone"])[0] != "gone")

    def calm(self, moment: Moment, block: int) -> list[Finding]:
        """A block that has shown nothing at once for a month: what was told of it no longer holds."""
        subject, told = f"block {block + 1}", []
        at = Instant(moment.frame.session, moment.frame.end_ms)
        for name in ("blocks.reversal", "blocks.open"):
            if self._told.get(f"{name} {subject}", ["not_lately"])[0] != "not_lately":
                self._told[f"{name} {subject}"] = ["not_lately", None]
                told.append(Finding(name, subject, "not_lately", Grade.OBSERVED, "not seen for 30 days", at))
        return told

    def spread(self, moment: Moment, volts: float, wide: bool, start_ms: int, limit: float) -> list[Finding]:
        """`blocks.spread` of the bank, if it is new. `volts` per cell."""
        value = round(1000.0 * volts, 1)
        word = "wide" if wide else "even"
        if not self._news("blocks.spread", "bank", word, value, max(_SPREAD_STEP, value)):
            return []
        session = moment.frame.session
        at, since = Instant(session, moment.frame.end_ms), Instant(session, start_ms)
        reason = f"highest less lowest block of a string at rest after a charge; the limit is {1000 * limit:.0f} mV"
        return [Finding("blocks.spread", "bank", word, Grade.OBSERVED, reason, at, value, evidence=((since, at),))]

    def not_read(self, moment: Moment) -> list[Finding]:
        """Once: without taps nothing can be told."""
        return self._cannot(moment, "no voltage of a block is read: taps are missing")

    def _cannot(self, moment: Moment, reason: str) -> list[Finding]:
        if self._told.get("blocks.weakest bank", [""])[0] == "cannot_tell":
            return []
        self._told["blocks.weakest bank"] = ["cannot_tell", None]
        at = Instant(moment.frame.session, moment.frame.end_ms)
        return [Finding("blocks.weakest", "bank", "cannot_tell", Grade.CANNOT_TELL, reason, at)]

    def weakest(
        self,
        moment: Moment,
        record: Compared,
        standings: Sequence[Standing | None],
        records: Sequence[Compared],
        groups: Sequence[range],
    ) -> list[Finding]:
        """`blocks.weakest` of the bank, if it is new."""
        need = int(moment.limits["block_agreeing_discharges"])
        deep = sum(any(one is not None for one in old.capacity) for old in records)
        if deep < need:
            if deep == 0 and len(records) < need:
                return []
            least = 100.0 * moment.limits["block_depth_least"]
            reason = f"{deep} of {need} discharges that took more than {least:.0f} % and began with charged blocks"
            return [] if "blocks.weakest bank" in self._told else self._cannot(moment, reason)
        shares = last_shares(records, groups)
        block = max(shares, key=lambda one: (shares[one], -one))
        value = round(100.0 * shares[block], 0)
        standing = standings[block]
        verdict = "weakest" if shares[block] >= moment.limits["block_rank_share"] else "no_block_stands_out"
        if verdict == "weakest" and standing is not None and standing.word == LOW_CAPACITY:
            verdict = "stands_out"
        name = f"block {block + 1}"
        before = self._told.get("weakest block")
        self._told["weakest block"] = [name, None]
        if verdict != "no_block_stands_out" and before is not None and before[0] != name:
            self._told.pop("blocks.weakest bank", None)
        if not self._news("blocks.weakest", "bank", verdict, value, _SHARE_STEP):
            return []
        session = moment.frame.session
        at = Instant(session, moment.frame.end_ms)
        details = [Figure("block", float(block + 1))]
        less = ""
        if standing is not None and standing.capacity is not None:
            details.append(Figure("capacity_deviation", round(100.0 * standing.capacity, 1)))
            less = f", {100.0 * standing.capacity:+.0f} % against the capacity of its peers"
        reason = f"{name} came last in {value:.0f} % of the last {min(deep, 10)} discharges{less}"
        evidence = ((Instant(session, records[0].start_ms), Instant(session, record.end_ms)),)
        return [
            Finding(
                "blocks.weakest",
                "bank",
                verdict,
                Grade.OBSERVED,
                reason,
                at,
                value,
                evidence=evidence,
                details=tuple(details),
            )
        ]

    def to_plain(self) -> dict[str, Any]:
        return {"told": self._told}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._told = plain["told"]
