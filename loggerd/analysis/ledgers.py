"""Phases to the ledgers: entries of phases, cycles, accounts between full charges, and counted depths."""

from __future__ import annotations

from loggerd.analysis.cycles import CycleBuilder
from loggerd.analysis.depth_bands import DepthCount, DepthCounter
from loggerd.analysis.figures import CYCLE_FIGURES, DEPTH_FIGURES, FULL_TO_FULL_FIGURES, PHASE_FIGURES
from loggerd.analysis.figures.catalogue import Context, figures_of
from loggerd.analysis.full_to_full import FullToFullBuilder
from loggerd.analysis.part import Part, gap_part, part_of_phase
from loggerd.analysis.plan import BankPlan
from loggerd.analysis.stretch import Stretch, stretch_from_plain, stretch_to_plain
from loggerd.model.ledger import Entry, Instant, LedgerName, PhaseKind

_KINDS = {-1: PhaseKind.DISCHARGE, 0: PhaseKind.REST, 1: PhaseKind.CHARGE}


class Ledgers:
    """Folds ended phases into entries. Never mixed: each ledger has its own builder."""

    def __init__(self, plan: BankPlan, context: Context) -> None:
        rated, rules = plan.bank.rated_amp_hours, plan.rules
        self.context = context
        self._cycles = CycleBuilder(rules.minimum_swing * rated)
        self._full = FullToFullBuilder(rules.full_tail * rated, rules.full_volts_per_cell * plan.bank.cells_in_series)
        self._depth = DepthCounter(rules.depth_gate * rated)
        self._last: Stretch | None = None

    def push(self, phases: list[Stretch], gap_unknown: bool = False) -> list[Entry]:
        """Entries that these phases completed. `gap_unknown`: a pause of unknown length came before the first."""
        entries: list[Entry] = []
        for phase in phases:
            entries.extend(self._gap_before(phase, gap_unknown))
            gap_unknown = False
            entries.append(self._phase_entry(phase, complete=True))
            entries.extend(self._add(part_of_phase(phase, self.context.limits), phase))
            self._last = _outline(phase)
        return entries

    def _gap_before(self, phase: Stretch, unknown: bool) -> list[Entry]:
        if self._last is None or (not unknown and phase.start_ms <= self._last.end_ms):
            return []
        return self._add(gap_part(self._last, phase, unknown), None)

    def _add(self, part: Part, phase: Stretch | None) -> list[Entry]:
        entries = [self._part_entry(LedgerName.CYCLES, "pair", cycle, True) for cycle in self._cycles.push(part)]
        entries.extend(
            self._part_entry(LedgerName.FULL_TO_FULL, "provisional", account, True)
            for account in self._full.push(part, phase)
        )
        counts = self._depth.push(part.net_ah, (part.session, part.start_ms), (part.end_session, part.end_ms))
        entries.extend(self._depth_entry(count, True) for count in counts)
        return entries

    def unfinished(self, phase: Stretch | None, gap_unknown: bool = False) -> list[Entry]:
        """What stands open, with the phase under way. Spends this object: call it on a copy."""
        entries: list[Entry] = []
        if phase is not None:
            entries.extend(self._gap_before(phase, gap_unknown))
            entries.append(self._phase_entry(phase, complete=False))
            entries.extend(self._add(part_of_phase(phase, self.context.limits), phase))
        cycle, account = self._cycles.unfinished(), self._full.unfinished()
        if cycle is not None:
            entries.append(self._part_entry(LedgerName.CYCLES, "pair", cycle, False))
        if account is not None:
            entries.append(self._part_entry(LedgerName.FULL_TO_FULL, "provisional", account, False))
        entries.extend(self._depth_entry(count, False) for count in self._depth.residue())
        return entries

    def _phase_entry(self, phase: Stretch, complete: bool) -> Entry:
        return Entry(
            LedgerName.PHASES,
            _KINDS[phase.label].value,
            Instant(phase.session, phase.start_ms),
            Instant(phase.end_session, phase.end_ms),
            complete,
            figures_of(PHASE_FIGURES, phase, self.context),
        )

    def _part_entry(self, ledger: LedgerName, kind: str, part: Part, complete: bool) -> Entry:
        catalogue = CYCLE_FIGURES if ledger is LedgerName.CYCLES else FULL_TO_FULL_FIGURES
        return Entry(
            ledger,
            kind,
            Instant(part.session, part.start_ms),
            Instant(part.end_session, part.end_ms),
            complete,
            figures_of(catalogue, part, self.context),
        )

    def _depth_entry(self, count: DepthCount, complete: bool) -> Entry:
        return Entry(
            LedgerName.DEPTH_BANDS,
            "range",
            Instant(*count.start),
            Instant(*count.end),
            complete,
            figures_of(DEPTH_FIGURES, count, self.context),
        )

    def to_plain(self) -> dict[str, object]:
        return {
            "cycles": self._cycles.to_plain(),
            "full": self._full.to_plain(),
            "depth": self._depth.to_plain(),
            "last": stretch_to_plain(self._last) if self._last else None,
        }

    def load_plain(self, plain: dict[str, dict[str, object]]) -> None:
        self._cycles.load_plain(plain["cycles"])
        self._full.load_plain(plain["full"])
        self._depth.load_plain(plain["depth"])
        self._last = stretch_from_plain(plain["last"]) if plain["last"] else None


def _outline(phase: Stretch) -> Stretch:
    """What of a phase the next gap needs: when it ended and the currents it saw."""
    outline = Stretch(phase.label, phase.session, phase.start_ms, phase.end_session, phase.end_ms)
    if "amps" in phase.spreads:
        outline.spreads["amps"] = phase.spreads["amps"]
    return outline
