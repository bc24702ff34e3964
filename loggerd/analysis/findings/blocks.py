"""Which block? Compares the blocks of each string in every discharge, and names a cause when discharges agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from math import isnan, nan
from typing import Any

from loggerd.analysis.findings.blocks_cause import (
    BASELINE,
    FINE,
    LEVEL_AGAIN,
    OUT_OF_BALANCE,
    RECENT,
    SELF_DISCHARGE,
    Judge,
    Ruler,
    Standing,
    word_of,
)
from loggerd.analysis.findings.blocks_features import Compared, Gathering
from loggerd.analysis.findings.blocks_leak import leak_of
from loggerd.analysis.findings.blocks_rest import RestFall
from loggerd.analysis.findings.blocks_rows import Row, deviations, ohms_apart
from loggerd.analysis.findings.blocks_short import Prompt, ShortWatch
from loggerd.analysis.findings.blocks_specs import SPECS
from loggerd.analysis.findings.blocks_words import BlockTeller
from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import BlocksCompared, DoubtEnded, Rested, SensorDoubt
from loggerd.analysis.findings.strings import StringSharing
from loggerd.analysis.frames import Frame
from loggerd.model.finding import Finding

__all__ = ["SPECS", "Blocks"]

_KEPT = 24
_WIDE_AGREEING = 3
_OPEN_KEPT_MS = 30 * 86_400_000
_WATCHED_MS = 90 * 86_400_000
"""A block that lagged and is level again is watched for so long: an equalizing charge hides what made it lag."""
_NOT_JUDGED = "not_judged"
_FAR_DOWN = ("low_capacity", "out_of_balance", "self_discharge")
"""A block that has this may fall and stand again under changing loads, without being broken."""


class Blocks:
    """See the module. A block whose tap is doubted is not compared; without a trusted current nothing is."""

    def __init__(self, ground: Ground) -> None:
        bank = ground.bank
        self.ground = ground
        self._count, self._cells = bank.blocks, bank.cells_per_block
        self._columns = {f"block_{number + 1}_volts": number for number in range(bank.blocks)}
        self._read = any(name in ground.channels for name in self._columns)
        self._gathering = Gathering(ground)
        self._short = ShortWatch(ground)
        self._fall = RestFall(ground)
        self._sharing = StringSharing(ground)
        self._teller = BlockTeller()
        self._records: list[Compared] = []
        self._histories: list[list[float]] = [[] for _ in range(bank.blocks)]
        self._words: list[str] = [""] * bank.blocks
        self._prompts: dict[int, list[Any]] = {}
        """By block: "short" or "open", and when last seen."""
        self._levelled: dict[int, int] = {}
        """By block: when it lagged no more."""
        self._alarms: dict[int, int] = {}
        """By block: when it last opened or was reversed."""
        self._doubts: dict[str, list[str]] = {}
        self._wide = 0
        self._compared = 0

    def push(self, moment: Moment) -> list[Finding]:
        told = self._hear_doubts(moment) if moment.events else []
        if moment.entries:
            told.extend(self._hear_swaps(moment))
        if shared := self._sharing.push(moment):
            told.extend(shared)
        if not self._read:
            return told + self._teller.not_read(moment)
        frame = moment.frame
        if "amps" in self._doubts:
            return told
        volts = self._trusted(frame)
        if moment.events:
            told.extend(self._hear_rests(moment, volts))
        if prompts := self._short.push(moment, volts):
            told.extend(self._prompted(moment, prompts))
        cells = [one / self._cells for one in volts]
        if falls := self._fall.push(moment, cells):
            told.extend(self._fallen(moment, falls))
        if self._levelled:
            told.extend(self._watched_long(moment))
        since = moment.since_full
        full = since is not None and since.at_ms == frame.end_ms
        record = self._gathering.push(frame, cells, moment.limits, full)
        if record is not None:
            told.extend(self._compare(moment, record))
        return told

    def _trusted(self, frame: Frame) -> list[float]:
        """Volts by block (b,), NaN where not read or doubted."""
        volts = frame.mean_list[frame.layout.block_volts]
        for channel in self._doubts:
            if channel in self._columns:
                volts[self._columns[channel]] = nan
        return volts

    # -- what others tell -----------------------------------------------------------------------------------------

    def _hear_doubts(self, moment: Moment) -> list[Finding]:
        told: list[Finding] = []
        for event in moment.events:
            if isinstance(event, SensorDoubt):
                whats = self._doubts.setdefault(event.channel, [])
                if event.what not in whats:
                    whats.append(event.what)
                number = self._columns.get(event.channel)
                if number is not None and self._words[number] not in ("", FINE, _NOT_JUDGED):
                    self._words[number] = _NOT_JUDGED
                    told.extend(self._teller.cause(moment, number, _NOT_JUDGED, None, "its channel is doubted"))
            elif isinstance(event, DoubtEnded) and event.channel in self._doubts:
                kept = [what for what in self._doubts[event.channel] if what.split(" ")[0] != event.what]
                self._doubts[event.channel] = kept
                if not kept:
                    del self._doubts[event.channel]
        return told

    def _hear_swaps(self, moment: Moment) -> list[Finding]:
        """Another block sits at a place: what was known of the one before goes with it."""
        told: list[Finding] = []
        for entry in moment.entries:
            place = entry.number("position")
            if entry.kind != "block_swapped" or place is None or not 1 <= place <= self._count:
                continue
            block = int(place) - 1
            self._histories[block] = []
            for record in self._records:
                record.forget(block)
            self._prompts.pop(block, None)
            self._short.forget(block)
            self._fall.forget(block)
            self._levelled.pop(block, None)
            if self._alarms.pop(block, None) is not None:
                told.extend(self._teller.calm(moment, block))
            if self._words[block] not in ("", FINE, _NOT_JUDGED):
                told.extend(self._say(moment, block, _NOT_JUDGED, None, "another block was put in its place"))
        return told

    def _hear_rests(self, moment: Moment, volts: list[float]) -> list[Finding]:
        told: list[Finding] = []
        for event in moment.events:
            if not isinstance(event, Rested) or event.after != "charge":
                continue
            read: Row = [
                None if one is None or isnan(trusted) else one / self._cells
                for one, trusted in zip(event.block_volts, volts, strict=True)
            ]
            row = deviations(read, self._gathering.groups)
            told.extend(self._spread(moment, read, event.start_ms, True))
            if event.grade in ("A", "B"):
                self._gathering.rested([None if one is None else round(one, 6) for one in row])
            if event.hours >= 6.0 and event.after_full == "proven":
                for block, value in enumerate(read):
                    if value is not None:
                        told.extend(self._by_voltage(moment, event, block, value * self._cells))
        return told

    def _by_voltage(self, moment: Moment, event: Rested, block: int, volts: float) -> list[Finding]:
        """A block of a bank with too few taps to compare is judged by its voltage alone."""
        group = next(one for one in self._gathering.groups if block in one)
        if len(group) > 1:
            return []
        prompt = self._short.rested(block, volts, event.at_ms, event.start_ms, True)
        return self._prompted(moment, [prompt]) if prompt else []

    # -- at once --------------------------------------------------------------------------------------------------

    def _prompted(self, moment: Moment, prompts: Sequence[Prompt]) -> list[Finding]:
        told: list[Finding] = []
        rests = int(moment.limits["shorted_cell_rests"])
        for prompt in prompts:
            if prompt.what != "open" and self._prompts.get(prompt.block, [""])[0] == "open":
                continue
            told.extend(self._teller.prompt(moment, prompt, rests))
            word = {"short": "shorted_cell", "open": "open"}.get(prompt.what, "")
            if prompt.what == "well":
                self._prompts.pop(prompt.block, None)
                if self._words[prompt.block] == "shorted_cell":
                    self._recovered(prompt.block)
                    told.extend(self._say(moment, prompt.block, FINE, None, "it stands with its peers again"))
            elif word and (prompt.what == "open" or prompt.steady >= rests):
                self._prompts[prompt.block] = [prompt.what, moment.frame.end_ms]
                reason = f"seen {prompt.times} times, {prompt.volts:.2f} V"
                told.extend(self._say(moment, prompt.block, word, None, reason))
            if prompt.what in ("open", "reversal"):
                self._alarms[prompt.block] = moment.frame.end_ms
        return told

    def _recovered(self, block: int) -> None:
        self._histories[block] = []

    def _fallen(self, moment: Moment, falls: Sequence[tuple[int, float, int, int]]) -> list[Finding]:
        """Self-discharge, when rests agree."""
        told: list[Finding] = []
        for block, share, agree, looked in falls:
            if block in self._prompts or self._words[block] in ("shorted_cell", "open"):
                continue
            need = int(moment.limits["block_agreeing_discharges"])
            if agree >= need:
                reason = f"{agree} of {looked} rests agree: it loses {100 * share:.1f} % of its charge a day more"
                told.extend(self._say(moment, block, SELF_DISCHARGE, None, reason))
            elif self._words[block] == SELF_DISCHARGE and looked - agree >= need and self._goes_along(moment, block):
                told.extend(self._say(moment, block, FINE, None, "it keeps its charge at rest as its peers do"))
        return told

    def _goes_along(self, moment: Moment, block: int) -> bool:
        """Whether the latest discharges are fine: a block that is not full rests otherwise than its peers, which lose
        the charge of their surface, and hides its leak by it."""
        need, ruler = int(moment.limits["block_agreeing_discharges"]), self._ruler(moment)
        words = [word_of(one, block, ruler, ohms_apart(one.ohms, ruler.groups)) for one in self._records[-need:]]
        return all(word == FINE for word in words)

    # -- when a discharge is over ---------------------------------------------------------------------------------

    def _compare(self, moment: Moment, record: Compared) -> list[Finding]:
        self._records.append(record)
        del self._records[:-_KEPT]
        self._compared = min(self._compared + 1, 10**6)
        moment.events.append(
            BlocksCompared(
                record.end_ms,
                record.depth,
                tuple(record.end_of_charge),
                tuple(record.early),
                tuple(record.end),
                tuple(record.still),
            )
        )
        for block, value in enumerate(record.capacity):
            if value is not None and block not in self._prompts:
                self._remember(block, value)
        ruler = self._ruler(moment)
        judge = Judge(self._records, self._histories, ruler)
        told = self._calm(moment)
        standings: list[Standing | None] = []
        for block in range(self._count):
            standing = self._stand(moment, judge, block)
            standings.append(standing)
            if standing is not None and standing.word and standing.agree:
                told.extend(self._settle(moment, block, standing))
            if self._words[block] == OUT_OF_BALANCE:
                told.extend(self._leaking(moment, block, ruler))
        told.extend(self._teller.weakest(moment, record, standings, self._records, self._gathering.groups))
        return told

    def _calm(self, moment: Moment) -> list[Finding]:
        told: list[Finding] = []
        for block in [one for one, at in self._alarms.items() if moment.frame.end_ms - at > _OPEN_KEPT_MS]:
            del self._alarms[block]
            told.extend(self._teller.calm(moment, block))
        return told

    def _remember(self, block: int, value: float) -> None:
        """The first discharges stay as the baseline, and the latest ones behind them."""
        history = self._histories[block]
        history.append(value)
        if len(history) > BASELINE + RECENT:
            del history[BASELINE]

    def _stand(self, moment: Moment, judge: Judge, block: int) -> Standing | None:
        prompt = self._prompts.get(block)
        if prompt is not None:
            if prompt[0] == "short" or moment.frame.end_ms - prompt[1] < _OPEN_KEPT_MS:
                return None
            del self._prompts[block]
        before = self._words[block]
        standing = judge.standing(block, before)
        if before == SELF_DISCHARGE and standing.word in (FINE, "unclear", "out_of_balance"):
            return None
        return standing

    def _settle(self, moment: Moment, block: int, standing: Standing) -> list[Finding]:
        before, word = self._words[block], standing.word
        if word == FINE and before not in ("", FINE, LEVEL_AGAIN):
            self._recovered(block)
        if before == OUT_OF_BALANCE and word != before:
            self._levelled[block] = moment.frame.end_ms
        if word == FINE and block in self._levelled:
            word = LEVEL_AGAIN
        return self._say(moment, block, word, standing, "")

    def _watched_long(self, moment: Moment) -> list[Finding]:
        """Blocks that have not lagged again."""
        told: list[Finding] = []
        for block in [one for one, at in self._levelled.items() if moment.frame.end_ms - at > _WATCHED_MS]:
            del self._levelled[block]
            if self._words[block] == LEVEL_AGAIN:
                told.extend(self._say(moment, block, FINE, None, "it has not lagged again for three months"))
        return told

    def _leaking(self, moment: Moment, block: int, ruler: Ruler) -> list[Finding]:
        """Why a block is behind: what it has lost came little by little."""
        leak = leak_of(self._records, block, ruler)
        if leak is None:
            return []
        reason = (
            f"it falls behind by {100 * leak.per_day:.1f} % of its charge from day to day, though the bank is charged: "
            f"{min(100 * leak.deficit, 100):.0f} % in {leak.days:.0f} days"
        )
        return self._say(moment, block, SELF_DISCHARGE, None, reason)

    def _say(self, moment: Moment, block: int, word: str, standing: Standing | None, reason: str) -> list[Finding]:
        self._words[block] = word
        self._short.weak = {number for number, one in enumerate(self._words) if one in _FAR_DOWN}
        return self._teller.cause(moment, block, word, standing, reason)

    def _spread(self, moment: Moment, cells: Row, start_ms: int, rested: bool) -> list[Finding]:
        limit = moment.limits["block_spread_full_volts_per_cell"]
        found = []
        for group in self._gathering.groups:
            known = [value for one in group if (value := cells[one]) is not None]
            if len(known) >= 2:
                found.append(max(known) - min(known))
        if not found:
            return []
        self._wide = min(self._wide + 1, _WIDE_AGREEING) if max(found) > limit else 0
        if max(found) > limit and self._wide < _WIDE_AGREEING:
            return []
        return self._teller.spread(moment, max(found), self._wide >= _WIDE_AGREEING, start_ms, limit)

    def _ruler(self, moment: Moment) -> Ruler:
        assumed, doubts = moment.limits["volts_gain_assumed_fraction"], []
        for name in self._columns:
            stated = self.ground.accuracy.get(name)
            gain = stated.gain if stated is not None and stated.gain is not None else assumed
            offset = stated.offset if stated is not None and stated.offset is not None else 0.0
            doubts.append(1.4 * ((gain * 2.1) ** 2 + (offset / self._cells) ** 2) ** 0.5)
        return Ruler(moment.limits, self._gathering.groups, self._cells, tuple(doubts))

    # -- state ----------------------------------------------------------------------------------------------------

    def to_plain(self) -> dict[str, Any]:
        return {
            "gathering": self._gathering.to_plain(),
            "short": self._short.to_plain(),
            "fall": self._fall.to_plain(),
            "sharing": self._sharing.to_plain(),
            "teller": self._teller.to_plain(),
            "records": [[getattr(record, one.name) for one in fields(Compared)] for record in self._records],
            "histories": self._histories,
            "words": self._words,
            "prompts": {str(block): row for block, row in self._prompts.items()},
            "levelled": {str(block): at for block, at in self._levelled.items()},
            "alarms": {str(block): at for block, at in self._alarms.items()},
            "doubts": self._doubts,
            "wide": self._wide,
            "compared": self._compared,
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        for part in ("gathering", "short", "fall", "sharing", "teller"):
            getattr(self, f"_{part}").load_plain(plain[part])
        self._records = [Compared(*row) for row in plain["records"]]
        self._histories, self._words = plain["histories"], plain["words"]
        self._short.weak = {number for number, one in enumerate(self._words) if one in _FAR_DOWN}
        self._prompts = {int(block): row for block, row in plain["prompts"].items()}
        self._levelled = {int(block): at for block, at in plain["levelled"].items()}
        self._alarms = {int(block): at for block, at in plain["alarms"].items()}
        self._doubts, self._wide, self._compared = plain["doubts"], plain["wide"], plain["compared"]
