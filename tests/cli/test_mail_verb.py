"""loggerd mail: a test mail is sent with every step said; what waits is shown with its reason."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_files import SITE, call
from hand_recording import HandClock
from outbox_bench import HOUR, Bench, key
from smtp_servers import PASSWORD, Certificates, Manners, serving

from loggerd.mailing import receivers_of
from loggerd.outputs.mail_sending import MailServer
from loggerd.settings.load import load_settings

pytestmark = [
    pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS:UserWarning"),
    pytest.mark.filterwarnings("ignore:Session.login_data is deprecated:DeprecationWarning"),
]
TABLES = """
[mail]
server = "127.0.0.1"
port = {port}
security = "{security}"
{more}
from = "hut@site.test"

[[keeper]]
name = "anna"
mail = "anna@home.test"

[[keeper]]
name = "bernd"
mail = "bernd@home.test"
language = "de"
"""


def site(folder: Path, port: int, security: str = "none", more: str = "") -> Path:
    path = folder / "site.toml"
    path.write_text(SITE + TABLES.format(port=port, security=security, more=more), encoding="utf-8")
    return path


def test_a_test_mail_reaches_every_keeper_and_each_step_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    certificates = Certificates(tmp_path)
    password = tmp_path / "password"
    password.write_text(PASSWORD, encoding="utf-8")
    password.chmod(0o600)
    more = 'user = "hut"\npassword_file = "password"\nca_file = "authority.pem"'
    with serving(Manners(starttls=certificates.right, need_user=True)) as manners:
        path = site(tmp_path, manners.port, "starttls", more)
        assert call("mail", path, "--test") == 0
        said = capsys.readouterr().out
        assert call("mail", path, "--test", "--keeper", "bernd") == 0
        assert call("mail", path, "--test", "--keeper", "carl") == 2
    assert [one.receivers for one in manners.taken] == [["anna@home.test"], ["bernd@home.test"], ["bernd@home.test"]]
    for words in (f"port {manners.port}", "TLSv1.3", "signed in", "anna@home.test are taken", "the mail was taken"):
        assert words in said
    assert PASSWORD not in said
    english, german, _ = (one.text for one in manners.taken)
    assert english != german


@pytest.mark.parametrize(
    ("answer", "words"),
    [("550 nobody", "refused"), ("451 later", "would try again"), ("250 OK", "something in the table [mail]")],
)
def test_a_test_mail_that_fails_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], answer: str, words: str
) -> None:
    with serving(Manners(rcpt=lambda _: answer)) as manners:
        security = "tls" if answer.startswith("250") else "none"
        assert call("mail", site(tmp_path, manners.port, security), "--test", "--keeper", "anna") == 1
    said = capsys.readouterr().out
    assert words in said
    if security == "none":
        assert answer in said


def test_the_queue_says_what_waits_and_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with serving(Manners(rcpt=lambda who: "451 greylisted" if who.startswith("anna") else "250 OK")) as manners:
        path = site(tmp_path, manners.port)
        settings = load_settings(path)
        bench = Bench(Path(settings.record.path), receivers_of(settings), HandClock())
        bench.look(key("short", "block 7"))
        bench.run(bench.delivery(MailServer("127.0.0.1", manners.port, "none", "hut@site.test")), HOUR // 60)
        bench.look(ends=(key("short", "block 7"),))
        bench.close()
    assert call("mail", path, "--queue") == 0
    said = capsys.readouterr().out
    assert "to anna" in said
    assert "451 greylisted" in said
    assert "short (block 7, bank house) cleared, with any mail before" in said
    assert "accepted" in said
    assert call("mail", path, "--queue", "--keeper", "bernd") == 0
    assert "anna" not in capsys.readouterr().out


def test_a_site_without_mail_is_told_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    assert call("mail", path, "--test") == 2
    assert "[mail]" in capsys.readouterr().err
