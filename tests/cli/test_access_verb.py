"""loggerd access: people, tokens, sessions and the trail; passwords come from a terminal or standard input only."""

from __future__ import annotations

import io
import json
import os
import pty
import select
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from cli_files import SITE, call

from loggerd.access.doors import Access, Visitor, hash_of
from loggerd.clock import SystemClock
from loggerd.settings.load import load_settings

PASSWORD = "correct horse battery"
SECONDS = 60.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    return path


def access_of(path: Path) -> Access:
    return Access.of(load_settings(path), SystemClock())


def typed(monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))


def add(path: Path, monkeypatch: pytest.MonkeyPatch, name: str = "anna", role: str = "keeper") -> None:
    typed(monkeypatch, f"{PASSWORD}\n")
    assert call("access", path, "add", name, "--role", role, "--password-stdin") == 0


def test_somebody_is_added_and_can_sign_in(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call("access", path) == 0
    assert "nobody may sign in yet" in capsys.readouterr().out
    add(path, monkeypatch)
    add(path, monkeypatch, "ben", "reader")
    begun = access_of(path).sign_in("Anna", PASSWORD, Visitor("10.0.0.1"))
    assert begun is not None
    assert begun.person.role.value == "keeper"
    capsys.readouterr()
    assert call("access", path, "list") == 0
    said = capsys.readouterr().out
    assert "anna: keeper, since 20" in said
    assert "ben: reader" in said
    assert call("access", path, "list", "--json") == 0
    shown = capsys.readouterr().out
    assert [one["role"] for one in json.loads(shown)["people"]] == ["keeper", "reader"]
    assert "scrypt" not in said + shown
    file = path.with_name("record.sqlite.access")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert PASSWORD.encode() not in file.read_bytes()


def test_a_password_ends_with_its_line(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for end in ("\n", "\r\n", ""):
        typed(monkeypatch, f" {PASSWORD} {end}" + ("more\n" if end else ""))
        assert call("access", path, "add", f"one{len(end)}", "--role", "reader", "--password-stdin") == 0
        assert access_of(path).sign_in(f"one{len(end)}", f" {PASSWORD} ", Visitor("10.0.0.1")) is not None


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["add", "anna"], "which role"),
        (["add", "--role", "keeper"], "one name"),
        (["add", "anna", "ben", "--role", "keeper"], "one name"),
        (["add", "anna", "--role", "keeper"], "--password-stdin"),
        (["add", "lo/ggerd", "--role", "keeper", "--password-stdin"], "a name has"),
        (["add", "Loggerd", "--role", "keeper", "--password-stdin"], "choose another name"),
        (["add", "a\nb", "--role", "keeper", "--password-stdin"], "a name has"),
        (["password", "nobody", "--password-stdin"], "there is nobody called"),
        (["remove", "nobody"], "there is nobody called"),
        (["end-sessions", "nobody"], "there is nobody called"),
        (["role", "nobody"], "a name and a role"),
        (["token", "garage"], "--scope read or --scope enter"),
        (["revoke", "garage"], 'no token "garage" holds'),
        (["list", "anna"], "no name"),
    ],
)
def test_wrong_words_are_told_and_change_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    typed(monkeypatch, f"{PASSWORD}\n")
    assert call("access", path, *words) == 2
    assert said in capsys.readouterr().err
    assert access_of(path).store.audit(10) == []


def test_a_short_password_is_refused(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(monkeypatch, "short\n")
    assert call("access", path, "add", "anna", "--role", "keeper", "--password-stdin") == 1
    said = capsys.readouterr().err
    assert "at least 10 characters" in said
    assert "short" not in said
    assert access_of(path).store.people() == []


def test_a_name_is_taken_once(path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    add(path, monkeypatch)
    typed(monkeypatch, "another password\n")
    assert call("access", path, "add", "ANNA", "--role", "reader", "--password-stdin") == 2
    assert "already" in capsys.readouterr().err
    assert access_of(path).sign_in("anna", PASSWORD, Visitor("10.0.0.1")) is not None


def test_a_new_password_a_role_and_a_removal_take_effect_at_once(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    add(path, monkeypatch)
    access = access_of(path)
    begun = access.sign_in("anna", PASSWORD, Visitor("10.0.0.1"))
    assert begun is not None
    assert call("access", path, "role", "anna", "reader") == 0
    seen = access.person_of(begun.session)
    assert seen is not None
    assert seen.role.value == "reader"
    assert call("access", path, "role", "anna", "king") == 2
    typed(monkeypatch, "quite another one\n")
    assert call("access", path, "password", "anna", "--password-stdin") == 0
    assert access.person_of(begun.session) is None
    begun = access.sign_in("anna", "quite another one", Visitor("10.0.0.1"))
    assert begun is not None
    assert call("access", path, "remove", "anna") == 0
    assert access.person_of(begun.session) is None


def test_sessions_are_shown_and_ended(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    add(path, monkeypatch)
    access = access_of(path)
    begun = access.sign_in("anna", PASSWORD, Visitor("10.0.0.1", "Browser\x1b[31m 1"))
    assert begun is not None
    capsys.readouterr()
    assert call("access", path, "sessions") == 0
    said = capsys.readouterr().out
    assert "from 10.0.0.1: Browser?[31m 1" in said
    assert call("access", path, "sessions", "anna", "--json") == 0
    shown = capsys.readouterr().out
    assert json.loads(shown)[0]["address"] == "10.0.0.1"
    assert begun.session not in said + shown
    assert call("access", path, "end-sessions", "anna") == 0
    assert access.person_of(begun.session) is None
    capsys.readouterr()
    assert call("access", path, "sessions") == 0
    assert "nobody is signed in" in capsys.readouterr().out


def test_a_token_is_shown_once_and_revoked(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("access", path, "token", "garage", "--scope", "enter") == 0
    token = capsys.readouterr().out.strip()
    access = access_of(path)
    seen = access.program_of(token, "10.0.0.1")
    assert seen is not None
    assert (seen.name, seen.role.value) == ("garage (program)", "keeper")
    for what in ("list", "audit"):
        for more in ([], ["--json"]):
            assert call("access", path, what, *more) == 0
    said = capsys.readouterr().out
    assert "garage" in said
    assert token not in said
    assert hash_of(token).hex() not in said
    assert call("access", path, "token", "garage", "--scope", "read") == 2
    assert call("access", path, "revoke", "garage") == 0
    assert access.program_of(token, "10.0.0.1") is None


def test_the_trail_says_who_did_what(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    add(path, monkeypatch)
    call("access", path, "role", "anna", "reader")
    capsys.readouterr()
    assert call("access", path, "audit") == 0
    first, second = capsys.readouterr().out.splitlines()
    assert first.endswith("(command): added: anna, keeper")
    assert second.endswith("(command): role given: anna, reader")


def at_a_terminal(words: list[str], answers: list[str]) -> tuple[int, str]:
    """Run loggerd with a terminal of its own and type each answer when it is asked for one. Returns code and screen."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        ["setsid", "--ctty", sys.executable, "-m", "loggerd", *words], stdin=theirs, stdout=theirs, stderr=theirs
    )
    os.close(theirs)
    screen, give_up, waiting = "", time.monotonic() + SECONDS, list(answers)
    try:
        while time.monotonic() < give_up:
            if not select.select([ours], [], [], 0.2)[0]:
                continue
            try:
                text = os.read(ours, 4096).decode()
            except OSError:
                break  # the other end is closed
            if not text:
                break
            screen += text
            if screen.endswith(": ") and waiting:
                os.write(ours, f"{waiting.pop(0)}\n".encode())
        return process.wait(timeout=SECONDS), screen
    finally:
        process.kill()
        os.close(ours)


def test_at_a_terminal_the_password_is_asked_for_twice_and_not_shown(path: Path) -> None:
    words = ["access", str(path), "add", "anna", "--role", "keeper"]
    code, screen = at_a_terminal(words, [PASSWORD, PASSWORD + "x"])
    assert code == 2
    assert "not the same" in screen
    assert access_of(path).store.people() == []
    code, screen = at_a_terminal(words, [PASSWORD, PASSWORD])
    assert code == 0, screen
    assert "The same again:" in screen
    assert PASSWORD not in screen
    assert access_of(path).sign_in("anna", PASSWORD, Visitor("10.0.0.1")) is not None


def test_a_password_as_a_word_of_the_command_is_not_taken(path: Path) -> None:
    assert call("access", path, "add", "anna", "--role", "keeper", "--password", PASSWORD) == 2
    assert access_of(path).store.people() == []
