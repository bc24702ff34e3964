"""Alarms and outbox in the record: read back as they were, changed together, let go of in time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hand_recording import HandClock
from outbox_bench import DAY, Bench, keeper, key

from loggerd.errors import StoreError
from loggerd.model.outbox import ItemKind, Lane, MailNote, MailState, NewItem, NewMail, OutboxUpdate
from loggerd.store.outbox import CONTENT_DAYS, ROW_DAYS
from loggerd.store.record import salvage


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path / "record.sqlite", (keeper(),), HandClock())
    yield one
    one.close()


def mail(bench: Bench, *items: int, name: str = "<1@site.test>") -> NewMail:
    now_ms = bench.clock.wall_ms()
    return NewMail(Lane.MAIL, "anna", "alarms", "anna@home.test", name, "Hut", b"content", False, now_ms, items)


def note(bench: Bench, number: int, state: MailState, **more: object) -> OutboxUpdate:
    return OutboxUpdate(notes=(MailNote(number, state, bench.clock.wall_ms(), **more),))  # type: ignore[arg-type]


def test_alarms_and_changes_read_back_as_they_were(bench: Bench) -> None:
    results = [bench.look(key("short", "block 7"), key("follows_short")), bench.acknowledge(key("short", "block 7"))]
    results.append(bench.look(ends=(key("follows_short"),)))
    with bench.reading() as reader:
        assert {one.key: one for one in reader.alarms()} == bench._desk.alarms
        assert [one.change for one in reader.alarm_changes()] == [one for two in results for one in two.changes]
        mine = [one.change for one in reader.alarm_changes(key=key("short", "block 7"))]
        assert mine == [one for two in results for one in two.changes if one.key == key("short", "block 7")]
        assert list(reader.alarm_changes(until_ms=results[0].changes[0].at.at_ms)) == []
    bench.look(ends=(key("short", "block 7"),))
    bench.clock.pass_by(400 * DAY)
    assert key("short", "block 7") in bench.look().gone
    with bench.reading() as reader:
        assert {one.key for one in reader.alarms()} == set(bench._desk.alarms)


def test_an_item_goes_its_way(bench: Bench) -> None:
    bench.look(key("short"))
    first = bench.outbox().items[0]
    (number,) = bench.writer.update_outbox(OutboxUpdate(mails=(mail(bench, first.id),)))
    look = bench.outbox()
    assert first.id not in [one.id for one in look.items]
    assert (look.mails[0].id, look.mails[0].state, look.mails[0].items) == (number, MailState.QUEUED, 1)
    bench.store(note(bench, number, MailState.SENDING))
    bench.store(note(bench, number, MailState.QUEUED, answer="451 later", next_try_ms=7))
    waiting = bench.outbox().mails[0]
    assert (waiting.tries, waiting.answer, waiting.next_try_ms) == (1, "451 later", 7)
    with bench.reading() as reader:
        assert reader.mail_content(number) == b"content"
    bench.store(note(bench, number, MailState.REFUSED, answer="550 no"))
    look = bench.outbox()
    assert look.mails == ()
    assert first.id in [one.id for one in look.items], "what was refused waits to be told again"
    assert [(one.state, one.answer) for one in look.sent] == [(MailState.REFUSED, "550 no")]
    bench.store(OutboxUpdate(dropped=((first.id, "acknowledged"),)))
    assert first.id not in [one.id for one in bench.outbox().items]


def test_an_update_is_stored_whole_or_not_at_all(bench: Bench) -> None:
    bench.look(key("short"))
    before = bench.outbox()
    item = NewItem(Lane.MAIL, "anna", ItemKind.TEST, 1, 1)
    twice = (mail(bench, before.items[0].id), mail(bench, before.items[0].id))
    with pytest.raises(StoreError):
        bench.store(OutboxUpdate(items=(item,), mails=twice))
    assert bench.outbox() == before


def test_contents_and_rows_are_let_go_of_in_time(bench: Bench) -> None:
    bench.look(key("short"))
    item = bench.outbox().items[0].id
    (number,) = bench.writer.update_outbox(OutboxUpdate(mails=(mail(bench, item),)))
    bench.store(note(bench, number, MailState.ACCEPTED))

    def retain(days: int) -> None:
        bench.writer.retain(bench.clock.wall_ms() + days * DAY, 1000, 1000)

    retain(CONTENT_DAYS - 1)
    with bench.reading() as reader:
        assert reader.mail_content(number) == b"content"
    retain(CONTENT_DAYS + 1)
    with bench.reading() as reader:
        assert reader.mail_content(number) is None
        assert len(reader.last_mails(5)) == 1
    retain(ROW_DAYS + 1)
    with bench.reading() as reader:
        assert reader.last_mails(5) == []
    # What still waits is never let go of, and the history of alarms stays.
    assert bench.outbox().items
    with bench.reading() as reader:
        assert list(reader.alarm_changes())


def test_salvage_brings_it_over(bench: Bench, tmp_path: Path) -> None:
    bench.look(key("short"))
    item = bench.outbox().items[0].id
    bench.writer.update_outbox(OutboxUpdate(mails=(mail(bench, item),)))
    report = salvage(bench.path, tmp_path / "saved.sqlite")
    assert report.incomplete == ()
    counts = {name: report.rows[name] for name in ("alarm", "alarm_change", "outbox_mail")}
    assert counts == {"alarm": 1, "alarm_change": 1, "outbox_mail": 1}
    assert report.rows["outbox_item"] >= 2
