"""The webhook: signed, the same at each try, answers told apart."""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hand_recording import HandClock
from hook_server import Called
from outbox_bench import HOUR, Bench, keeper, key
from smtp_servers import Certificates

from loggerd.delivering import Delivery, Way
from loggerd.mailing import receivers_of, ways_of
from loggerd.model.outbox import Lane, MailState
from loggerd.outputs.attempt import Attempt, Runner
from loggerd.outputs.outcome import Outcome, Trouble
from loggerd.outputs.signing import SIGNATURE
from loggerd.outputs.webhook import Webhook, call_webhook
from loggerd.settings.load import load_settings


@pytest.fixture
def called() -> Iterator[Called]:
    one = Called()
    yield one
    one.close()


def tried(hook: Webhook) -> Outcome:
    return Runner().run(Attempt(10), lambda running: call_webhook(hook, "<1@x>", b'{"a": 1}', running))


def test_a_call_is_signed_and_named(called: Called) -> None:
    hook = Webhook(f"http://127.0.0.1:{called.port}/hut/7f3a", b"secret")
    outcome = tried(hook)
    assert outcome.accepted
    ((headers, body),) = called.got
    assert headers[SIGNATURE] == "sha256=" + hmac.new(b"secret", body, hashlib.sha256).hexdigest()
    assert (headers["Idempotency-Key"], headers["Content-Type"]) == ("<1@x>", "application/json")
    assert (headers[":path"], body) == ("/hut/7f3a", b'{"a": 1}')
    assert "7f3a" not in outcome.answer + repr(hook)
    assert "secret" not in repr(hook)


def test_without_a_secret_nothing_is_signed(called: Called) -> None:
    assert tried(Webhook(f"http://127.0.0.1:{called.port}")).accepted
    assert SIGNATURE not in called.got[0][0]


@pytest.mark.parametrize(
    ("status", "refused", "trouble"),
    [
        (503, False, Trouble.BUSY),
        (429, False, Trouble.BUSY),
        (401, False, Trouble.SETUP),
        (404, False, Trouble.SETUP),
        (302, False, Trouble.SETUP),
        (422, True, Trouble.LINK),
    ],
)
def test_answers_are_told_apart(called: Called, status: int, refused: bool, trouble: Trouble) -> None:
    called.status = status
    outcome = tried(Webhook(f"http://127.0.0.1:{called.port}/x"))
    assert (outcome.accepted, outcome.refused, outcome.trouble) == (False, refused, trouble)
    assert len(called.got) == 1, "no redirect is followed"


def test_encryption_is_checked(called: Called, tmp_path: Path) -> None:
    certificates = Certificates(tmp_path)
    called.server.socket = certificates.right.wrap_socket(called.server.socket, server_side=True)
    url = f"https://127.0.0.1:{called.port}/x"
    assert tried(Webhook(url, ca_file=certificates.ca_file)).accepted
    outcome = tried(Webhook(url))
    assert outcome.trouble is Trouble.SETUP
    assert "not trusted" in outcome.answer
    assert len(called.got) == 1


SITE = """\
[site]
name = "Hut"
timezone = "Europe/Vienna"

[[bank]]
name = "house"
type = "flooded_antimony"
strings = 1
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 100
rated_hours = 20

[webhook]
url = "http://127.0.0.1:PORT/hut"
secret_file = "secret"
least_priority = "high"
"""


def test_alarms_reach_it_through_the_outbox(called: Called, tmp_path: Path) -> None:
    """A secret that others may read stops it; once that is mended, what waited is told; each try is the same."""
    (tmp_path / "site.toml").write_text(SITE.replace("PORT", str(called.port)), encoding="utf-8")
    secret = tmp_path / "secret"
    secret.write_text("s3cret\n", encoding="utf-8")
    secret.chmod(0o644)
    settings = load_settings(tmp_path / "site.toml")
    (way,) = ways_of(settings, _no_mail, lambda letter, reader: {"more": len(letter.items)})
    assert isinstance(way, Way)
    bench = Bench(tmp_path / "record.sqlite", (*receivers_of(settings), keeper()), HandClock())
    delivery = Delivery(bench.path, way, bench.store, bench.clock)
    bench.look(key("short"), key("water"))
    bench.run(delivery, HOUR)
    assert called.got == []
    assert "chmod" in delivery.health.refused
    secret.chmod(0o640)
    called.status = 500
    bench.run(delivery, 2 * HOUR)
    called.status = 200
    bench.run(delivery, 2 * HOUR)
    assert len(called.got) > 1
    assert len({body for _, body in called.got}) == 1
    assert len({headers["Idempotency-Key"] for headers, _ in called.got}) == 1
    document = json.loads(called.got[0][1])
    assert (document["site"], document["topic"], document["more"]) == ("Hut", "alarms", 1)
    assert document["items"][0]["change"]["key"] == ["house", "short", "bank"]
    assert called.got[0][0][SIGNATURE].startswith("sha256=")
    look = bench.outbox(Lane.WEBHOOK)
    assert (look.items, look.mails, look.sent[0].state) == ((), (), MailState.ACCEPTED)
    # The keeper's mail is another lane.
    assert bench.outbox(Lane.MAIL).items
    bench.close()


def _no_mail(letter: object, reader: object) -> Any:
    raise AssertionError("no mail is asked for")
