"""Which block to watch, in words, from the findings on blocks and their joints."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from loggerd.analysis.findings import ranked, verdict_of
from loggerd.model.finding import Finding
from loggerd.wording.filling import one_line
from loggerd.wording.finding_cards import trust_of
from loggerd.wording.reader import Reader

_PLACE = re.compile(r"(?:block|link) ([0-9]{1,4})\Z")
_CHANNEL = re.compile(r"block_([0-9]{1,4})_")
_STANDS_OUT = ("blocks.weakest", "stands_out")


@dataclass(frozen=True)
class BlockToWatch:
    """`number`: the block to watch, None if there is none. `says`, `reasons`: sentences on it, the weightiest first,
    and why (in English; how many discharges agree is in them). `others`: sentences by number of other blocks of which
    something is amiss. `cause`: the trade's word for what it has, in English, "" where none is named."""

    number: int | None
    says: tuple[str, ...]
    reasons: tuple[str, ...] = ()
    others: dict[int, tuple[str, ...]] = field(default_factory=dict)
    cause: str = ""

    @property
    def amiss(self) -> dict[int, tuple[str, ...]]:
        """All blocks of which something is to be said."""
        return self.others if self.number is None else {self.number: self.says, **self.others}


def block_to_watch(found: Sequence[Finding], reader: Reader) -> BlockToWatch:
    """The block that the weightiest finding is about. `found`: what holds."""
    by_block: dict[int, list[Finding]] = {}
    for one in ranked(found):
        number = _block_of(one)
        if number is not None:
            by_block.setdefault(number, []).append(one)
    if not by_block:
        return _none(found, reader)
    number, findings = next(iter(by_block.items()))
    return BlockToWatch(
        number,
        _sentences(findings, reader),
        tuple(dict.fromkeys(one_line(one.reason) for one in findings if one.reason)) if reader.texts.english else (),
        {other: _sentences(told, reader) for other, told in by_block.items() if other != number},
        verdict_of(findings[0]).cause if reader.texts.english else "",
    )


def _sentences(findings: Sequence[Finding], reader: Reader) -> tuple[str, ...]:
    return tuple(reader.finding(one) for one in findings)


def _block_of(finding: Finding) -> int | None:
    match = _PLACE.match(finding.subject) or _CHANNEL.match(finding.subject)
    if match is not None:
        return int(match[1])
    if (finding.name, finding.verdict) == _STANDS_OUT:
        value = next((one.value for one in finding.details if one.name == "block"), None)
        return None if value is None else round(value)
    return None


def _none(found: Sequence[Finding], reader: Reader) -> BlockToWatch:
    """Why there is none: the blocks go along with each other, or nothing can be said."""
    fine = [one for one in found if (one.name, one.verdict) == ("blocks.cause", "fine")]
    weakest = next((one for one in found if one.name == "blocks.weakest"), None)
    reasons = (one_line(weakest.reason),) if weakest is not None and weakest.reason and reader.texts.english else ()
    if fine:
        count = len(fine)
        what = "The block goes" if count == 1 else f"All {count} blocks that are judged go"
        return BlockToWatch(None, (f"None. {what} along with the others ({trust_of(fine[0], reader)}).",), reasons)
    if weakest is not None:
        return BlockToWatch(None, (reader.finding(weakest),), reasons)
    return BlockToWatch(None, ("No block has been compared with its peers yet.",))
