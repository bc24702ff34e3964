"""`loggerd check` says who is told what, and no secret nor where one stands."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli_files import SITE, call

MAIL = """
[mail]
server = "mail.example.org"
user = "hut"
password_file = "SeCrEt-file"
from = "hut@example.org"
"""
ANNA = '[[keeper]]\nname = "anna"\nmail = "anna@example.org"\n'
BEN = """
[[keeper]]
name = "ben"
mail = "ben@example.org"
language = "de"
units = "fahrenheit"
banks = ["house"]
least_priority = "high"
quiet = ["22:00", "06:30"]
escalate_to = "anna"
escalate_after_hours = 12
repeat_after_hours = 0
digest = "none"
"""
HOOK = '[webhook]\nurl = "https://hooks.example.org:8443/SeCrEt-path"\n'
BEAT = '[heartbeat]\nto = ["anna", "webhook"]\n'


def said(folder: Path, text: str, capsys: pytest.CaptureFixture[str]) -> str:
    path = folder / "site.toml"
    path.write_text(SITE + text, encoding="utf-8")
    assert call("check", path) == 0
    told = capsys.readouterr().out
    assert call("check", path, "--json") == 0
    shown = capsys.readouterr().out
    json.loads(shown)
    assert "SeCrEt" not in told + shown
    return told


def test_a_site_that_tells_nobody_is_told_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = said(tmp_path, "", capsys)
    assert "Nobody is told of alarms" in told
    assert "The settings can be used." in told


def test_keepers_and_mail_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = said(tmp_path, MAIL + ANNA + BEN, capsys)
    for words in (
        "Mail: from hut@example.org by mail.example.org, port 587, encrypted (STARTTLS), signed in as hut",
        'Keeper "anna": mails to anna@example.org in English, with °C',
        "gets all alarms of all banks, and those of instruments and logger",
        "is told again of high and critical alarms after 24 h without acknowledgement",
        "gets a digest every Monday at 07:30",
        'Keeper "ben": mails to ben@example.org in German, with °F',
        "gets alarms of high and critical priority of bank house",
        "quiet from 22:00 to 06:30, local time: what comes then waits, but not danger to people",
        "after 12 h without acknowledgement, anna is told as well",
        "gets no digest",
        "if this logger dies, nobody is told",
    ):
        assert words in told, words
    assert told.count("told again") == 1


def test_webhook_and_sign_of_life_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = said(tmp_path, MAIL + ANNA + HOOK + BEAT, capsys)
    for words in (
        "Webhook: all alarms are told to https://hooks.example.org:8443 (its path is not shown), NOT signed",
        "Sign of life: every day at 06:00, local time, to anna, the webhook; a watcher takes no webhook without",
    ):
        assert words in told, words
    signed = HOOK + 'secret_env = "SIGNATURE_PLACE"\n' + BEAT + 'secret_credential = "SeCrEt"\n'
    told = said(tmp_path, MAIL + ANNA + signed, capsys)
    assert "(its path is not shown), signed\n" in told
    assert "to anna, the webhook; mailed ones carry a signature\n" in told
    assert "SIGNATURE_PLACE" not in told
