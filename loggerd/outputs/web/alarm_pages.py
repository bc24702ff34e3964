"""Alarms: what stands, what keepers say to it, and every change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

from starlette.responses import Response

from loggerd.alarms.due import shelf_end_ms
from loggerd.alarms.lifecycle import after
from loggerd.errors import RequestRefused
from loggerd.inbox import new_uid
from loggerd.model.access import Need, Role
from loggerd.model.alarm import Alarm, AlarmEvent, AlarmKey, KeeperAction
from loggerd.model.log_values import MOST_CHARACTERS
from loggerd.outputs.web.alarm_views import ACTS, Act, alarms_view, anchor_of, change_view
from loggerd.outputs.web.asking import Ask, CannotBeUsed, NotThere, Route
from loggerd.outputs.web.handed_in import WAIT_SECONDS, Stage, fate_of, form_uid, waiting_words
from loggerd.outputs.web.local_times import day_ms, number_of
from loggerd.outputs.web.logger_views import instant_with_age
from loggerd.store.record import PageWish
from loggerd.taking_in import ALARM_ACTION, action_body, hand_in
from loggerd.wording.alarm_part import headline

_MOST_CHANGES = 100
_OLD_MS = 600_000
"""Readings that were stored so long ago do not tell how the banks stand."""
_BY_NAME = {one.name: one for one in ACTS}


@dataclass(frozen=True)
class Said:
    """What the page has to say of what was asked. `refused`: it was not done. `why`: the reason as it was typed."""

    words: str
    refused: bool = False
    key: AlarmKey | None = None
    why: str = ""


def _alarms(ask: Ask) -> Response:
    return _page(ask, _told(ask))


def _page(ask: Ask, said: Said | None, status: int = 200) -> Response:
    keeper = ask.who is not None and ask.who.role is Role.KEEPER
    last_ms, now_ms = ask.record.health().last_reading_wall_ms, ask.clock.wall_ms()
    old_ms = _OLD_MS + round(1000 * ask.site.record.commit_seconds)
    return ask.page(
        "alarms.html",
        status,
        view=alarms_view(ask),
        said=said,
        keeper=keeper,
        last_reading="" if last_ms is None else instant_with_age(ask.words, last_ms, now_ms),
        old=last_ms is not None and now_ms - last_ms > old_ms,
        new_uid=new_uid,
        reason_length=MOST_CHARACTERS,
    )


# -- acting --


def _act(ask: Ask) -> Response:
    """Hand in what a keeper asks. What cannot be done is told on the page, with the reason typed still there."""
    uid, key = form_uid(ask), _key(ask.form)
    act = _BY_NAME.get(ask.form.get("act", ""))
    if act is None:
        raise CannotBeUsed("the page does not know what was asked; open it anew")
    alarm = next((one for one in ask.record.alarms() if one.key == key), None)
    if alarm is None:
        raise NotThere("there is no such alarm any more")
    why = " ".join(ask.form.get("why", "").split())
    if fault := _fault(ask, alarm, act, why):
        return _page(ask, Said(f"{_name(ask, key)}: {fault}", True, key, why), 409)
    before = _last(ask, key, act.event)
    try:
        _hand_in(ask, uid, key, act, why)
    except RequestRefused as refused:
        return _page(ask, Said(f"{_name(ask, key)}: not done: {refused}", True, key, why), 409)
    if fate_of(ask, uid).stage is Stage.GONE and _last(ask, key, act.event) == before:
        fault = "not done: meanwhile its state does not allow it any more; see below how it stands"
        return _page(ask, Said(f"{_name(ask, key)}: {fault}", True, key, why), 409)
    query = {"told": uid, "act": act.name, "bank": key.bank, "condition": key.condition, "subject": key.subject}
    return ask.go_to(f"/alarms?{urlencode(query)}#{anchor_of(key)}")


def _hand_in(ask: Ask, uid: str, key: AlarmKey, act: Act, why: str) -> None:
    """Raises RequestRefused, StoreError."""
    assert ask.who is not None
    until_ms = shelf_end_ms(ask.clock.wall_ms(), act.hours) if act.hours else None
    action = KeeperAction(key, act.event, ask.who.name, why, until_ms)
    hand_in(ask.site, ALARM_ACTION, uid, action_body(action), ask.clock, WAIT_SECONDS)


def _fault(ask: Ask, alarm: Alarm, act: Act, why: str) -> str:
    """Why it is not done; "" if nothing speaks against it."""
    if after(alarm.state, act.event, alarm.active) is None:
        state = ask.words.texts.states[alarm.state.value]
        return f'not done: it stands at "{state}", where this cannot be asked of it'
    if act.needs_why and not why:
        return "not done: say why, so that others understand it later"
    if len(why) > MOST_CHARACTERS or not why.isprintable():
        return f"not done: the reason must be text of at most {MOST_CHARACTERS} characters"
    return ""


def _last(ask: Ask, key: AlarmKey, event: AlarmEvent) -> int:
    change = ask.record.last_alarm_change(key, event)
    return 0 if change is None else change.id


def _key(given: Mapping[str, str]) -> AlarmKey:
    return AlarmKey(given.get("bank", ""), given.get("condition", ""), given.get("subject", ""))


def _name(ask: Ask, key: AlarmKey) -> str:
    return headline(ask.words, key)


def _told(ask: Ask) -> Said | None:
    """What became of what was asked on the page before: by the inbox, and then by the record."""
    uid, act = ask.query.get("told", ""), _BY_NAME.get(ask.query.get("act", ""))
    if not uid or act is None:
        return None
    key = _key(ask.query)
    fate = fate_of(ask, uid)
    if fate.stage is Stage.WAITING:
        return Said(f"{_name(ask, key)}: {act.label}: {waiting_words(ask)}.")
    if fate.stage is Stage.REFUSED:
        return Said(f"{_name(ask, key)}: {act.label}: refused: {fate.why}", True)
    change = ask.record.last_alarm_change(key, act.event)
    if change is None:
        return None
    view = change_view(ask.words, change, ask.axes)
    return Said(f"Taken in. {view.title}: {view.event} by {view.who}, {view.at}.")


# -- history --


def _history(ask: Ask) -> Response:
    chosen = ask.query.get("of", "")
    names = {"": None, "logger": "", **{f"bank {one.name}": one.name for one in ask.site.banks}}
    if chosen not in names:
        raise CannotBeUsed("there is no such bank at this site")
    from_day, until_day = ask.query.get("from", ""), ask.query.get("until", "")
    wish = PageWish(
        _MOST_CHANGES + 1,
        number_of(ask.query.get("before", "")),
        day_ms(from_day, ask.zone),
        day_ms(until_day, ask.zone, after=True),
    )
    rows = ask.record.pages.alarm_changes(names[chosen], wish)
    shown = [change_view(ask.words, one, ask.axes) for one in rows[:_MOST_CHANGES]]
    older = ""
    if len(rows) > _MOST_CHANGES:
        query = {"of": chosen, "from": from_day, "until": until_day, "before": str(shown[-1].number)}
        older = f"/alarms/history?{urlencode(query)}"
    first = wish.before is None
    return ask.page(
        "alarms_history.html",
        changes=shown,
        older=older,
        first=first,
        chosen=chosen,
        names=list(names),
        from_day=from_day,
        until_day=until_day,
    )


ROUTES: tuple[Route, ...] = (
    Route("/alarms", _alarms, Need.READER),
    Route("/alarms/act", _act, Need.KEEPER, "POST"),
    Route("/alarms/history", _history, Need.READER),
)
