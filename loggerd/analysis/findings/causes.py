"""Which finding follows from which: a table, read when findings are put in the order in which they are told.

A row says: where one of `causes` is told, one of `leads_to` is its consequence, if `applies`. A new cause is a new row.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from loggerd.model.finding import Finding

Told = tuple[str, str]
"""Name and verdict of a finding."""
Applies = Callable[[Finding, Finding, Sequence[Finding]], bool]
"""Of a cause, what would follow from it, and all that is told."""


def _always(cause: Finding, finding: Finding, findings: Sequence[Finding]) -> bool:
    return True


def _of_the_same_block(cause: Finding, finding: Finding, findings: Sequence[Finding]) -> bool:
    return finding.subject == cause.subject


def _some_block_runs_flat(cause: Finding, finding: Finding, findings: Sequence[Finding]) -> bool:
    return any((one.name, one.verdict) in _RUNS_FLAT for one in findings)


def _of_a_hot_block(cause: Finding, finding: Finding, findings: Sequence[Finding]) -> bool:
    return any((one.name, one.verdict) == _HOT_BLOCK and one.subject == cause.subject for one in findings)


def _was_before(cause: Finding, finding: Finding, findings: Sequence[Finding]) -> bool:
    """Whether it was there before the weeks in which no charge was full. Days since a full charge are told each day,
    and what is told of a full charge is told after it."""
    weeks = finding.since if finding.name == "full_charge.undercharge" else None
    return (cause.since or cause.at).at_ms <= (weeks or finding.at).at_ms


_RUNS_FLAT = (("blocks.reversal", "reversed"), ("blocks.spread", "wide"))
_HOT_BLOCK = ("heat.spread", "hot_block")
_SET_POINT_LOW = ("full_charge.set_points", "low")
_SMALL_BLOCK = ("blocks.cause", "low_capacity")
_LOSES_CHARGE = (("blocks.cause", "out_of_balance"), ("blocks.cause", "self_discharge"))
_FAULT_OF_A_BLOCK = (_SMALL_BLOCK, *_LOSES_CHARGE)
_RUNS_AWAY = (("heat.runaway", "watch"), ("heat.runaway", "act"), ("heat.runaway", "stop"))
_BANK_HAS_FADED = (("capacity.acid_when_full", "fallen"), ("rest.sulfation", "sulfated"))
_BANK_DRIES_OUT = (("heat.dry_out", "suspected"), ("heat.dry_out", "likely"))
_NEVER_FULL = (("full_charge.undercharge", "chronic"), ("full_charge.days_since", "long_overdue"))
_NEVER_GASSES = (("rest.stratification", "possible"), ("rest.stratification", "likely"))


class Row(NamedTuple):
    """Causes, what each of them leads to, and when."""

    causes: tuple[Told, ...]
    leads_to: tuple[Told, ...]
    applies: Applies = _always


FOLLOWS = (
    # A charger that holds too little voltage.
    Row((_SET_POINT_LOW,), (*_NEVER_FULL, *_NEVER_GASSES)),
    # What a runaway puts in becomes heat, and is in no balance: it looks like a load past the shunt.
    Row(_RUNS_AWAY, (("meter.bypass", "bypassed_load"),)),
    # What was there before charges were full no more, is why: sulfate takes longer than the charger gives, and the
    # current of a dry bank does not fall.
    Row((*_BANK_HAS_FADED, *_BANK_DRIES_OUT), _NEVER_FULL, _was_before),
    # Of a whole bank that has faded one block is the first to come to its end.
    Row(_BANK_HAS_FADED, (_SMALL_BLOCK,)),
    # What a block shows that has run flat before its peers.
    Row(
        _FAULT_OF_A_BLOCK,
        (("blocks.reversal", "reversed"), ("blocks.short", "looks_shorted")),
        _of_the_same_block,
    ),
    # What a bank shows of which one block is flat: it is short of that block's volts, its peers are overcharged.
    Row(
        _LOSES_CHARGE,
        (
            ("limits.low_voltage", "empty"),
            ("limits.low_voltage", "low"),
            ("heat.dry_out", "likely"),
            _SET_POINT_LOW,
        ),
        _some_block_runs_flat,
    ),
    # A charger whose probe sits on a hot block holds less than the others ask for.
    Row(_FAULT_OF_A_BLOCK, (_SET_POINT_LOW,), _of_a_hot_block),
)


def is_cause(finding: Finding) -> bool:
    """Whether others may follow from it."""
    return any((finding.name, finding.verdict) in row.causes for row in FOLLOWS)


def follows(finding: Finding, cause: Finding, findings: Sequence[Finding]) -> bool:
    """Whether a finding is what a cause leads to, among all that is told."""
    told, by = (finding.name, finding.verdict), (cause.name, cause.verdict)
    return any(told in row.leads_to and by in row.causes and row.applies(cause, finding, findings) for row in FOLLOWS)
