"""A watcher on clocks that the test moves: what counts, when it tells, and what a restart changes (nothing)."""

from __future__ import annotations

import json
import os
from email.message import EmailMessage
from pathlib import Path

import pytest
from hand_recording import HandClock
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from smtp_servers import Manners, serving
from watch_bench import (
    DAY,
    GRACE,
    HOUR,
    LISTEN,
    MAIL,
    MAILBOX,
    MINUTE,
    SENT_MS,
    WatchBench,
    body,
    mailed,
    signed,
    write_watch,
)

from loggerd.errors import StoreHeld
from loggerd.model.scan import ClockState
from loggerd.outputs.heartbeat_mail import MOST_BYTES, Mailbox, heartbeat_mail
from loggerd.settings.watch_load import load_watch_settings
from loggerd.watching import Watcher

YEARS = 30 * 365 * DAY
BOTH = LISTEN.format(port=8467) + MAILBOX


def bench(folder: Path, port: int = 25, more: str = "", clock: HandClock | None = None, **how: object) -> WatchBench:
    return WatchBench(write_watch(folder, BOTH, MAIL.format(port=port, more=more), **how), clock)  # type: ignore[arg-type]


# -- what counts --


def test_a_signed_call_counts_and_lasts_over_a_restart(tmp_path: Path) -> None:
    one = bench(tmp_path)
    assert one.tell(body()) == 204
    one.clock.pass_by(DAY + GRACE)
    assert one.late_ms == 0
    again = one.restart()
    again.clock.pass_by(1)
    assert again.late_ms == 1


@pytest.mark.parametrize("signature", ["", "sha256=", "sha256=" + 64 * "0", signed(body(), "another"), "Ünïcode", "\0"])
def test_a_wrong_signature_counts_for_nothing(tmp_path: Path, signature: str) -> None:
    one = bench(tmp_path)
    before = one.late_ms
    assert one.watcher.take_call(body(), signature) == 401
    assert one.late_ms == before


def test_what_is_signed_by_another_site_counts_for_neither(tmp_path: Path) -> None:
    one = bench(tmp_path)
    before = one.late_ms
    assert one.tell(body(site="Barn")) == 401
    assert one.late_ms == before


def test_an_old_call_again_does_not_keep_a_dead_site_alive(tmp_path: Path) -> None:
    one = bench(tmp_path)
    old = [body(1, SENT_MS), body(2, SENT_MS + DAY)]
    for content in old:
        assert one.tell(content) == 204
        one.clock.pass_by(DAY)
    for _ in range(3):
        for content in old:
            assert one.tell(content) == 204, "as at a site's own second try, whose first answer was lost"
        one.clock.pass_by(HOUR)
    assert one.late_ms == 3 * HOUR - GRACE


def test_other_topics_are_taken_and_mean_nothing(tmp_path: Path) -> None:
    one = bench(tmp_path)
    before = one.late_ms
    assert one.tell(body(topic="alarms")) == 204
    assert one.tell(b"[1]") == 400
    assert one.tell(b"\xff") == 400
    assert one.tell(b"[" * 100_000) == 400
    assert one.tell(body(next_due="soon")) == 400
    assert one.late_ms == before


def test_a_secret_that_cannot_be_read_is_said_and_may_be_mended(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    one = bench(tmp_path)
    secret = tmp_path / "hut-secret"
    secret.chmod(0o644)
    assert one.tell(body()) == 503
    assert "chmod" in caplog.text
    secret.chmod(0o600)
    assert one.tell(body()) == 204


@given(st.binary(max_size=300), st.text(max_size=100))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_garbage_is_answered(tmp_path: Path, content: bytes, signature: str) -> None:
    one = Watcher(load_watch_settings(write_watch(tmp_path, BOTH)), HandClock(), lambda: "x")
    assert one.take_call(content, signature) == 401
    assert one.take_call(content, signed(content)) in (204, 400)


# -- mails --


def test_a_mail_counts_once_where_it_is_signed(tmp_path: Path) -> None:
    one = bench(tmp_path)
    path = one.drop(mailed())
    one.watcher.look()
    assert one.late_ms == -DAY - GRACE
    one.clock.pass_by(HOUR)
    one.watcher.look()
    one.drop(path.read_bytes(), "copy")
    one.watcher.look()
    assert one.late_ms == HOUR - DAY - GRACE
    assert path.exists(), "mails are only read"
    again = one.restart()
    assert again.late_ms == HOUR - DAY - GRACE


@pytest.mark.parametrize(
    "changed",
    [
        {"signature": None},
        {"signature": "sha256=00"},
        {"next_due": "2027-11-26T05:00:00+00:00"},
        {"number": "9"},
        {"site": "Barn"},
        {"sent_at": None},
        {"number": "many"},
        {"number": "9" * 400},
        {"site": "=?utf-8?b?////?="},
        {"site": "=?no-such?q?x?="},
    ],
)
def test_a_mail_that_is_not_right_counts_for_nothing(tmp_path: Path, changed: dict[str, str | None]) -> None:
    one = bench(tmp_path)
    before = one.late_ms
    one.drop(mailed(**changed))  # type: ignore[arg-type]
    one.watcher.look()
    assert one.late_ms == before


def test_without_a_secret_any_mail_counts_but_no_call(tmp_path: Path) -> None:
    one = bench(tmp_path, secret=False)
    assert one.tell(body()) == 401
    one.drop(mailed(signature=None))
    one.watcher.look()
    assert one.late_ms == -DAY - GRACE


def test_a_maildir_is_looked_into_and_other_mail_left_alone(tmp_path: Path) -> None:
    one = bench(tmp_path)
    for folder in ("new", "cur", "tmp"):
        (tmp_path / "mails" / folder).mkdir()
    other = EmailMessage()
    other["Subject"] = "lunch"
    one.drop(other.as_bytes(), "new/1")
    one.drop(b"\xff\0" * 100_000, "new/2")
    (tmp_path / "mails" / "new" / "3").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "mails" / "new" / "4")
    one.drop(mailed(), "tmp/5")
    before = one.late_ms
    one.watcher.look()
    assert one.late_ms == before, "what is in tmp is not delivered yet"
    (tmp_path / "mails" / "tmp" / "5").rename(tmp_path / "mails" / "new" / "5")
    one.watcher.look()
    assert one.late_ms == -DAY - GRACE


def test_a_mail_that_is_still_being_written_is_read_when_it_is_whole(tmp_path: Path) -> None:
    one = bench(tmp_path)
    content = mailed()
    path = tmp_path / "mails" / "1"
    before = one.late_ms
    path.write_bytes(content[:150])
    one.watcher.look()
    assert one.late_ms == before
    path.write_bytes(content)
    one.watcher.look()
    assert one.late_ms == -DAY - GRACE


def test_a_folder_that_is_not_there_is_said_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    one = bench(tmp_path)
    (tmp_path / "mails").rmdir()
    for _ in range(3):
        one.watcher.look()
    assert caplog.text.count("mails cannot be read") == 1
    (tmp_path / "mails").mkdir()
    one.drop(mailed())
    one.watcher.look()
    assert one.late_ms == -DAY - GRACE


def test_each_mail_is_read_once_and_of_many_old_ones_the_newest(tmp_path: Path) -> None:
    for number in range(1100):
        path = tmp_path / f"{number:04d}"
        path.write_bytes(b"X: 1\n\n")
        os.utime(path, (number, number))
    box = Mailbox(tmp_path)
    assert {path.name for path, _ in box.new()} == {f"{number:04d}" for number in range(100, 1100)}
    (tmp_path / "new one").write_bytes(b"X: 1\n\n")
    assert [path.name for path, _ in box.new()] == ["new one"]
    assert list(box.new()) == []


@given(st.binary(max_size=2000), st.binary(max_size=200))
def test_any_mail_is_a_sign_of_life_none_or_a_value_error(content: bytes, inside: bytes) -> None:
    for odd in (content, mailed().replace(b"Hut", inside), inside + mailed(), mailed().replace(b"\n", inside)):
        try:
            found = heartbeat_mail(odd[:MOST_BYTES])
        except ValueError:
            continue
        assert found is None or set(found.document) == {"site", "sent_at", "next_due", "number"}


# -- when it tells --


def test_a_silent_site_is_told_once_then_daily_and_when_it_is_back(tmp_path: Path) -> None:
    with serving(Manners()) as manners:
        one = bench(tmp_path, manners.port)
        one.tell(body())
        one.run(DAY + GRACE)
        assert manners.taken == []
        one.run(10 * MINUTE)
        assert len(manners.taken) == 1
        one.run(DAY - HOUR)
        assert len(manners.taken) == 1
        one.run(2 * HOUR)
        one.run(DAY)
        assert len(manners.taken) == 3
        one.tell(body(2, SENT_MS + 5 * DAY))
        one.run(10 * MINUTE)
        one.run(DAY)
    first, second, _, last = manners.taken
    assert first.receivers == ["anna@home.test"]
    assert "sign of life is missing" in first.parsed["Subject"]
    assert "Hut" in first.parsed["Subject"]
    assert "overdue by 0.1 h" in " ".join(first.text.split())
    assert "24.1 h" in second.text
    assert "still stays out" in " ".join(second.text.split())
    assert "sign of life is back" in last.parsed["Subject"]
    assert "had been overdue for 49" in " ".join(last.text.split())
    assert len({one.message_id for one in manners.taken}) == 4


def test_a_site_never_heard_of_is_told_after_a_day_and_the_grace(tmp_path: Path) -> None:
    with serving(Manners()) as manners:
        one = bench(tmp_path, manners.port, 'language = "de"')
        one.run(DAY + GRACE)
        assert manners.taken == []
        one.run(5 * MINUTE)
    (mail,) = manners.taken
    assert "Lebenszeichen fehlt" in mail.parsed["Subject"]
    assert "keines, seit der Wächter eingerichtet ist" in " ".join(mail.text.split())


def test_a_mail_is_tried_until_it_is_taken_always_the_same(tmp_path: Path) -> None:
    answers = iter(["451 later", "550 nobody", "554 no", "250 OK"])
    tried = []

    def answer(taken: object) -> str:
        tried.append(taken)
        return next(answers, "250 OK")

    with serving(Manners(data=answer)) as manners:  # type: ignore[arg-type]
        one = bench(tmp_path, manners.port)
        one.tell(body())
        one.run(DAY + GRACE + HOUR)
        one = one.restart()
        one.run(3 * HOUR)
    assert len(tried) == 4
    assert len({one.message_id for one in tried}) == 1  # type: ignore[attr-defined]
    assert len({one.content for one in tried}) == 1  # type: ignore[attr-defined]
    assert len(manners.taken) == 1


def test_quiet_hours_hold_it_back_and_one_that_is_back_by_then_is_not_told(tmp_path: Path) -> None:
    """HandClock begins at 16:13 in Vienna; 26 hours and a minute later it is 18:14."""
    quiet = 'quiet = ["17:00", "21:00"]'
    with serving(Manners()) as manners:
        one = bench(tmp_path, manners.port, quiet)
        one.tell(body())
        one.run(DAY + GRACE + 2 * HOUR)
        assert manners.taken == []
        one.tell(body(2, SENT_MS + DAY))
        one.run(5 * HOUR)
        assert manners.taken == []
        one.run(DAY + GRACE)
        one.run(6 * HOUR)
    assert len(manners.taken) == 1


def test_a_keeper_who_only_wants_danger_is_not_told(tmp_path: Path) -> None:
    with serving(Manners()) as manners:
        one = bench(tmp_path, manners.port, 'least_priority = "critical"')
        one.run(3 * DAY)
    assert manners.taken == []


# -- clocks and restarts --


def test_a_restart_neither_forgets_nor_repeats(tmp_path: Path) -> None:
    with serving(Manners()) as manners:
        one = bench(tmp_path, manners.port)
        one.tell(body())
        for _ in range(40):
            one.run(HOUR)
            one = one.restart()
        assert len(manners.taken) == 1
        one.tell(body(2, SENT_MS + DAY))
        one = one.restart()
        one.run(HOUR)
    assert ["back" in one.parsed["Subject"] for one in manners.taken] == [False, True]


@pytest.mark.parametrize("step_ms", [-YEARS, -DAY, DAY, YEARS])
@pytest.mark.parametrize("site_ms", [0, SENT_MS - YEARS, SENT_MS + YEARS])
def test_neither_clock_needs_to_be_right(tmp_path: Path, step_ms: int, site_ms: int) -> None:
    """The watcher's wall clock is set while it waits; the site's is years off."""
    with serving(Manners()) as manners:
        one = bench(tmp_path, manners.port)
        one.clock.step(-step_ms)
        assert one.tell(body(1, site_ms)) == 204
        one.run(HOUR)
        one.clock.step(step_ms)
        one.run(DAY + GRACE - HOUR)
        assert manners.taken == []
        one.run(10 * MINUTE)
    assert len(manners.taken) == 1


def test_while_the_machine_is_off_time_goes_on_by_a_clock_that_is_set(tmp_path: Path) -> None:
    one = bench(tmp_path)
    one.tell(body())
    one.clock.pass_by(HOUR)
    off = HandClock(one.clock.wall_ms() + 30 * HOUR, mono_ms=20_000)
    again = one.restart("second", off)
    assert again.late_ms == 31 * HOUR - DAY - GRACE


def test_a_clock_that_is_not_set_raises_no_false_alarm_and_is_made_good_when_it_is(tmp_path: Path) -> None:
    """A board without a clock chip: it begins years ago, and a time server sets it after a while."""
    one = bench(tmp_path)
    one.tell(body())
    one.clock.pass_by(HOUR)
    real_ms = one.clock.wall_ms() + 20 * HOUR
    begun = HandClock(1_000_000, mono_ms=20_000)
    begun.said = ClockState.NOT_SET
    again = one.restart("second", begun)
    assert again.late_ms in (-DAY - GRACE, HOUR - DAY - GRACE), "no time has passed that anybody could tell"
    begun.pass_by(2 * HOUR)
    begun.step(real_ms + 2 * HOUR - begun.wall_ms())
    again.watcher.look()
    assert again.late_ms in (2 * HOUR - DAY - GRACE, 3 * HOUR - DAY - GRACE)
    begun.said = ClockState.SET
    again.watcher.look()
    assert again.late_ms == pytest.approx(23 * HOUR - DAY - GRACE, abs=1)
    again.watcher.look()
    assert again.late_ms == pytest.approx(23 * HOUR - DAY - GRACE, abs=1), "once"


def test_starts_again_and_again_without_a_clock_do_not_put_it_off_for_ever(tmp_path: Path) -> None:
    one = bench(tmp_path)
    one.tell(body())
    one.clock.said = ClockState.NOT_SET
    for number in range(14):
        one.run(2 * HOUR)
        clock = HandClock(1_000_000, mono_ms=20_000)
        clock.said = ClockState.NOT_SET
        one = one.restart(f"start {number}", clock)
    assert one.late_ms > -2 * HOUR


def test_a_state_that_makes_no_sense_is_set_aside(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    one = bench(tmp_path)
    one.tell(body())
    state = tmp_path / "watch-state.json"
    json.loads(state.read_text(encoding="utf-8"))
    for odd in (b"", b"{", b"[]", b'{"form": 1}', b'{"form": 2}', b"[" * 100_000, b"\xff\xfe", b"\0" * 500):
        state.write_bytes(odd)
        one = one.restart()
        assert one.late_ms == -DAY - GRACE
        assert (tmp_path / "watch-state.json.damaged").read_bytes() == odd
    assert "makes no sense" in caplog.text


def test_a_full_disk_does_not_keep_an_alarm_from_being_told(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with serving(Manners()) as manners:
        one = bench(tmp_path, manners.port)
        (tmp_path / ".watch-state.json.tmp").mkdir()
        assert one.tell(body()) == 204
        one.run(2 * DAY)
    assert len(manners.taken) == 1
    assert caplog.text.count("cannot be written") == 1


def test_only_one_watcher_holds_a_state(tmp_path: Path) -> None:
    one = bench(tmp_path)
    with pytest.raises(StoreHeld):
        WatchBench(one.path)
    one.restart().watcher.close()
