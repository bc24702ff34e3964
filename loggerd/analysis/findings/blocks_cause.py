"""Which fault a block shows: one word for each discharge, and what holds when discharges agree.

The rules are common practice put into figures of our own: low at the end of a charge and at rest is a block that lags;
low at the end of a discharge only, and more with depth, is one that holds less; low at once under load and high on
charge, in proportion to the current, is a joint.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

from loggerd.analysis.findings.blocks_features import Compared
from loggerd.analysis.findings.blocks_rows import Row, ohms_apart
from loggerd.analysis.findings.blocks_statistics import is_lower, low_outliers, mean, variance
from loggerd.analysis.findings.estimators.median import median

FINE = "fine"
LOW_CAPACITY, OUT_OF_BALANCE, LINK = "low_capacity", "out_of_balance", "high_resistance_link"
SELF_DISCHARGE, BAD_TAP, UNCLEAR = "self_discharge", "bad_tap", "unclear"
LEVEL_AGAIN = "level_again"

RECENT = 5
BASELINE = 10
_CHANCE = 0.01
_MANY = 7
_SAME = 0.3
_SHARE_AGREEING = 0.6
_STILL_SEEN = 2
_LINK_LOSS = 0.05
"""A block with more resistance that holds less by this too is worn, not badly joined."""
_BEYOND_PEERS = 4.0
"""So many times their scatter above its peers no sound block's resistance lies."""
_LEAST_PEERS = 3
_STILL_BEYOND = 0.5
"""What is told stands while it is beyond this share of its scatter, and of what is told at first."""
_MAD_TO_SD = 1.4826
_FAR_LOW = 0.1
"""So far below its peers at the end of a charge [V per cell] no healthy gassing lies."""
_IN_ORDER = (BAD_TAP, OUT_OF_BALANCE, LOW_CAPACITY, LINK, UNCLEAR)


@dataclass(frozen=True)
class Ruler:
    """What a deviation is measured with. `doubt`: by block, what the taps may be wrong by [V per cell]."""

    limits: Mapping[str, float]
    groups: tuple[range, ...]
    cells: int
    doubt: tuple[float, ...]

    @property
    def volts_of_charge(self) -> float:
        """Fall of the rested volts per cell from full to flat, by the preset."""
        return self.limits["rest_volts_full"] - self.limits["rest_volts_flat"]


def still_of(record: Compared, block: int, apart: Row, ruler: Ruler) -> float | None:
    """Deviation without current: as seen, else early in the discharge less what resistance explains."""
    still = record.still[block]
    if still is not None:
        return still
    early, ohms = record.early[block], apart[block]
    if early is None or ohms is None or record.early_amps is None:
        return None
    return early - ohms / ruler.cells * record.early_amps


def word_of(record: Compared, block: int, ruler: Ruler, apart: Row) -> str | None:
    """What one discharge says of a block; None where it says nothing. `apart`: ohms above those of its peers."""
    limits = ruler.limits
    still, charged, grown = still_of(record, block, apart, ruler), record.end_of_charge[block], record.capacity[block]
    if still is None and charged is None and grown is None:
        return None
    if any(
        one is not None and one * ruler.cells < -limits["shorted_cell_volts"] for one in (still, record.bulk[block])
    ):
        return None
    doubt = ruler.doubt[block]
    behind = still is not None and -still > limits["block_lag_fraction"] * ruler.volts_of_charge + doubt
    low = charged is not None and -charged > limits["block_low_at_full_volts_per_cell"] + doubt
    least = limits["block_loss_fraction"] + (record.capacity_doubt or 0.0)
    weak = grown is not None and -grown > least and (record.full or still is not None)
    if (behind or low) and _constant(record, block, ruler, apart):
        word = BAD_TAP
    elif low and (behind or _far_low(charged, still, doubt)):
        word = OUT_OF_BALANCE
    elif weak:
        word = UNCLEAR if low or (behind and charged is None) else LOW_CAPACITY
    elif not behind and _is_link(record, block, ruler, apart):
        word = LINK
    else:
        # Level without current: the last per cent of a charge alone lifts blocks by a tenth of a volt, or not.
        strange = (
            still is None
            and charged is not None
            and -charged > 2.0 * limits["block_low_at_full_volts_per_cell"] + doubt
        )
        word = UNCLEAR if behind or strange else FINE
    return word


def _far_low(charged: float | None, still: float | None, doubt: float) -> bool:
    """Whether the end of the charge tells enough, while the block is level or a little low without current."""
    return charged is not None and -charged > _FAR_LOW and (still is None or -still > doubt)


def _constant(record: Compared, block: int, ruler: Ruler, apart: Row) -> bool:
    """Whether a block reads the same amount too low in all phases, as no fault of a battery does."""
    early, bulk, charged = record.early[block], record.bulk[block], record.end_of_charge[block]
    ohms = (apart[block] or 0.0) / ruler.cells
    phases = [charged, record.still[block], bulk, None if early is None else early - ohms * (record.early_amps or 0.0)]
    known = [one for one in phases if one is not None]
    middle = median(known)
    return len(known) >= 3 and all(abs(one - middle) < _SAME * abs(middle) for one in known)


def _is_link(record: Compared, block: int, ruler: Ruler, apart: Row) -> bool:
    """More ohms than the peers by size and beyond their scatter, low on discharge and not low on charge."""
    ohms, above = record.ohms[block], apart[block]
    if ohms is None or above is None or ohms <= above:
        return False
    least = max(ruler.limits["ohms_watch_fraction"] * (ohms - above), _BEYOND_PEERS * _scatter_of(record, block, ruler))
    if above < least:
        return False
    early, bulk = record.early[block], record.bulk[block]
    if early is not None and record.early_amps is not None:
        expected = above / ruler.cells * record.early_amps
        if early > 0.4 * expected + ruler.doubt[block]:
            return False
    return bulk is None or bulk > -ruler.doubt[block]


def _scatter_of(record: Compared, block: int, ruler: Ruler) -> float:
    """Robust scatter of the peers' ohms; 0 where there are too few of them to scatter."""
    group = next(one for one in ruler.groups if block in one)
    known = [value for one in group if one != block and (value := record.ohms[one]) is not None]
    if len(known) < _LEAST_PEERS:
        return 0.0
    middle = median(known)
    return _MAD_TO_SD * median([abs(one - middle) for one in known])


@dataclass(frozen=True)
class Standing:
    """What holds of a block. `agree` of `looked` discharges say so; `capacity`: median of the latest, with the scatter
    of its mean (95 %); `last_share`: share of discharges in which it came last."""

    word: str
    agree: int
    looked: int
    capacity: float | None
    scatter: float | None
    last_share: float | None
    evidence: str


class Judge:
    """Weighs the latest discharges of a bank. `histories`: by block, capacities of its first discharges (BASELINE of
    them) and then of its latest (RECENT)."""

    def __init__(self, records: Sequence[Compared], histories: Sequence[Sequence[float]], ruler: Ruler) -> None:
        self._records, self._histories, self._ruler = records, histories, ruler
        blocks = range(len(ruler.doubt))
        aparts = [ohms_apart(one.ohms, ruler.groups) for one in records]
        self._words = [
            [word_of(record, block, ruler, apart) for record, apart in zip(records, aparts, strict=True)]
            for block in blocks
        ]
        self._pooled = [self._capacity(block) for block in blocks]
        doubts = [one.capacity_doubt for one in records[-2 * RECENT :] if one.capacity_doubt is not None]
        self._doubt = median(doubts) if doubts else 0.0
        self._outliers = self._find_outliers()
        self._shares = last_shares(records, ruler.groups)

    def _capacity(self, block: int) -> float | None:
        known = self._capacities(block)
        return median(known) if len(known) >= int(self._ruler.limits["block_agreeing_discharges"]) else None

    def _capacities(self, block: int) -> list[float]:
        known = [value for one in self._records if (value := one.capacity[block]) is not None]
        return known[-RECENT:]

    def _find_outliers(self) -> set[int]:
        found: set[int] = set()
        for group in self._ruler.groups:
            known = [(block, value) for block in group if (value := self._pooled[block]) is not None]
            if len(known) >= _MANY:
                low = low_outliers([value for _, value in known], _CHANCE)
                found.update(known[one][0] for one in low)
        return found

    def standing(self, block: int, before: str) -> Standing:
        """What holds now; `before` is what held till now, which stays while it is still seen now and then."""
        need, pooled = int(self._ruler.limits["block_agreeing_discharges"]), self._pooled[block]
        told = before == LOW_CAPACITY
        evidence = self._lower_by(block, told) if pooled is not None else ""
        counts = {word: self._count(word, block, evidence, told) for word in _IN_ORDER}
        agreeing = [
            word for word, (agree, looked) in counts.items() if agree >= need and agree >= _SHARE_AGREEING * looked
        ]
        fine, looked = self._count(FINE, block, evidence, told)
        if agreeing:
            word, (agree, looked) = agreeing[0], counts[agreeing[0]]
        elif counts.get(before, (0, 0))[0] >= _STILL_SEEN or fine < need:
            word, (agree, looked) = before, counts.get(before, (0, looked))
        else:
            word, agree = FINE, fine
        return Standing(word, agree, looked, pooled, self._scatter(block), self._shares.get(block), evidence)

    def _count(self, word: str, block: int, evidence: str, told: bool) -> tuple[int, int]:
        """In how many of the latest discharges that could show it, and how many these are. `told`: that it holds less
        is told now, and plates do not grow back, so that less of it is enough."""
        said = []
        for seen, record in zip(reversed(self._words[block]), reversed(self._records), strict=True):
            hidden = (word == LOW_CAPACITY and record.capacity[block] is None) or (
                word == LINK and record.ohms[block] is None
            )
            words = LOW_CAPACITY if told and seen == FINE and self._still_less(record, block) else seen
            if words is not None and not hidden:
                said.append(FINE if words == LOW_CAPACITY and not evidence else words)
            if len(said) == RECENT:
                break
        if word == LINK and (self._pooled[block] or 0.0) < -_LINK_LOSS:
            return 0, len(said)
        return said.count(word), len(said)

    def _still_less(self, record: Compared, block: int) -> bool:
        grown, limit = record.capacity[block], self._ruler.limits["block_loss_fraction"]
        return grown is not None and -grown > _STILL_BEYOND * (limit + (record.capacity_doubt or 0.0))

    def _scatter(self, block: int) -> float | None:
        known = self._capacities(block)
        if len(known) < int(self._ruler.limits["block_agreeing_discharges"]):
            return None
        return 2.8 * sqrt(variance(known) / len(known)) + self._doubt

    def _lower_by(self, block: int, told: bool) -> str:
        """Which evidence there is that a block really holds less; empty if it may be chance. `told`: it is told now."""
        limits, pooled = self._ruler.limits, self._pooled[block]
        assert pooled is not None
        peers = len(next(group for group in self._ruler.groups if block in group))
        history, least = self._histories[block], limits["block_loss_fraction"] + self._doubt
        if len(history) >= BASELINE + RECENT:
            first, later = history[:BASELINE], history[BASELINE:]
            lost = mean(first) - mean(later) > least
            if lost and is_lower(later, first, _CHANCE / peers):
                return "its own history"
        # At the end of a bank that is drawn empty the first block falls off by any amount: what scatters by more than
        # itself is no measure of it; but a block that is small falls off in each of them by another amount.
        scatter = self._scatter(block)
        if scatter is None:
            return ""
        if -pooled < scatter * (_STILL_BEYOND if told else 1.0):
            return "what it showed before" if told and -pooled > least else ""
        if block in self._outliers and -pooled > least:
            return "its peers"
        share = self._shares.get(block)
        if (
            -pooled > limits["block_weak_fraction"] + self._doubt
            and share is not None
            and share >= limits["block_rank_share"]
        ):
            return "its size"
        return "what it showed before" if told and -pooled > _STILL_BEYOND * least else ""


def last_shares(records: Sequence[Compared], groups: Sequence[range]) -> dict[int, float]:
    """Share of the latest discharges in which each block came last of its string."""
    shares: dict[int, float] = {}
    for group in groups:
        last = []
        for record in records:
            known = [(value, block) for block in group if (value := record.capacity[block]) is not None]
            if len(known) >= 2:
                last.append(min(known)[1])
        last = last[-2 * RECENT :]
        shares |= {block: last.count(block) / len(last) for block in group if last}
    return shares
