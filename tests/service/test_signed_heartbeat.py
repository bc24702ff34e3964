"""A mailed sign of life carries its signature, and is sent without one rather than not at all."""

from __future__ import annotations

import hashlib
import hmac
from datetime import datetime, timedelta
from email import message_from_bytes
from email.message import Message
from email.policy import default
from pathlib import Path

import pytest
from hand_recording import HandClock
from outbox_bench import Bench

from loggerd.alarms.heartbeats import heartbeat_of
from loggerd.letters import Letters
from loggerd.mailing import ways_of
from loggerd.model.alarm import Priority
from loggerd.model.outbox import ItemKind, Lane, OutboxItem
from loggerd.outputs.heartbeat_mail import heartbeat_mail
from loggerd.outputs.planning import Letter
from loggerd.outputs.signing import is_right, signed_content
from loggerd.settings.load import load_settings

SITE = """\
[site]
name = "Hütte am Fluß, mit einem Namen, der länger ist als eine Zeile eines Mailkopfes"
timezone = "Europe/Vienna"

[[bank]]
name = "house"
type = "flooded_antimony"
strings = 1
blocks_per_string = 4
cells_per_block = 6
rated_amp_hours = 100
rated_hours = 20

[mail]
server = "127.0.0.1"
security = "none"
from = "hut@site.test"

[[keeper]]
name = "anna"
mail = "anna@home.test"

[heartbeat]
at = "06:00"
to = ["anna"]
secret_file = "secret"
"""
HEADS = ("X-Loggerd-Site", "X-Loggerd-Sent-At", "X-Loggerd-Next-Due", "X-Loggerd-Number")


def sent(folder: Path, kind: ItemKind = ItemKind.HEARTBEAT) -> tuple[Message, int]:
    """A mail as it goes out, and when it was made."""
    content, now = made(folder, kind)
    return message_from_bytes(content, policy=default), now


def made(folder: Path, kind: ItemKind) -> tuple[bytes, int]:
    path = folder / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    settings = load_settings(path)
    letters = Letters(settings)
    (way,) = ways_of(settings, letters, letters.tell)
    clock = HandClock()
    bench = Bench(folder / "record.sqlite", way.receivers, clock)
    now = clock.wall_ms()
    item = OutboxItem(17, Lane.MAIL, "anna", kind, now, now, Priority.LOW, urgent=False, rides=False, number=0)
    with bench.reading() as reader:
        letter = Letter(way.receivers[0], kind.value, (item,), {}, now)
        _, content = way.compose(letter, "<1@site.test>", reader)
    bench.close()
    return content, now


def secret(folder: Path, mode: int) -> None:
    file = folder / "secret"
    file.write_text("s3cret\n", encoding="utf-8")
    file.chmod(mode)


def test_the_head_says_when_it_was_sent_and_when_the_next_is_due(tmp_path: Path) -> None:
    secret(tmp_path, 0o600)
    mail, now = sent(tmp_path)
    site, sent_at, next_due, number = (str(mail[name]) for name in HEADS)
    assert (site, number) == (load_settings(tmp_path / "site.toml").site.name, "17")
    begun, due = datetime.fromisoformat(sent_at), datetime.fromisoformat(next_due)
    assert begun.timestamp() * 1000 == pytest.approx(now, abs=1)
    assert begun.utcoffset() == due.utcoffset() == timedelta(0)
    assert (due.hour, due.minute) == (4, 0), "06:00 in Vienna's summer"
    content = "".join(f"{text}\n" for text in (site, sent_at, next_due, number)).encode()
    # By RFC 2104, with the standard library and none of our own code.
    assert mail["X-Loggerd-Signature"].strip() == "sha256=" + hmac.new(b"s3cret", content, hashlib.sha256).hexdigest()


def test_a_watcher_reads_what_a_site_has_written(tmp_path: Path) -> None:
    """Also a long name with umlauts, folded and encoded on its way."""
    secret(tmp_path, 0o600)
    content, now = made(tmp_path, ItemKind.HEARTBEAT)
    found = heartbeat_mail(content)
    assert found is not None
    assert is_right(b"s3cret", signed_content(found.heads), found.signature)
    beat = heartbeat_of(found.document)
    assert beat.site == load_settings(tmp_path / "site.toml").site.name
    assert (beat.number, beat.sent_ms) == (17, now)


def test_without_its_secret_it_is_sent_all_the_same(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    secret(tmp_path, 0o644)
    mail, _ = sent(tmp_path)
    assert mail["X-Loggerd-Next-Due"]
    assert mail["X-Loggerd-Signature"] is None
    assert "chmod" in caplog.text


def test_other_mails_have_no_such_head(tmp_path: Path) -> None:
    secret(tmp_path, 0o600)
    mail, _ = sent(tmp_path, ItemKind.TEST)
    assert [name for name in mail if name.startswith("X-Loggerd")] == []
