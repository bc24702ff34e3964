"""Who is told what: names, places of secrets, encryption; and secrets that are shown nowhere."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from cli_files import SITE

from loggerd.errors import DeliveryRefused, SettingsError
from loggerd.mailing import mail_server, receivers_of
from loggerd.model.alarm import Priority
from loggerd.model.outbox import Lane
from loggerd.settings.load import load_settings
from loggerd.settings.secret_places import read_secret

MAIL = '[mail]\nserver = "mail.example.org"\nfrom = "hut@example.org"\n'
ANNA = '[[keeper]]\nname = "anna"\nmail = "anna@example.org"\n'


def faults(folder: Path, text: str) -> list[str]:
    path = folder / "site.toml"
    path.write_text(SITE + text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    return [str(fault) for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (MAIL + 'password_file = "p"\npassword_env = "P"\nuser = "hut"\n', "only one of password_file"),
        (MAIL + 'user = "hut"\n', "a user without a password"),
        (MAIL + 'password_env = "P"\n', "a password without a user"),
        (MAIL + 'security = "none"\n', "that is not on this machine"),
        (MAIL + ANNA + ANNA, 'the name "anna" again'),
        (MAIL + ANNA.replace("anna", "webhook"), 'the name "webhook" again'),
        (MAIL + ANNA + 'banks = ["house", "horse"]\n', 'found the text "horse"'),
        (MAIL + ANNA + 'escalate_to = "ben"\n', 'found the text "ben"'),
        (ANNA, "no table [mail]"),
        ('[heartbeat]\nto = ["anna"]\n', "there is none"),
        (MAIL + ANNA + '[heartbeat]\nto = ["webhook"]\n', "expected one of anna"),
        ('[webhook]\nurl = "http://x.example"\nsecret_env = "A"\nsecret_file = "b"\n', "only one of secret_file"),
    ],
)
def test_what_cannot_be_is_named(tmp_path: Path, text: str, words: str) -> None:
    found = faults(tmp_path, text)
    assert any(words in fault for fault in found), found


def test_a_name_that_cannot_be_printed_is_not_offered_for_another(tmp_path: Path) -> None:
    """Found by the fuzzing of the settings: a keeper whose name is a line break."""
    text = MAIL + ANNA + 'escalate_to = "ben"\n' + ANNA.replace('"anna"', '"\\n"')
    found = faults(tmp_path, text)
    assert any("escalate_to" in fault for fault in found), found
    assert not any("\n" in fault for fault in found), found


@pytest.mark.parametrize(
    "text",
    [
        MAIL + 'password = "SeCrEt"\n',
        MAIL + 'passwords = "SeCrEt"\n',
        MAIL + 'password_env = "SeCrEt"\n',
        MAIL + 'password_credential = "SeCrEt/+="\n',
        MAIL + 'password_file = ["SeCrEt"]\n',
        '[webhook]\nurl = "https://x.example/?key=SeCrEt"\n',
        '[webhook]\nurl = "https://x.example"\nsecret = "SeCrEt"\n',
        '[webhook]\nurl = "https://x.example"\nsecret_credential = "SeCrEt="\n',
        MAIL + 'password = "SeCrEt\n',
    ],
)
def test_secrets_are_never_printed(tmp_path: Path, text: str) -> None:
    found = faults(tmp_path, text)
    assert not any("SeCrEt" in fault for fault in found), found


def test_a_secret_stands_where_only_the_service_reads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "password"
    file.write_text("open sesame\n", encoding="utf-8")
    for mode in (0o600, 0o640, 0o400):
        file.chmod(mode)
        assert read_secret("password", str(file), None, None) == "open sesame"
    for mode in (0o644, 0o602, 0o601):
        file.chmod(mode)
        with pytest.raises(DeliveryRefused, match="chmod o=") as refused:
            read_secret("password", str(file), None, None)
        assert "sesame" not in str(refused.value)
    monkeypatch.setenv("LOGGERD_PASSWORD", "from outside")
    assert read_secret("password", None, "LOGGERD_PASSWORD", None) == "from outside"
    file.chmod(0o400)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert read_secret("password", None, None, "password") == "open sesame"
    assert read_secret("password", None, None, None) == ""


def test_a_secret_that_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    monkeypatch.delenv("NOWHERE", raising=False)
    empty, odd = tmp_path / "empty", tmp_path / "odd"
    empty.touch(0o600)
    odd.write_bytes(b"\xff\xfe")
    odd.chmod(0o600)
    for places, words in (
        ((str(tmp_path / "none"), None, None), "No such file"),
        ((str(empty), None, None), "is empty"),
        ((str(odd), None, None), "holds no text"),
        ((None, "NOWHERE", None), "NOWHERE"),
        ((None, None, "name"), "no systemd credentials"),
    ):
        with pytest.raises(DeliveryRefused, match=words):
            read_secret("password", *places)


def test_settings_become_receivers_and_server(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    table = MAIL + 'user = "hut"\npassword_file = "password"\nsecurity = "tls"\nca_file = "ca.pem"\n'
    quiet = 'quiet = ["22:00", "06:30"]\nbanks = ["house"]\nleast_priority = "high"\n'
    hook = '[webhook]\nurl = "https://x.example/secret-path"\n'
    path.write_text(SITE + table + ANNA + quiet + hook, encoding="utf-8")
    password = tmp_path / "password"
    password.write_text("open sesame", encoding="utf-8")
    password.chmod(0o600)
    settings = load_settings(path)
    anna, webhook = receivers_of(settings)
    assert (anna.name, anna.address, anna.banks, anna.least) == (
        "anna",
        "anna@example.org",
        frozenset({"house"}),
        Priority.HIGH,
    )
    assert anna.quiet is not None
    assert (webhook.lane, webhook.name) == (Lane.WEBHOOK, "webhook")
    assert settings.mail is not None
    server = mail_server(settings.mail)
    assert (server.port, server.password, server.ca_file) == (465, "open sesame", os.fspath(tmp_path / "ca.pem"))
    assert "sesame" not in repr(server) + repr(settings)
