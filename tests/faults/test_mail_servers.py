"""Mail against servers of all manners: what is told arrives, once, in order; what fails is named and tried again."""

from __future__ import annotations

import datetime
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hand_recording import HandClock
from outbox_bench import DAY, HOUR, MINUTE, SENDER, Bench, keeper, key, told_in
from smtp_servers import PASSWORD, STAGES, Certificates, Manners, RudeServer, Taken, serving

from loggerd.model.outbox import MailState
from loggerd.outputs.attempt import Attempt, Runner
from loggerd.outputs.mail_sending import MailServer, send_mail
from loggerd.outputs.outcome import Outcome, Trouble

# What the server that we test against says of itself.
pytestmark = [
    pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS:UserWarning"),
    pytest.mark.filterwarnings("ignore:Session.login_data is deprecated:DeprecationWarning"),
]
CONTENT = b"Message-ID: <a@b>\r\n\r\nfirst\r\n.dot\r\n..dots\r\n"


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return Certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path / "record.sqlite", (keeper("anna"), keeper("ben")), HandClock())
    yield one
    one.close()


def plain(port: int, **changed: object) -> MailServer:
    return MailServer("127.0.0.1", port, "none", SENDER, **changed)  # type: ignore[arg-type]


def tried(server: MailServer, seconds: float = 20.0, steps: list[str] | None = None) -> Outcome:
    said = steps if steps is not None else []
    attempt = Attempt(seconds, said.append)
    return Runner().run(attempt, lambda running: send_mail(server, "anna@home.test", CONTENT, running))


def everything_is_told(bench: Bench, taken: list[Taken], *names: str) -> None:
    """Each change is in exactly one mail to each keeper, in order."""
    with bench.reading() as reader:
        changes = [one.id for one in reader.alarm_changes()]
    assert changes
    for name in names:
        told = [number for one in taken if one.receivers == [f"{name}@home.test"] for number in told_in(one.text)]
        assert told == changes


# -- one try --


@pytest.mark.parametrize("security", ["starttls", "tls", "none"])
def test_a_mail_arrives_byte_for_byte_and_each_step_is_said(certificates: Certificates, security: str) -> None:
    manners = Manners(need_user=True)
    if security == "starttls":
        manners.starttls = certificates.right
    elif security == "tls":
        manners.tls = certificates.right
    steps: list[str] = []
    with serving(manners):
        server = MailServer(
            "127.0.0.1",
            manners.port,
            security,
            SENDER,
            "hut",
            PASSWORD,
            certificates.ca_file,  # type: ignore[arg-type]
        )
        outcome = tried(server, steps=steps)
    assert outcome.accepted, outcome
    (one,) = manners.taken
    assert (one.sender, one.receivers, one.user) == (SENDER, ["anna@home.test"], "hut")
    assert one.content == CONTENT
    assert any("signed in" in step for step in steps)
    assert any("TLSv1." in step for step in steps) == (security != "none")
    assert PASSWORD not in repr(server) + "".join(steps)


def _wrong_certificates(certificates: Certificates) -> dict[str, tuple[object, str]]:
    long_ago = datetime.datetime(2020, 1, 1, tzinfo=datetime.UTC)
    far_ahead = datetime.datetime(2090, 1, 1, tzinfo=datetime.UTC)
    return {
        "unknown": (certificates.unknown, "not trusted"),
        "name": (certificates.wrong_name, "not trusted"),
        "expired": (certificates.out_of_date(not_after=long_ago), "clock is wrong"),
        "early": (certificates.out_of_date(not_before=far_ahead, not_after=far_ahead.replace(year=2091)), "clock"),
    }


@pytest.mark.parametrize("security", ["starttls", "tls"])
@pytest.mark.parametrize("fault", ["unknown", "name", "expired", "early"])
def test_a_wrong_certificate_is_not_taken(certificates: Certificates, fault: str, security: str) -> None:
    context, words = _wrong_certificates(certificates)[fault]
    manners = Manners(need_user=True, **{security: context})  # type: ignore[arg-type]
    with serving(manners):
        outcome = tried(
            MailServer("127.0.0.1", manners.port, security, SENDER, "hut", PASSWORD, certificates.ca_file)  # type: ignore[arg-type]
        )
    assert (outcome.accepted, outcome.refused, outcome.trouble) == (False, False, Trouble.SETUP)
    assert words in outcome.answer
    assert manners.taken == []


def test_a_server_without_encryption_is_not_trusted_with_a_password(certificates: Certificates) -> None:
    with serving(Manners(need_user=True)) as manners:
        for security in ("starttls", "tls"):
            server = MailServer("127.0.0.1", manners.port, security, SENDER, "hut", PASSWORD)
            assert tried(server).trouble is Trouble.SETUP
    assert manners.taken == []


def test_a_wrong_password_is_named_and_not_shown() -> None:
    with serving(Manners(need_user=True)) as manners:
        outcome = tried(plain(manners.port, user="hut", password="wrong-secret"))
    assert (outcome.refused, outcome.trouble) == (False, Trouble.SETUP)
    assert "password is not taken: 535" in outcome.answer
    assert "wrong-secret" not in outcome.answer


ANSWERS: list[tuple[dict[str, Callable[..., str]], bool, Trouble]] = [
    ({"rcpt": lambda _: "450 greylisted, come back"}, False, Trouble.BUSY),
    ({"rcpt": lambda _: "452 mailbox full"}, False, Trouble.BUSY),
    ({"rcpt": lambda _: "552 mailbox full"}, True, Trouble.SETUP),
    ({"rcpt": lambda _: "550 nobody here"}, True, Trouble.SETUP),
    ({"data": lambda _: "451 local trouble"}, False, Trouble.BUSY),
    ({"data": lambda _: "552 too large"}, True, Trouble.SETUP),
    ({"data": lambda _: "554 no such thing"}, True, Trouble.SETUP),
]


@pytest.mark.parametrize(("answers", "refused", "trouble"), ANSWERS)
def test_answers_are_told_apart(answers: dict[str, Callable[..., str]], refused: bool, trouble: Trouble) -> None:
    with serving(Manners(**answers)) as manners:
        outcome = tried(plain(manners.port))
    assert (outcome.accepted, outcome.refused, outcome.trouble) == (False, refused, trouble)


@pytest.mark.parametrize("stage", STAGES)
def test_a_line_that_breaks_is_tried_again(bench: Bench, stage: str) -> None:
    """At every stage. Only where the server had taken the mail and could not say so, it comes twice, the same."""
    with RudeServer(lambda connection: stage if connection in (1, 4) else None) as server:
        delivery = bench.delivery(plain(server.port))
        bench.look(key("short"))
        bench.run(delivery, HOUR)
        bench.look(ends=(key("short"),))
        bench.run(delivery, 3 * HOUR)
    names = [one.message_id for one in server.taken]
    once = {one.message_id: one for one in server.taken}
    assert {one.content for one in server.taken} == {one.content for one in once.values()}
    assert (len(names) > len(once)) == (stage == "answer")
    assert max(names.count(name) for name in once) <= 2
    everything_is_told(bench, list(once.values()), "anna", "ben")


def test_a_dripping_server_is_given_up() -> None:
    for stage in ("greeting", "MAIL", "answer"):
        with RudeServer(lambda _, stage=stage: stage, drip_seconds=0.2) as server:  # type: ignore[misc]
            outcome = tried(plain(server.port, final_seconds=0.3), seconds=0.3)
        assert "took too long" in outcome.answer
        assert not outcome.accepted


def test_a_try_that_was_given_up_sends_nothing_afterwards() -> None:
    """As when the resolver comes back late: the thread goes on, and must find its way barred."""
    attempt = Attempt(20)
    with serving(Manners()) as manners:
        attempt.give_up()
        outcome = send_mail(plain(manners.port), "anna@home.test", CONTENT, attempt)
    assert not outcome.accepted
    assert manners.taken == []


def test_a_server_that_says_nothing_is_given_up() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        outcome = tried(plain(listener.getsockname()[1], timeout_seconds=0.2), seconds=5)
        assert "no answer while looking for the server" in outcome.answer
        outcome = tried(plain(listener.getsockname()[1]), seconds=0.2)
        assert "took too long" in outcome.answer


# -- the outbox --


def test_greylisting_costs_a_few_minutes(bench: Bench) -> None:
    seen: set[str] = set()

    def grey(receiver: str) -> str:
        if receiver in seen:
            return "250 OK"
        seen.add(receiver)
        return "451 come back later"

    with serving(Manners(rcpt=grey)) as manners:
        delivery = bench.delivery(plain(manners.port))
        bench.look(key("short"))
        bench.run(delivery, 11 * MINUTE)
    everything_is_told(bench, manners.taken, "anna", "ben")


def test_one_refused_keeper_does_not_keep_the_others_from_being_told(bench: Bench) -> None:
    with serving(Manners(rcpt=lambda who: "550 nobody" if who.startswith("anna") else "250 OK")) as manners:
        delivery = bench.delivery(plain(manners.port))
        bench.look(key("short"))
        bench.run(delivery, HOUR)
        everything_is_told(bench, manners.taken, "ben")
        assert "550 nobody" in delivery.health.refused
        assert bench.outbox().sent[0].state is MailState.REFUSED
        # What was refused is told when the address is right again: in one new mail, a day later.
        manners.rcpt = lambda _: "250 OK"
        bench.look(key("spread"))
        bench.run(delivery, 2 * HOUR)
        assert {one.receivers[0] for one in manners.taken} == {"ben@home.test"}
        bench.acknowledge(key("short"), "ben")
        bench.run(delivery, 2 * DAY)
    everything_is_told(bench, [one for one in manners.taken if "anna@home.test" in one.receivers], "anna")
    assert delivery.health.refused == ""


def test_thirty_days_without_a_link(bench: Bench) -> None:
    """Everything arrives when the link is back, in order, in two mails to each keeper; nothing expires."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    delivery = bench.delivery(plain(port))
    for day in range(30):
        bench.look(key("spread", f"block {day}"))
        bench.acknowledge(key("spread", f"block {day}"), "loggerd")
        bench.run(delivery, DAY)
        assert delivery.health.waiting_ms >= day * DAY
    with serving(Manners(port=port)) as manners:
        bench.run(delivery, 2 * HOUR)
    assert len(manners.taken) == 4
    everything_is_told(bench, manners.taken, "anna", "ben")
    look = bench.outbox()
    assert (look.items, look.mails) == ((), ())


def test_a_flood_of_200_alarms_is_three_mails_that_list_them_all(bench: Bench) -> None:
    with serving(Manners()) as manners:
        delivery = bench.delivery(plain(manners.port))
        for number in range(0, 200, 4):
            names = ("spread", "short", "water", "runaway")
            bench.look(*(key(name, f"block {number + place}") for place, name in enumerate(names)))
            bench.run(delivery, 12_000)
        bench.run(delivery, 20 * MINUTE)
    assert [one.receivers[0] for one in manners.taken].count("anna@home.test") <= 3
    everything_is_told(bench, manners.taken, "anna", "ben")
