"""What programs tell: checked, once for each uid, by their own name, into the inbox."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from seeded_site import weak_cabin
from web_client import TestClient
from web_doors import KNOCKERS, TOKENS, application

from loggerd.inbox import Inbox
from loggerd.model.alarm import AlarmEvent, AlarmState
from loggerd.outputs.web.api import ROUTES, entering
from loggerd.settings.site import SiteSettings
from loggerd.store.record import RecordReader, RecordWriter

LOG, ACT = "/api/v1/log", "/api/v1/alarms/act"
WATER = {"bank": "house", "kind": "watering", "data": {"litres": 2.5, "distilled": True}, "uid": "water-0001"}
PROGRAM = TOKENS["enter-token"].name


@pytest.fixture
def site(tmp_path: Path) -> SiteSettings:
    return weak_cabin(tmp_path)


@pytest.fixture
def client(site: SiteSettings) -> TestClient:
    headers = dict(KNOCKERS["enter token"])
    return TestClient(application(site, ROUTES), base_url="http://localhost", headers=headers)


def log_of(client: TestClient) -> list[dict[str, Any]]:
    return client.get(LOG).raise_for_status().json()["log"]


# -- log book --


def test_an_entry_is_taken_in_by_the_name_of_the_token(client: TestClient) -> None:
    told = client.post(LOG, json={**WATER, "happened": "2026-09-21T08:00:00Z", "text": "before the round"})
    assert (told.status_code, told.json()) == (201, {"uid": "water-0001", "answer": "taken in"})
    (row,) = log_of(client)
    assert row["id"] > 0
    assert (row["who"], row["kind"], row["happened"]) == (PROGRAM, "watering", "2026-09-21T08:00:00.000Z")
    assert row["data"] == {"litres": 2.5, "distilled": True}


def test_telling_it_again_by_the_same_uid_tells_it_once(client: TestClient) -> None:
    answers = [client.post(LOG, json=WATER) for _ in range(3)]
    assert [(one.status_code, one.json()) for one in answers] == [
        (201, {"uid": "water-0001", "answer": "taken in"})
    ] * 3
    assert len(log_of(client)) == 1


def test_a_uid_that_means_something_else_is_refused(client: TestClient) -> None:
    client.post(LOG, json={**WATER, "happened": "2026-09-21T08:00:00Z"}).raise_for_status()
    for other in ({"data": {"litres": 3}}, {"happened": "2026-09-21T09:00:00Z"}, {"text": "more"}):
        told = client.post(LOG, json={**WATER, **other})
        assert told.status_code == 409
        assert "something else" in told.json()["fault"]
    assert log_of(client)[0]["data"]["litres"] == 2.5


def test_without_a_uid_each_is_one_of_its_own(client: TestClient) -> None:
    note = {"bank": "house", "kind": "note", "text": "vent cap of cell 3 was loose"}
    uids = {client.post(LOG, json=note).json()["uid"] for _ in range(2)}
    assert len(uids) == 2 == len(log_of(client))


def test_a_correction_names_what_it_corrects(client: TestClient) -> None:
    client.post(LOG, json=WATER).raise_for_status()
    told = client.post(LOG, json={**WATER, "data": {"litres": 3}, "uid": "water-0002", "corrects": "water-0001"})
    assert told.status_code == 201
    rows = {row["uid"]: row for row in log_of(client)}
    assert rows["water-0001"]["corrected_by"] == "water-0002"
    wrong = client.post(LOG, json={**WATER, "uid": "water-0003", "corrects": "never-told"})
    assert wrong.status_code == 422
    assert "corrects" in wrong.json()["fault"]


def test_while_the_service_holds_the_record_it_waits(
    site: SiteSettings, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(entering, "_WAIT_SECONDS", 0.2)
    path = Path(site.record.path)
    service = RecordWriter.open(path)
    try:
        told = [client.post(LOG, json=WATER) for _ in range(2)]
    finally:
        service.close()
    assert [(one.status_code, one.json()["answer"]) for one in told] == [(202, "waiting")] * 2
    assert {one.uid for one in Inbox(path).requests()} == {"water-0001"}
    assert client.post(LOG, json=WATER).status_code == 201
    assert len(log_of(client)) == 1
    assert Inbox(path).requests() == []


@pytest.mark.parametrize(
    "body",
    [
        b"", b"[]", b"null", b"{", b"\xff\xfe", b"nan", b'{"bank": "house"}', b"[" * 60_000, b'"\\ud800"',
        b'{"bank": "house", "kind": "note", "text": "\\ud800"}',
        b'{"bank": "house", "kind": "note", "text": "a", "more": 1}',
        b'{"bank": "house", "kind": "note", "text": "a\\u0000b"}',
        b'{"bank": "house", "kind": "note", "text": "a\\r\\nX: b"}',
        b'{"bank": "house", "kind": "note", "text": 5}',
        b'{"bank": "house", "kind": "note", "text": "a", "uid": "../../x"}',
        b'{"bank": "house", "kind": "note", "text": "a", "uid": "UPPER-CASE"}',
        b'{"bank": "house", "kind": "note", "text": "a", "happened": "2030-01-01"}',
        b'{"bank": "house", "kind": "note", "text": "a", "happened": "0000-01-01"}',
        b'{"bank": "house", "kind": "note", "text": "a", "happened": "9999-12-31T23:59:59Z"}',
        b'{"bank": "house", "kind": "note", "text": "a", "happened": 1790000000}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": NaN}}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": Infinity}}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": 1e400}}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": 1e300}}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": -1}}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": "\xd9\xa5"}}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": null}}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": [1]}}',
        b'{"bank": "house", "kind": "watering", "data": {"acid": 1}}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": 1, "text": "hidden"}}',
        b'{"bank": "barn", "kind": "note", "text": "a"}',
        b'{"bank": "house", "kind": "exploded", "text": "a"}',
        b'{"bank": "house", "kind": "watering", "data": {"litres": %d}}' % 2**70,
        b'{"bank": "house", "kind": "watering", "data": {"litres": 1%s}}' % (b"0" * 5000),
    ],
)  # fmt: skip
def test_odd_bodies_are_refused_in_words_and_nothing_is_handed_in(
    site: SiteSettings, client: TestClient, body: bytes
) -> None:
    told = client.post(LOG, content=body, headers={"content-type": "application/json"})
    assert told.status_code == 422, told.text
    assert list(told.json()) == ["fault"]
    assert Inbox(Path(site.record.path)).requests() == []
    assert log_of(client) == []


def test_a_body_that_is_no_json_by_its_header_is_refused(client: TestClient) -> None:
    """A form of another site could not send JSON without being asked for leave by the browser."""
    for kind in ("text/plain", "application/x-www-form-urlencoded", ""):
        told = client.post(LOG, content=json.dumps(WATER), headers={"content-type": kind})
        assert told.status_code == 422
        assert "Content-Type" in told.json()["fault"]


def test_a_body_that_is_too_large_is_refused(client: TestClient) -> None:
    told = client.post(LOG, content=b" " * 70_000, headers={"content-type": "application/json"})
    assert (told.status_code, list(told.json())) == (413, ["fault"])


# -- alarms --


def alarm_of(client: TestClient) -> dict[str, Any]:
    return client.get("/api/v1/alarms").json()["alarms"][0]


def act(client: TestClient, alarm: dict[str, Any], **more: Any) -> Any:
    return client.post(ACT, json={**alarm["key"], **more})


def changes_of(site: SiteSettings) -> list[tuple[AlarmEvent, str]]:
    reader = RecordReader.open(Path(site.record.path))
    try:
        return [(one.change.event, one.change.who) for one in reader.alarm_changes() if one.change.who != "loggerd"]
    finally:
        reader.close()


def test_an_alarm_is_acknowledged_by_the_name_of_the_token_once(site: SiteSettings, client: TestClient) -> None:
    alarm = alarm_of(client)
    assert alarm["state"] == AlarmState.UNACKNOWLEDGED.value
    answers = [act(client, alarm, act="acknowledge", why="seen", uid="seen-0001") for _ in range(3)]
    assert [one.status_code for one in answers] == [201] * 3
    now = alarm_of(client)
    assert (now["state"], now["acknowledged_by"]) == ("acknowledged", PROGRAM)
    assert changes_of(site) == [(AlarmEvent.ACKNOWLEDGED, PROGRAM)]


def test_an_alarm_is_shelved_for_a_time_and_taken_off(site: SiteSettings, client: TestClient) -> None:
    alarm = alarm_of(client)
    assert [act(client, alarm, act="shelve", hours=48, uid="shelf-001").status_code for _ in range(2)] == [201, 201]
    shelved = alarm_of(client)
    assert shelved["state"] == "shelved"
    assert shelved["shelved_until"][:16] == "2026-09-23T14:13"
    assert act(client, alarm, act="shelve", hours=1).status_code == 409
    assert act(client, alarm, act="unshelve").status_code == 201
    assert alarm_of(client)["state"] == "unacknowledged"
    assert [event for event, _ in changes_of(site)] == [AlarmEvent.SHELVED, AlarmEvent.UNSHELVED]


def test_the_longest_shelf_is_taken(site: SiteSettings, client: TestClient) -> None:
    assert act(client, alarm_of(client), act="shelve", hours=720).status_code == 201
    assert alarm_of(client)["state"] == "shelved"


@pytest.mark.parametrize(
    ("more", "status"),
    [
        ({"act": "shelve"}, 422), ({"act": "shelve", "hours": 0}, 422), ({"act": "shelve", "hours": 721}, 422),
        ({"act": "shelve", "hours": "8"}, 422), ({"act": "acknowledge", "hours": 8}, 422),
        ({"act": "acknowledge", "one_shot": True}, 422), ({"act": "explode"}, 422), ({"act": "return"}, 409),
        ({"act": "unshelve"}, 409), ({"act": "acknowledge", "why": "a\nb"}, 422),
        ({"act": "acknowledge", "subject": "block 99"}, 404), ({"act": "acknowledge", "bank": ""}, 404),
        ({"act": "acknowledge", "why": "x" * 501}, 422), ({"act": "acknowledge", "who": "somebody"}, 422),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_of_an_alarm_is_refused(
    site: SiteSettings, client: TestClient, more: dict[str, Any], status: int
) -> None:
    told = act(client, alarm_of(client), **more)
    assert told.status_code == status, told.text
    assert list(told.json()) == ["fault"]
    assert changes_of(site) == []
    assert Inbox(Path(site.record.path)).requests() == []
