"""Resistance of bank, blocks and joints from load steps: a figure for each day, and what has changed.

Only steps that a load made count: current on the discharge side before and after, voltage falling as it is drawn.
Each day (or a few, where steps are rare) gives figures by depth of discharge; a block is compared with its peers in the
same steps, and that share with its own first weeks, so that temperature, depth and the current sensor cancel.
"""

from __future__ import annotations

import math
from typing import Any

from loggerd.analysis.findings.catalogue import Ground, Moment
from loggerd.analysis.findings.events import Resistance, Rested
from loggerd.analysis.findings.resistance_depth import Depth
from loggerd.analysis.findings.resistance_history import DepthHistory
from loggerd.analysis.findings.resistance_spans import RestDeviations, Span
from loggerd.analysis.findings.resistance_steps import (
    ANY_DEPTH,
    DEPTHS,
    DaySteps,
    DepthTable,
    corrections,
    depth_class,
    enough,
    row_of,
    table_of,
)
from loggerd.analysis.findings.resistance_verdicts import Teller
from loggerd.analysis.findings.resistance_words import SPECS
from loggerd.analysis.frames import DAY_MS
from loggerd.model.finding import Finding
from loggerd.model.ledger import Instant

__all__ = ["SPECS", "ResistanceTopic"]

_OTHER_CLASS_DAYS = 3
_LONGEST_DAYS = 10
"""Steps that are rare are gathered over so many days."""


class ResistanceTopic:
    """Gathers steps of a day; at its end estimates, compares and tells."""

    def __init__(self, ground: Ground) -> None:
        self._bank, self._layout = ground.bank, ground.layout
        amps = ground.accuracy.get("amps")
        noise = 6 * (amps.noise or 0.0) if amps else 0.0
        self._slack_amps = noise + ((amps.offset or 0.0) if amps else 0.0)
        self._day = -1
        self._session = 0
        self._drawn_only = False
        self._depth = Depth()
        self._steps = DaySteps()
        self._waiting: dict[int, list[list[Any]]] = {}
        self._classes: dict[str, list[int]] = {}
        self._depths: dict[int, DepthHistory] = {}
        self._spans = [Span(block) for block in range(1, self._bank.blocks + 1)]
        self._rests = RestDeviations()
        self._teller = Teller(self._bank)

    def push(self, moment: Moment) -> list[Finding]:
        frame = moment.frame
        found: list[Finding] = []
        day = frame.start_ms // DAY_MS
        if day != self._day:
            if self._steps.rows:
                found = self._end_day(moment)
            self._day = day
        self._session = frame.session
        if moment.entries and any(entry.kind == "block_swapped" for entry in moment.entries):
            # The shares of all blocks, and what the bank has, begin anew with another block among them.
            self._depths, self._waiting = {}, {}
        for event in moment.events:
            if isinstance(event, Rested):
                self._rests.add(event, self._bank)
        self._depth.push(frame, moment.since_full)
        drawn = self._only_drawn(moment)
        if frame.steps and drawn:
            self._take(moment)
        self._drawn_only = drawn
        return found

    def _only_drawn(self, moment: Moment) -> bool:
        """Nothing is put in during this frame, not even for one reading."""
        leak = moment.limits["rest_leak_fraction"] * self._bank.rated_amp_hours
        return moment.frame.high_list[0] <= leak + self._slack_amps

    def _take(self, moment: Moment) -> None:
        frame, factors = moment.frame, corrections(moment.frame, moment.limits)
        depth = self._depth.amp_hours / self._bank.rated_amp_hours
        before = self._drawn_only and not frame.missed and not frame.after_unknown
        for step in frame.steps:
            if not before and step.at_ms - 2000 * step.interval_seconds < frame.start_ms:
                continue
            # Of a step that a load made, volts fall as the current is drawn.
            if step.bank_ohms > 0.0 and self._steps.takes(step.device):
                self._steps.add(step.device, row_of(step, frame, depth, self._bank.strings, factors))

    # -- the end of a day --------------------------------------------------------------------------------------

    def _end_day(self, moment: Moment) -> list[Finding]:
        tables = self._full_tables()
        if not tables:
            return []
        for number, (_, table) in tables.items():
            history = self._depths.setdefault(number, DepthHistory())
            history.add(self._day, self._session, table, self._bank.blocks_per_string)
        at = Instant(moment.frame.session, moment.frame.end_ms)
        largest = max(sorted(tables), key=lambda number: (number != ANY_DEPTH, len(tables[number][1].amps)))
        first_day, table = tables[largest]
        span = (Instant(self._session, first_day * DAY_MS), Instant(self._session, (self._day + 1) * DAY_MS))
        event = self._event(first_day, table)
        if event is not None:
            moment.events.append(event)
        teller = self._teller.at(at, span, self._day)
        return [
            *(teller.bank(event) if event else ()),
            *(teller.blocks(event, self._depths) if event else ()),
            *self._judge_spans(teller, moment),
            *teller.trend(self._depths, moment.limits),
        ]

    def _full_tables(self) -> dict[int, tuple[int, DepthTable]]:
        """By depth, the steps that have gathered, where they are enough now, with their first day."""
        rows = self._comparable_rows()
        self._steps = DaySteps()
        tables: dict[int, tuple[int, DepthTable]] = {}
        made: list[tuple[list[list[Any]], DepthTable]] = []
        for number in (*range(DEPTHS), ANY_DEPTH):
            waiting = [row for row in self._waiting.get(number, ()) if self._day - row[6] <= _LONGEST_DAYS]
            waiting += [row for row in rows if number in (depth_class(row[3]), ANY_DEPTH)]
            if enough(waiting):
                # All of one depth are those of any depth as well: their figures are worked out once.
                alike = [table for rows_of_it, table in made if rows_of_it == waiting]
                table = alike[0] if alike else table_of(waiting, self._bank)
                made.append((waiting, table))
                tables[number] = (min(row[6] for row in waiting), table)
                waiting = []
            self._waiting[number] = waiting
        return tables

    def _judge_spans(self, teller: Teller, moment: Moment) -> list[Finding]:
        found: list[Finding] = []
        for span in self._spans:
            judged = span.judge(self._day, self._depths, self._rests.fall(span.block), moment.limits)
            found.extend(teller.span(span.block, judged))
        return found

    def _comparable_rows(self) -> list[list[Any]]:
        """Rows of each device in its usual interval class. Another class for days on end is the new usual one, and
        what was learned before is worth nothing then."""
        rows: list[list[Any]] = []
        for device in sorted(self._steps.rows):
            today = self._steps.main_class(device)
            usual = self._classes.setdefault(device, [today, 0])
            usual[1] = 0 if usual[0] == today else usual[1] + 1
            if usual[1] >= _OTHER_CLASS_DAYS:
                self._classes[device] = usual = [today, 0]
                self._depths, self._waiting = {}, {}
                self._spans = [Span(block) for block in range(1, self._bank.blocks + 1)]
            rows.extend(row for row in self._steps.rows[device] if row[0] == usual[0])
        return rows

    def _event(self, first_day: int, table: DepthTable) -> Resistance | None:
        whole = table.bank
        blocks = [None if math.isnan(ohms) else ohms for ohms in table.block_ohms.tolist()]
        if whole is None and all(ohms is None for ohms in blocks):
            return None
        finite = whole is not None and math.isfinite(whole.half_width)
        return Resistance(
            first_day * DAY_MS,
            (self._day + 1) * DAY_MS,
            whole.ohms if whole else None,
            tuple(blocks),
            whole.half_width if whole and finite else 1.0,
            len(table.amps),
            table.interval_seconds,
            table.celsius,
            table.depth,
        )

    # -- state -------------------------------------------------------------------------------------------------

    def to_plain(self) -> dict[str, Any]:
        return {
            "day": self._day,
            "session": self._session,
            "drawn_only": self._drawn_only,
            "depth": vars(self._depth).copy(),
            "steps": self._steps.to_plain(),
            "waiting": [[number, rows] for number, rows in self._waiting.items()],
            "classes": self._classes,
            "depths": [[number, history.to_plain()] for number, history in self._depths.items()],
            "spans": [span.to_plain() for span in self._spans],
            "rests": {"first": self._rests.first, "latest": self._rests.latest},
            "told": self._teller.to_plain(),
        }

    def load_plain(self, plain: dict[str, Any]) -> None:
        self._day, self._session, self._drawn_only = plain["day"], plain["session"], plain["drawn_only"]
        self._steps = DaySteps.from_plain(plain["steps"])
        self._depth = Depth(**plain["depth"])
        self._waiting = dict(plain["waiting"])
        self._classes = plain["classes"]
        self._depths = {number: DepthHistory.from_plain(one) for number, one in plain["depths"]}
        self._spans = [Span(*one) for one in plain["spans"]]
        self._rests = RestDeviations(**plain["rests"])
        self._teller.load_plain(plain["told"])
