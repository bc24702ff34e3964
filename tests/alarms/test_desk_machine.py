"""The desk against an independent model of the standard's table, by any events; and what looks may change."""

from __future__ import annotations

from alarm_tools import HOUR, MINUTE, Site, condition, key_of
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from loggerd.model.alarm import Alarm, AlarmEvent, AlarmKey, AlarmState, ConditionNow

ON, OFF, RE_ALARM_HOURS = 2 * MINUTE, 3 * MINUTE, 1.0
CATALOGUE = (
    condition(
        "one",
        on_ms=ON,
        off_ms=OFF,
        quiet_while=("equalizing",),
        re_alarm_hours=RE_ALARM_HOURS,
    ),
)
ONE = key_of("one")
QUIET = {"b": {"equalizing": "why"}}
A, B, C, D, E, F, G = "ABCDEFG"
LETTER = {
    AlarmState.NORMAL: A,
    AlarmState.UNACKNOWLEDGED: B,
    AlarmState.ACKNOWLEDGED: C,
    AlarmState.RETURNED: D,
    AlarmState.SHELVED: E,
    AlarmState.SUPPRESSED: F,
    AlarmState.OUT_OF_SERVICE: G,
}
LEGAL = {
    *("AB", "BC", "BD", "CA", "CB", "DA", "DB"),
    *(before + hidden for before in "ABCD" for hidden in "EFG"),
    *(hidden + live for hidden in "EFG" for live in "AB"),
    *("EG", "FG"),
}
"""Every move of the published table; a state may also stay."""


class Table(RuleBasedStateMachine):
    """One alarm, looked at each minute. The model knows the published table and counts minutes."""

    @initialize(reloads=st.booleans())
    def begin(self, reloads: bool) -> None:
        self.site = Site(CATALOGUE, reloads)
        self.minute, self.seen, self.before = 0, 0, AlarmState.NORMAL
        self.letter, self.active = A, False
        self.differs = 0
        """Minutes for which the condition has been other than `active`; the off-delay doubles by `hold`."""
        self.hold, self.cleared = 1, -(10**9)
        self.shelf_ends, self.one_shot, self.acted = 0, False, 0
        self.quiet, self.true, self.differing = False, False, False
        self.was_quiet = False
        """Likewise in the minute before."""

    # -- the model --

    def _goes(self, letter: str) -> None:
        if letter != self.letter:
            self.letter, self.acted = letter, self.minute

    def _live(self) -> str:
        return B if self.active else A

    def _raise(self) -> None:
        remembered = max(60, 4 * self._off())
        self.hold = min(2 * self.hold, 64) if self.minute - self.cleared < remembered else 1
        self.active = True
        if self.letter in (A, D):
            self._goes(B)

    def _clear(self) -> None:
        self.active, self.cleared = False, self.minute
        if self.letter in (B, C):
            self._goes({B: D, C: A}[self.letter])
        elif self.letter == E and self.one_shot:
            self._goes(A)

    def _off(self) -> int:
        return OFF // MINUTE * self.hold

    def _minute(self) -> None:
        if self.was_quiet and self.quiet and self.letter in "ABCD" and self.active:
            # Brought back in a quiet time, it has been held back since then: before what falls due in this minute.
            self._goes(F)
        self.was_quiet = self.quiet
        differs = self.true != self.active
        self.differs = self.differs + 1 if differs and self.differing else 0
        self.differing = differs
        if differs and not self.true and self.differs >= self._off():
            self._clear()
            self.differing = False
        if self.letter == E and self.minute >= self.shelf_ends:
            self._goes(self._live())
        if self.letter == F and not self.quiet:
            self._goes(self._live())
        if self.quiet and self.letter in "ABCD" and (self.active or self.true):
            self._goes(F)
        if differs and self.true and self.differs >= ON // MINUTE:
            self._raise()
            self.differing = False
        if self.letter == C and self.active and self.minute - self.acted >= 60 * RE_ALARM_HOURS:
            self._goes(B)

    # -- what happens --

    @rule(true=st.booleans(), quiet=st.booleans(), minutes=st.sampled_from([1, 2, 3, 4, 7, 13, 61]))
    def time_passes(self, true: bool, quiet: bool, minutes: int) -> None:
        self.true, self.quiet = true, quiet
        for _ in range(minutes):
            self.minute += 1
            self._minute()
            self.site.look(self.minute * MINUTE, *((ONE,) if true else ()), quiet=QUIET if quiet else None)
            self._agree()

    @rule(minutes=st.sampled_from([5, 30, 100]), one_shot=st.booleans(), timed=st.booleans())
    def shelve(self, minutes: int, one_shot: bool, timed: bool) -> None:
        until = self.minute + minutes if timed else self.minute + 30 * 24 * 60
        allowed = self.letter in "ABCD" and (timed or one_shot)
        self._act(AlarmEvent.SHELVED, allowed, until * MINUTE if timed else None, one_shot)
        if allowed:
            self.shelf_ends, self.one_shot = until, one_shot
            self._goes(E)

    @rule()
    def acknowledge(self) -> None:
        self._act(AlarmEvent.ACKNOWLEDGED, self.letter in "ABCD")
        if self.letter in "BD":
            self._goes({B: C, D: A}[self.letter])

    @rule()
    def unshelve(self) -> None:
        self._act(AlarmEvent.UNSHELVED, self.letter == E)
        if self.letter == E:
            self._goes(self._live())

    @rule()
    def take_out(self) -> None:
        self._act(AlarmEvent.REMOVED, self.letter != G)
        self._goes(G)

    @rule()
    def put_back(self) -> None:
        self._act(AlarmEvent.RETURNED, self.letter == G)
        if self.letter == G:
            self._goes(self._live())

    @rule(
        event=st.sampled_from(
            [
                AlarmEvent.RAISED,
                AlarmEvent.CLEARED,
                AlarmEvent.RE_ALARMED,
                AlarmEvent.SUPPRESSED,
                AlarmEvent.UNSUPPRESSED,
            ]
        )
    )
    def a_keeper_cannot_do_what_happens_by_itself(self, event: AlarmEvent) -> None:
        self._act(event, False)

    @rule()
    def restart(self) -> None:
        self.site.reload()

    def _act(self, event: AlarmEvent, allowed: bool, until_ms: int | None = None, one_shot: bool = False) -> None:
        results = self.site.act(self.minute * MINUTE, event, ONE, until_ms, one_shot)
        assert (not results.refused) == allowed
        assert len(results.changes) == allowed

    # -- what must hold --

    @invariant()
    def _agree(self) -> None:
        assert LETTER[self.site.state(ONE)] == self.letter
        assert self.site.desk.alarms.get(ONE, Alarm(ONE)).active == self.active

    @invariant()
    def every_move_is_legal_and_they_join(self) -> None:
        before = self.before
        for change in self.site.stored.changes[self.seen :]:
            assert change.before is before
            assert change.before is change.after or LETTER[change.before] + LETTER[change.after] in LEGAL
            before = change.after
        assert before is self.site.state(ONE)
        self.before, self.seen = before, len(self.site.stored.changes)


TestTable = Table.TestCase
TestTable.settings = settings(max_examples=25, stateful_step_count=30, deadline=None)

NAMES = ("plain", "slow", "follower", "hidden")
SEVERAL = (
    condition("plain", off_ms=MINUTE),
    condition("slow", on_ms=7 * MINUTE, off_ms=20 * MINUTE, re_alarm_hours=1.5),
    condition("follower", off_ms=MINUTE, roots=("plain",)),
    condition("hidden", on_ms=MINUTE, off_ms=MINUTE, quiet_while=("equalizing",)),
)
STORIES = st.lists(
    st.tuples(
        st.sampled_from([1, 2, 5, 11, 60, 130]),
        st.sets(st.sampled_from(NAMES)),
        st.booleans(),
        st.sampled_from([None, AlarmEvent.ACKNOWLEDGED, AlarmEvent.SHELVED, AlarmEvent.UNSHELVED, AlarmEvent.REMOVED]),
        st.sampled_from(NAMES),
    ),
    min_size=1,
    max_size=8,
)


def told_of(true: set[str]) -> list[ConditionNow]:
    return [ConditionNow(AlarmKey("b", name, "bank"), True, level=len(true)) for name in sorted(true)]


@settings(max_examples=30, deadline=None)
@given(STORIES, st.sampled_from([1, 3, 7]), st.booleans())
def test_extra_looks_and_restarts_change_nothing(
    story: list[tuple[int, set[str], bool, AlarmEvent | None, str]], every: int, reloads: bool
) -> None:
    """Looked at when something changes and just before, or in between as well, with and without restarts: the same."""
    seldom, often = Site(SEVERAL), Site(SEVERAL, reloads)
    now = 0
    for minutes, true, is_quiet, event, name in story:
        quiet = QUIET if is_quiet else None
        end = now + minutes * MINUTE
        for site in (seldom, often):
            site.look(now, *told_of(true), quiet=quiet)
            if event is not None:
                until_ms = now + HOUR if event is AlarmEvent.SHELVED else None
                site.act(now, event, key_of(name), until_ms, quiet=quiet)
        for between in range(now + every * MINUTE, end - 1, every * MINUTE):
            often.look(between, *told_of(true), quiet=quiet)
        for site in (seldom, often):
            site.look(end - 1, *told_of(true), quiet=quiet)
        now = end

    for name in NAMES:
        assert [one for one in often.stored.changes if one.key == key_of(name)] == [
            one for one in seldom.stored.changes if one.key == key_of(name)
        ]
    assert often.desk.alarms == seldom.desk.alarms
    assert {one.key: one for one in often.stored.alarms()} == often.desk.alarms
