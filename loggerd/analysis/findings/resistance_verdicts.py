"""When and how the findings on resistance are told: once something has changed, else now and then."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from loggerd.analysis.findings.events import Resistance
from loggerd.analysis.findings.resistance_history import DepthHistory, Rise
from loggerd.analysis.findings.resistance_spans import BLOCK, JOINT, UNTOLD, Judged
from loggerd.analysis.findings.resistance_steps import DEPTHS
from loggerd.analysis.frames import DAY_MS
from loggerd.model.bank import Bank
from loggerd.model.finding import Finding, Grade
from loggerd.model.ledger import Figure, Instant

_BANK_DAYS, _BLOCK_DAYS = 7, 28
_NOTABLE = 0.05
_ABOVE_PEERS, _STILL_ABOVE = 1.5, 1.35
"""A share at which a span stands out from the start: blocks of one kind differ by a tenth."""
_SUDDEN_DAYS = 21
_STILL_ACT = 0.9
"""What was told to have risen this far stays so until it is a tenth below: days differ by less than that."""

Span = tuple[Instant, Instant]


def ohms_grade(rise: float, watch: float, act: float) -> str:
    """ "steady", "watch" or "act" by the rise over the baseline as a fraction. IEEE 1188, from memory."""
    # A hair below the limit is the limit: 5.2 / 4 - 1 is not quite 0.3 in binary.
    hair = 1e-9
    return "act" if rise >= act - hair else "watch" if rise >= watch - hair else "steady"


@dataclass
class Teller:
    """Remembers what was last told of each: [day, verdict, value]."""

    bank_of: Bank
    last: dict[str, list[Any]]
    quiet_day: int | None

    def __init__(self, bank: Bank) -> None:
        self.bank_of, self.last, self.quiet_day = bank, {}, None

    def at(self, at: Instant, span: Span, day: int) -> Teller:
        """Sets when it tells, and of which day."""
        self._at, self._span, self._day = at, span, day
        return self

    def _due(self, key: str, verdict: str, value: float, days: int, notable: float) -> bool:
        """Whether it is time to tell this; if so it counts as told."""
        last = self.last.get(key)
        due = (
            last is None
            or last[1] != verdict
            or self._day - last[0] >= days
            or abs(value - last[2]) > notable * abs(last[2])
        )
        if due:
            self.last[key] = [self._day, verdict, value]
        return due

    def bank(self, event: Resistance) -> list[Finding]:
        ohms = event.bank_ohms
        if ohms is None or not self._due("bank", "measured", ohms, _BANK_DAYS, max(_NOTABLE, event.half_width)):
            return []
        milliohms, half = ohms * 1000, event.half_width
        cells = self.bank_of.cells_in_series
        details = (
            Figure(
                "per_cell_milliohms", milliohms / cells, milliohms / cells * (1 - half), milliohms / cells * (1 + half)
            ),
            Figure("steps", float(event.steps)),
            Figure("interval_seconds", event.interval_seconds),
            Figure("depth", event.depth),
            Figure("celsius", event.celsius, reason="" if event.celsius is not None else "no temperature is read"),
        )
        warmth = "" if event.celsius is not None else " No temperature is read, so it holds for that day only."
        reason = f"From {event.steps} load steps, read {event.interval_seconds:.0f} s apart.{warmth}"
        return [replace(self._measured("resistance.bank", "bank", milliohms, half, reason), details=details)]

    def blocks(self, event: Resistance, depths: Mapping[int, DepthHistory]) -> list[Finding]:
        found = []
        for block, ohms in enumerate(event.block_ohms, start=1):
            # A risen block has been told by its span already, and stands until that is over.
            if ohms is None or self.last.get(f"span {block}", [0, ""])[1]:
                continue
            share = _first_share(depths, block)
            above = self._stands_out(block, share)
            verdict = "above_peers" if above else "measured"
            if not self._due(f"block {block}", verdict, ohms, _BLOCK_DAYS, 4 * _NOTABLE):
                continue
            reason = f"From {event.steps} load steps, read {event.interval_seconds:.0f} s apart."
            if above and share is not None:
                reason = (
                    f"In its first weeks it had {share:.1f} times the resistance of its neighbours. Whether that is "
                    "the joint or the block cannot be told, since it was never seen otherwise."
                )
            measured = self._measured("resistance.block", f"block {block}", ohms * 1000, event.half_width, reason)
            found.append(replace(measured, verdict=verdict))
        return found

    def _stands_out(self, block: int, share: float | None) -> bool:
        """With three blocks and more: of two, the better one may be the odd one."""
        before = self.last.get(f"block {block}", [0, ""])[1] == "above_peers"
        least = _STILL_ABOVE if before else _ABOVE_PEERS
        return self.bank_of.blocks_per_string > 2 and share is not None and share >= least

    def _measured(self, name: str, subject: str, value: float, half_width: float, reason: str) -> Finding:
        low, high = value * (1 - half_width), value * (1 + half_width)
        return Finding(
            name, subject, "measured", Grade.OBSERVED, reason, self._at, value, low, high, None, (self._span,)
        )

    def span(self, block: int, judged: Judged) -> list[Finding]:
        """Findings on the joint of a block, or on the block where the rise is its own; a small rise is told of joints
        only."""
        rise, key = judged.rise, f"span {block}"
        if rise is None:
            return []
        small = judged.state == "rising" and judged.kind != JOINT
        state = "" if small else f"{judged.state} {judged.kind}".strip()
        before = self.last.get(key, [0, "", 0.0])
        if state == before[1] and (not state or abs(rise.value - before[2]) < max(0.1, rise.half_width)):
            return []
        self.last[key] = [self._day, state, rise.value]
        withdrawn = self._withdrawn(block, before[1], judged.kind if state else "", rise)
        return [*withdrawn, *(self._told(block, judged, rise) if state else ())]

    def _withdrawn(self, block: int, before: str, kind: str, rise: Rise) -> list[Finding]:
        """What was told of the joint or the block and holds no more."""
        was_joint = before.endswith(JOINT)
        if was_joint and kind != JOINT:
            reason = "Its span has nearly the resistance of its first weeks again."
            if kind == BLOCK:
                reason = "The rise is the block's own, not that of its joint."
            return [self._link(block, "as_before", reason, rise, None)]
        if before and not was_joint and kind in {"", JOINT}:
            reason = "Its span has nearly the resistance of its first weeks again."
            if kind == JOINT:
                reason = "The rise is that of its joint, not the block's own."
            ohms = _span_ohms(rise)
            at, measured = self._at, "measured"
            finding = Finding("resistance.block", f"block {block}", measured, Grade.OBSERVED, reason, at, ohms)
            return [self._with_span(finding)]
        return []

    def _told(self, block: int, judged: Judged, rise: Rise) -> list[Finding]:
        since = None if judged.since_day is None else Instant(self._at.session, (judged.since_day + 1) * DAY_MS)
        percent = f"{rise.value * 100:.0f} %"
        if judged.kind == JOINT:
            reason = f"Against its peers its span has {percent} more resistance than in its first weeks; {judged.why}."
            return [self._link(block, judged.state, reason, rise, since)]
        verdict = "block_risen" if judged.kind == BLOCK else "risen"
        reason = f"{percent} more than in its first weeks against its peers; {judged.why}."
        half = rise.half_width
        details = (Figure("rise_percent", rise.value * 100, (rise.value - half) * 100, (rise.value + half) * 100),)
        grade, at = _grade(judged.kind), self._at
        finding = Finding("resistance.block", f"block {block}", verdict, grade, reason, at, _span_ohms(rise))
        return [self._with_span(replace(finding, since=since, details=details))]

    def _link(self, block: int, verdict: str, reason: str, rise: Rise, since: Instant | None) -> Finding:
        value, half = rise.value * 100, rise.half_width * 100
        details = (Figure("added_milliohms", rise.excess_ohms * 1000),)
        return self._with_span(
            Finding(
                "resistance.link",
                f"link {block}",
                verdict,
                Grade.OBSERVED,
                reason,
                self._at,
                value,
                value - half,
                value + half,
                since,
                (),
                details,
            )
        )

    def _with_span(self, finding: Finding) -> Finding:
        return replace(finding, evidence=(self._span,))

    def trend(self, depths: Mapping[int, DepthHistory], limits: Mapping[str, float]) -> list[Finding]:
        """The bank as a whole, at the shallowest depth that is known; without a known depth it is not judged."""
        rises = (depths[number].bank_rise(self._day) for number in range(DEPTHS) if number in depths)
        rise = next((one for one in rises if one is not None), None)
        if rise is None:
            return []
        if rise.value < limits["link_rise_fraction"] / 4 or self.quiet_day is None:
            self.quiet_day = self._day
        verdict = ohms_grade(rise.value, limits["ohms_watch_fraction"], limits["ohms_act_fraction"])
        # In the cold and after few steps the band is wide: a rise counts where its lower edge is one.
        if rise.value - rise.half_width < limits["ohms_watch_fraction"] / 3:
            verdict = "steady"
        verdict = self._jumped(rise, limits["link_rise_fraction"]) or verdict
        before = self.last.get("trend", [0, "", 0.0])
        if verdict == "watch" and before[1] == "act" and rise.value >= _STILL_ACT * limits["ohms_act_fraction"]:
            verdict = "act"
        if verdict == before[1] and abs(rise.value - before[2]) < max(0.1, rise.half_width):
            return []
        if verdict == "steady" and before[1] in {"watch", "act", "jumped"} and rise.value > 0.2:
            return []
        self.last["trend"] = [self._day, verdict, rise.value]
        value, half = rise.value * 100, rise.half_width * 100
        reason = f"{rise.latest * 1000:.3g} mΩ now, {rise.base * 1000:.3g} mΩ in the first weeks, at the same depth."
        since = Instant(self._at.session, (self.quiet_day + 1) * DAY_MS) if verdict != "steady" else None
        return [
            Finding(
                "resistance.trend",
                "bank",
                verdict,
                Grade.OBSERVED,
                reason,
                self._at,
                value,
                value - half,
                value + half,
                since,
                (self._span,),
            )
        ]

    def _jumped(self, rise: Rise, least: float) -> str:
        """Without taps a joint shows only as a jump of the whole; with them it has a name of its own."""
        taps = any(key.startswith("block ") for key in self.last)
        sudden = self.quiet_day is not None and 0 < self._day - self.quiet_day <= _SUDDEN_DAYS
        stays = self.last.get("trend", [0, ""])[1] == "jumped" and rise.value >= least / 2
        jump = not taps and rise.value >= least and rise.value > rise.half_width and (sudden or stays)
        return "jumped" if jump or (stays and not taps) else ""

    def to_plain(self) -> dict[str, Any]:
        return {"last": self.last, "quiet_day": self.quiet_day}

    def load_plain(self, plain: dict[str, Any]) -> None:
        self.last, self.quiet_day = plain["last"], plain["quiet_day"]


def _first_share(depths: Mapping[int, DepthHistory], block: int) -> float | None:
    """Share against peers in the first weeks, at the shallowest depth known."""
    for number in range(DEPTHS):
        if number in depths and depths[number].base is not None:
            share = depths[number].base["shares"][block - 1]  # type: ignore[index]
            if share is not None:
                return float(share)
    return None


def _span_ohms(rise: Rise) -> float | None:
    """Milliohms of the span now: its share of what its peers have."""
    added = rise.latest - rise.base
    return rise.latest * rise.excess_ohms / added * 1000 if added else None


def _grade(kind: str) -> Grade:
    return Grade.INFERRED if kind == UNTOLD else Grade.OBSERVED
