"""The link in a mail: made with the mail, asks when opened, acknowledges once when its button is pressed."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import stat
from dataclasses import replace
from pathlib import Path

import pytest
from access_site import Pages, pages_of
from hand_recording import HandClock
from seeded_site import END_MS, weak_cabin

from loggerd.access.links import LASTS_MS, AlarmLink, LinkRefused, acknowledge_link, link_key, read_token, token_of
from loggerd.errors import StoreError
from loggerd.letters import Letters
from loggerd.model.alarm import Alarm, AlarmEvent, AlarmKey, AlarmState, KeeperAction, Priority
from loggerd.model.outbox import ItemKind, Lane, OutboxItem
from loggerd.outputs.notify import Receiver
from loggerd.outputs.planning import Letter
from loggerd.settings.load import load_settings
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader
from loggerd.taking_in import ALARM_ACTION, action_body, hand_in

WEB = '\n[web]\naddress = "https://hut.test/"\nlinks_in_mails = true\n'
MAIL = """
[mail]
server = "127.0.0.1"
security = "none"
from = "hut@site.test"

[[keeper]]
name = "bernd"
mail = "b@home.test"
language = "de"
"""


def site_of(folder: Path, more: str = WEB + MAIL) -> Pages:
    weak_cabin(folder)
    path = folder / "site.toml"
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    return pages_of(load_settings(path), HandClock(END_MS))


@pytest.fixture
def site(tmp_path: Path) -> Pages:
    return site_of(tmp_path)


def alarms_of(settings: SiteSettings) -> dict[AlarmKey, Alarm]:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        return {one.key: one for one in reader.alarms()}
    finally:
        reader.close()


def standing(settings: SiteSettings) -> Alarm:
    return next(one for one in alarms_of(settings).values() if one.state is AlarmState.UNACKNOWLEDGED)


def raised_by(settings: SiteSettings, key: AlarmKey) -> int:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        found = reader.last_alarm_change(key, AlarmEvent.RAISED)
    finally:
        reader.close()
    assert found is not None
    return found.id


def link_of(site: Pages, key: AlarmKey, keeper: str = "bernd") -> str:
    """The path of a link, as it is in a mail."""
    number = raised_by(site.settings, key)
    link = acknowledge_link(site.settings, key, number, keeper, site.clock.wall_ms())
    assert link is not None
    assert link.startswith("https://hut.test/acknowledge/")
    return link.removeprefix("https://hut.test")


def acknowledgements(settings: SiteSettings, key: AlarmKey) -> list[tuple[str, str]]:
    reader = RecordReader.open(Path(settings.record.path))
    try:
        changes = [one.change for one in reader.alarm_changes(None, None)]
    finally:
        reader.close()
    return [(one.who, one.why) for one in changes if one.key == key and one.event is AlarmEvent.ACKNOWLEDGED]


def test_opening_asks_and_the_button_acknowledges_once(site: Pages) -> None:
    key = standing(site.settings).key
    path, client = link_of(site, key), site.browser("10.7.7.7")
    for _ in range(3):  # programs that look through mails
        asked = client.get(path)
        assert asked.status_code == 200
        assert "<button>Acknowledge as bernd</button>" in asked.text
    assert client.head(path).status_code == 200
    assert acknowledgements(site.settings, key) == []

    done = client.post(path)

    assert done.status_code == 200
    assert "Acknowledged by bernd" in done.text
    assert acknowledgements(site.settings, key) == [("bernd", "by the link in the mail")]
    assert alarms_of(site.settings)[key].state is AlarmState.ACKNOWLEDGED
    for again in (client.post(path), client.get(path)):
        assert again.status_code == 200
        assert "This link was used" in again.text
        assert "<button>" not in again.text
    assert len(acknowledgements(site.settings, key)) == 1
    assert [one.who for one in site.access.store.audit(10) if one.what == "acknowledged by a link"] == ["bernd"]
    assert "set-cookie" not in done.headers


def test_the_alarm_is_told_in_the_language_of_the_keeper(site: Pages) -> None:
    key = standing(site.settings).key
    text = site.browser().get(link_of(site, key)).text
    assert Letters(site.settings).words("bernd").alarm_text(key.condition).title.lower() in text.lower()


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "https://evil.test", "Sec-Fetch-Site": "cross-site"}, {"Origin": "https://evil.test"}, {}],
)
def test_another_site_cannot_press_the_button(site: Pages, headers: dict[str, str]) -> None:
    key, client = standing(site.settings).key, site.browser()
    path = link_of(site, key)
    for name in ("Origin", "Sec-Fetch-Site"):
        del client.headers[name]
    assert client.post(path, headers=headers).status_code == 403
    assert acknowledgements(site.settings, key) == []


def test_a_link_ends_after_a_week(site: Pages) -> None:
    key, client = standing(site.settings).key, site.browser()
    path = link_of(site, key)
    site.clock.pass_by(LASTS_MS - 1)
    assert "<button>" in client.get(path).text
    site.clock.pass_by(1)
    for answer in (client.get(path), client.post(path)):
        assert answer.status_code == 410
        assert "This link ended" in answer.text
    assert acknowledgements(site.settings, key) == []


def test_what_was_changed_on_the_way_is_refused(site: Pages) -> None:
    key, client = standing(site.settings).key, site.browser()
    path = link_of(site, key)
    token = path.removeprefix("/acknowledge/")
    content, signature = token.split(".")
    plain = json.loads(base64.urlsafe_b64decode(content + "=" * (-len(content) % 4)))
    other_keeper = base64.urlsafe_b64encode(json.dumps([*plain[:4], "anna", plain[5]]).encode()).decode().rstrip("=")
    later = base64.urlsafe_b64encode(json.dumps([*plain[:5], plain[5] * 2]).encode()).decode().rstrip("=")
    flipped = [token[:at] + ("A" if token[at] != "A" else "B") + token[at + 1 :] for at in range(0, len(token), 7)]
    wrong = [f"{other_keeper}.{signature}", f"{later}.{signature}", content, f"{content}.", f".{signature}"]
    odd = ["x", "a.b.c", token + "A", token[:-1], token + "=", "\u00e9.\u00e9", "A" * 5000]
    for bad in [*wrong, *odd, *flipped]:
        for answer in (client.get(f"/acknowledge/{bad}"), client.post(f"/acknowledge/{bad}")):
            assert answer.status_code == 404, bad
            assert "cannot be used" in answer.text
    assert acknowledgements(site.settings, key) == []


def test_a_link_of_another_site_is_refused(site: Pages) -> None:
    key = standing(site.settings).key
    path = link_of(site, key)
    key_file = Path(site.settings.record.path + ".linkkey")
    key_file.unlink()
    assert site.browser().get(path).status_code == 404
    assert site.browser().get(link_of(site, key)).status_code == 200


def test_links_that_are_not_wanted_any_more_do_nothing(site: Pages, tmp_path: Path) -> None:
    key = standing(site.settings).key
    path, other = link_of(site, key), link_of(site, key, "a keeper of last year")
    assert site.browser().post(other).status_code == 404
    text = (tmp_path / "site.toml").read_text(encoding="utf-8")
    (tmp_path / "site.toml").write_text(text.replace("links_in_mails = true", ""), encoding="utf-8")
    off = pages_of(load_settings(tmp_path / "site.toml"), site.clock, people=False)
    assert off.browser().post(path).status_code == 404
    assert acknowledgements(site.settings, key) == []
    assert site.browser().get(path).status_code == 200


def test_an_alarm_that_has_gone_and_come_again_is_not_acknowledged_by_the_former_mail(site: Pages) -> None:
    """A link names the raising that the mail told of."""
    key, client = standing(site.settings).key, site.browser()
    secret = link_key(Path(site.settings.record.path))
    link = read_token(link_of(site, key).removeprefix("/acknowledge/"), secret)
    former = token_of(replace(link, raised_by=link.raised_by - 1), secret)
    for answer in (client.get(f"/acknowledge/{former}"), client.post(f"/acknowledge/{former}")):
        assert answer.status_code == 200
        assert "nothing to acknowledge" in answer.text
    assert acknowledgements(site.settings, key) == []


def test_an_alarm_that_is_acknowledged_already_is_said_to_be(site: Pages) -> None:
    key, client = standing(site.settings).key, site.browser()
    path = link_of(site, key)
    action = KeeperAction(key, AlarmEvent.ACKNOWLEDGED, "anna", "")
    hand_in(site.settings, ALARM_ACTION, "abcdef0123", action_body(action), site.clock, 5.0)
    assert "nothing to acknowledge" in client.post(path).text
    assert acknowledgements(site.settings, key) == [("anna", "")]


def test_an_alarm_that_nobody_knows_changes_nothing(site: Pages) -> None:
    secret = link_key(Path(site.settings.record.path))
    key = standing(site.settings).key
    link = read_token(link_of(site, key).removeprefix("/acknowledge/"), secret)
    unknown = token_of(replace(link, key=AlarmKey("<b>", "no_such", "subject")), secret)
    answer = site.browser().post(f"/acknowledge/{unknown}")
    assert "nothing to acknowledge" in answer.text
    assert "<b>" not in answer.text


def test_what_cannot_be_handed_in_can_be_tried_again(site: Pages) -> None:
    key, client = standing(site.settings).key, site.browser()
    path = link_of(site, key)
    inbox = Path(site.settings.record.path + ".inbox")
    if inbox.is_dir():
        inbox.rmdir()
    inbox.write_text("in the way", encoding="utf-8")
    assert client.post(path).status_code == 400
    inbox.unlink()
    assert "Acknowledged by bernd" in client.post(path).text
    assert len(acknowledgements(site.settings, key)) == 1


def test_the_key_is_for_its_owner_alone_and_stays(site: Pages) -> None:
    record = Path(site.settings.record.path)
    first = link_key(record)
    file = record.with_name("record.sqlite.linkkey")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert (link_key(record), len(first), file.read_bytes()) == (first, 32, first)
    file.write_bytes(b"short")
    with pytest.raises(StoreError, match="delete it"):
        link_key(record)


def test_a_token_is_what_hmac_of_the_standard_gives() -> None:
    """RFC 2104 with SHA-256, written out with hashlib."""
    secret = bytes(range(32))
    content, _, signature = token_of(AlarmLink(AlarmKey("b", "c", "s"), 7, "anna", 99), secret).partition(".")
    plain = base64.urlsafe_b64decode(content + "=" * (-len(content) % 4))
    assert json.loads(plain) == ["b", "c", "s", 7, "anna", 99]
    padded = secret.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(one ^ 0x36 for one in padded) + b"loggerd acknowledge 1\0" + plain).digest()
    expected = hashlib.sha256(bytes(one ^ 0x5C for one in padded) + inner).digest()
    assert base64.urlsafe_b64decode(signature + "=") == expected
    with pytest.raises(LinkRefused):
        read_token(f"{content}.{signature}", bytes(32))


# -- in the mail --


def mail_of(site: Pages, alarm: Alarm) -> str:
    """The plain text of the mail that tells of an alarm."""
    now_ms = site.clock.wall_ms()
    reader = RecordReader.open(Path(site.settings.record.path))
    try:
        stored = reader.last_alarm_change(alarm.key, AlarmEvent.RAISED)
        assert stored is not None
        item = OutboxItem(
            1, Lane.MAIL, "bernd", ItemKind.CHANGE, now_ms, now_ms, Priority.HIGH, False, False, 0, stored.id,
            stored.change,
        )  # fmt: skip
        letter = Letter(
            Receiver(Lane.MAIL, "bernd", "b@home.test"), "alarms", (item,), alarms_of(site.settings), now_ms
        )
        return Letters(site.settings)(letter, reader).plain
    finally:
        reader.close()


def test_the_link_of_a_mail_works(site: Pages) -> None:
    alarm = standing(site.settings)
    text = mail_of(site, alarm)
    (path,) = re.findall(r"https://hut\.test(/acknowledge/\S+)", text)
    assert "Acknowledged by bernd" in site.browser().post(path).text
    assert acknowledgements(site.settings, alarm.key) == [("bernd", "by the link in the mail")]
    assert "/acknowledge/" not in mail_of(site, alarms_of(site.settings)[alarm.key])


@pytest.mark.parametrize(
    ("web", "page"), [("", False), (WEB.replace("links_in_mails = true", ""), True)], ids=["no address", "no links"]
)
def test_where_no_links_are_wanted_there_are_none(tmp_path: Path, web: str, page: bool) -> None:
    site = site_of(tmp_path, web + MAIL)
    text = mail_of(site, standing(site.settings))
    assert "/acknowledge/" not in text
    assert ("https://hut.test/" in text) is page
    assert not Path(site.settings.record.path + ".linkkey").exists()


def test_no_mail_is_held_up_by_its_link(site: Pages, caplog: pytest.LogCaptureFixture) -> None:
    Path(site.settings.record.path + ".linkkey").write_bytes(b"short")
    text = mail_of(site, standing(site.settings))
    assert "/acknowledge/" not in text
    assert "has no link to acknowledge" in caplog.text
