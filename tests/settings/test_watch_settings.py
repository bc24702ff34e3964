"""The settings of a watcher: all faults at once, secrets shown nowhere, paths beside the file."""

from __future__ import annotations

from pathlib import Path

import pytest

from loggerd.errors import SettingsError
from loggerd.settings.shipped import shipped_path
from loggerd.settings.watch_load import load_watch_settings

WATCHER = '[watcher]\nname = "office"\ntimezone = "Europe/Vienna"\n'
SITE = '[[site]]\nname = "Hut"\nsecret_file = "hut"\n'
LISTEN = "[listen]\nport = 8467\n"
MAIL = '[mail]\nserver = "mail.example.org"\nfrom = "watch@example.org"\n'
ANNA = '[[keeper]]\nname = "anna"\nmail = "anna@example.org"\n'
WHOLE = WATCHER + SITE + LISTEN + MAIL + ANNA


def written(folder: Path, text: str) -> Path:
    path = folder / "watch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        load_watch_settings(written(folder, text))
    return [str(fault) for fault in caught.value.faults]


def test_the_shipped_example_is_right() -> None:
    settings = load_watch_settings(shipped_path("watcher/watch.example.toml"))
    assert [site.name for site in settings.sites] == ["Hill farm"]
    assert settings.listen is not None
    assert settings.listen.host == "127.0.0.1"


def test_paths_are_beside_the_file_and_nothing_listens_beyond_this_machine_by_itself(tmp_path: Path) -> None:
    text = WHOLE + '[mailbox]\nfolder = "mails"\n'
    settings = load_watch_settings(written(tmp_path, text))
    assert settings.watcher.state == str(tmp_path / "watch-state.json")
    assert settings.sites[0].secret_file == str(tmp_path / "hut")
    assert settings.mailbox is not None
    assert settings.mailbox.folder == str(tmp_path / "mails")
    assert settings.listen is not None
    assert settings.listen.host == "127.0.0.1"
    assert settings.sites[0].grace_minutes == 120


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (SITE + LISTEN, "[watcher]: found nothing; expected the table [watcher]"),
        (WATCHER + LISTEN, "found nothing; expected at least one table headed [[site]]"),
        (WATCHER + SITE, "no way by which a sign of life could arrive"),
        (WATCHER + SITE + SITE + LISTEN, '[[site]] "Hut" key "name": found the name "Hut" again'),
        (WATCHER + SITE + 'secret_env = "HUT"\n' + LISTEN, "only one of secret_file"),
        (WATCHER + '[[site]]\nname = "Hut"\n' + LISTEN, '[[site]] "Hut": found no secret'),
        (WATCHER + SITE + "grace_minutes = -1\n" + LISTEN, "a number from 0 to 20160"),
        (WATCHER + SITE + "grace_minuets = 1\n" + LISTEN, 'did you mean "grace_minutes"?'),
        (WATCHER + SITE + '[listen]\nhost = "a b"\nport = 0\n', "a whole number from 1 to 65535"),
        (WATCHER + SITE + "[mailbox]\n", "the path of a folder"),
        (WATCHER + SITE + LISTEN + ANNA, "no table [mail]"),
        (WHOLE + ANNA, 'the name "anna" again'),
        (WHOLE + 'banks = ["house"]\n', 'key "banks": found a key that means nothing to a watcher'),
        (WHOLE + 'digest = "daily"\n', "a key that means nothing to a watcher"),
        (WHOLE.replace('"Europe/Vienna"', '"Europe/Wien"'), "the name of a time zone"),
        (WHOLE + "[bank]\n", "found an unknown key; expected"),
        (WATCHER + SITE + LISTEN + MAIL + 'user = "hut"\n', "a user without a password"),
        (WATCHER + SITE + LISTEN + MAIL + 'security = "none"\n', "that is not on this machine"),
    ],
)
def test_what_cannot_be_is_named(tmp_path: Path, text: str, words: str) -> None:
    found = faults(tmp_path, text)
    assert any(words in fault for fault in found), found


def test_all_faults_are_told_at_once_with_their_lines(tmp_path: Path) -> None:
    text = WHOLE.replace("port = 8467", "port = 0") + "[extra]\n" + SITE + "grace_minutes = true\n"
    found = faults(tmp_path, text)
    assert len(found) == 4
    lines = text.split("\n")
    for fault, key in zip(found, ("port = 0", "[extra]", 'name = "Hut"', "grace_minutes = true"), strict=True):
        number = int(fault.partition(", line ")[2].partition(",")[0])
        assert lines[number - 1] == key, fault


@pytest.mark.parametrize(
    "text",
    [
        WATCHER + '[[site]]\nname = "Hut"\nsecret = "SeCrEt"\n' + LISTEN,
        WATCHER + '[[site]]\nname = "Hut"\nsecret_env = "SeCrEt"\n' + LISTEN,
        WATCHER + '[[site]]\nname = "Hut"\nsecret_credential = "SeCrEt="\n' + LISTEN,
        WATCHER + '[[site]]\nname = "Hut"\nsecret_file = ["SeCrEt"]\n' + LISTEN,
        WHOLE.replace(MAIL, MAIL + 'password = "SeCrEt"\n'),
    ],
)
def test_secrets_are_never_printed(tmp_path: Path, text: str) -> None:
    found = faults(tmp_path, text)
    assert not any("SeCrEt" in fault for fault in found), found


def test_a_site_without_a_secret_may_be_heard_of_by_mail(tmp_path: Path) -> None:
    text = WATCHER + '[[site]]\nname = "Hut"\n[mailbox]\nfolder = "mails"\n'
    assert not load_watch_settings(written(tmp_path, text)).sites[0].signed
