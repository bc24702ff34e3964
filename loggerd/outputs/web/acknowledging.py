"""/acknowledge/{token}: the link of a mail. Opening it asks; only the button on the page acknowledges."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path

from starlette.responses import Response

from loggerd.access.doors import Access
from loggerd.access.links import CAN_BE_ACKNOWLEDGED, AlarmLink, LinkRefused, link_key, read_token
from loggerd.errors import LoggerdError
from loggerd.inbox import new_uid
from loggerd.letters import Letters
from loggerd.model.access import Need
from loggerd.model.alarm import Alarm, AlarmChange, AlarmEvent, AlarmState, KeeperAction
from loggerd.outputs.web.asking import Ask, Route
from loggerd.taking_in import ALARM_ACTION, Answer, action_body, hand_in
from loggerd.wording.alarm_part import AlarmItem, headline, sentence
from loggerd.wording.reader import Reader

_WAIT_SECONDS = 2.0
_WHY = "by the link in the mail"


class Stage(Enum):
    """What can be said of a link."""

    ASK = "ask"
    DONE = "done"
    WAITING = "waiting"
    USED = "used"
    NOT_ANY_MORE = "not any more"
    """The alarm is acknowledged already, hidden or over, or was raised anew."""
    EXPIRED = "expired"
    FOREIGN = "foreign"


_STATUS = {Stage.EXPIRED: 410, Stage.FOREIGN: 404}


@dataclass(frozen=True)
class LinkView:
    """What the page shows. Without an alarm: of a link that says nothing."""

    stage: Stage
    title: str = ""
    what: str = ""
    state: str = ""
    raised: str = ""
    keeper: str = ""
    at: str = ""


class AcknowledgePages:
    """Works for whoever has the link: the mail is the key."""

    def __init__(self, access: Access) -> None:
        self._access = access

    def routes(self) -> tuple[Route, ...]:
        return (
            Route("/acknowledge/{token}", self.show, Need.NOTHING),
            Route("/acknowledge/{token}", self.take, Need.NOTHING, "POST"),
        )

    def show(self, ask: Ask) -> Response:
        """Programs that look through mails open every link: nothing changes by that."""
        link = self._link(ask)
        view = LinkView(Stage.FOREIGN) if link is None else self._view(ask, link)
        return _page(ask, view, link)

    def take(self, ask: Ask) -> Response:
        link = self._link(ask)
        view = LinkView(Stage.FOREIGN) if link is None else self._view(ask, link)
        if link is None or view.stage is not Stage.ASK:
            return _page(ask, view, link)
        now_ms, mark = ask.clock.wall_ms(), _mark(ask)
        if not self._access.store.use_link(mark, link.keeper, now_ms, link.ends_ms):
            return _page(ask, self._view(ask, link), link)
        action = KeeperAction(link.key, AlarmEvent.ACKNOWLEDGED, link.keeper, _WHY)
        try:
            answer = hand_in(ask.site, ALARM_ACTION, new_uid(), action_body(action), ask.clock, _WAIT_SECONDS)
        except LoggerdError:
            self._access.store.unuse_link(mark)
            raise
        name = f"{link.key.condition}:{link.key.subject}"
        self._access.store.note(self._access.line(link.keeper, ask.address, "acknowledged by a link", name))
        return _page(ask, replace(view, stage=Stage.DONE if answer is Answer.TAKEN_IN else Stage.WAITING), link)

    def _link(self, ask: Ask) -> AlarmLink | None:
        """None for one that was not made here, or that the settings of today would not make."""
        if not ask.site.web.links_in_mails:
            return None
        try:
            link = read_token(ask.path["token"], link_key(Path(ask.site.record.path)))
        except LinkRefused:
            return None
        return link if link.keeper in {one.name for one in ask.site.keepers} else None

    def _view(self, ask: Ask, link: AlarmLink) -> LinkView:
        words = _words(ask, link)
        view = LinkView(Stage.ASK, headline(words, link.key), keeper=link.keeper)
        used_ms = self._access.store.link_used_ms(_mark(ask))
        alarm = next((one for one in ask.record.alarms() if one.key == link.key), None)
        if alarm is not None:
            view = _told(view, words, alarm)
        if used_ms is not None:
            return replace(view, stage=Stage.USED, at=words.instant(used_ms))
        if ask.clock.wall_ms() >= link.ends_ms:
            return replace(view, stage=Stage.EXPIRED, at=words.instant(link.ends_ms))
        raised = ask.record.last_alarm_change(link.key, AlarmEvent.RAISED)
        same = raised is not None and raised.id == link.raised_by
        if alarm is None or alarm.state not in CAN_BE_ACKNOWLEDGED or not same:
            return replace(view, stage=Stage.NOT_ANY_MORE)
        return view


def _told(view: LinkView, words: Reader, alarm: Alarm) -> LinkView:
    """With the alarm as it stands."""
    state = words.texts.states[alarm.state.value]
    if alarm.raised is None:
        return replace(view, state=state)
    begun = AlarmChange(
        alarm.key, alarm.raised, AlarmEvent.RAISED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "loggerd"
    )
    what = sentence(words, AlarmItem(begun, alarm))
    return replace(view, state=state, what=what, raised=words.instant(alarm.raised.at_ms))


def _mark(ask: Ask) -> bytes:
    return hashlib.sha256(ask.path["token"].encode()).digest()


def _words(ask: Ask, link: AlarmLink) -> Reader:
    """The language and units of the keeper that the mail was for."""
    return Letters(ask.site).words(link.keeper)


def _page(ask: Ask, view: LinkView, link: AlarmLink | None) -> Response:
    shown = ask if link is None else replace(ask, words=_words(ask, link))
    return shown.page("acknowledge.html", _STATUS.get(view.stage, 200), view=view, stage=view.stage.value)
