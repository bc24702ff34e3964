"""A watcher's settings, and signs of life as a site sends them: by webhook, signed by hand, and as mails."""

from __future__ import annotations

import hashlib
import hmac
import http.client
import json
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from hand_recording import HandClock

from loggerd.settings.watch_load import load_watch_settings
from loggerd.watching import Watcher

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
SENT_MS = 1_795_586_700_000
SECRET = "correct horse battery"
GRACE_MINUTES = 120
GRACE = GRACE_MINUTES * MINUTE

_TOML = """
[watcher]
name = "office"
timezone = "Europe/Vienna"

[[site]]
name = "Hut"
grace_minutes = {grace}
{secret}
{ways}
"""
MAIL = """
[mail]
server = "127.0.0.1"
port = {port}
security = "none"
from = "watch@office.test"
timeout_seconds = 5

[[keeper]]
name = "anna"
mail = "anna@home.test"
{more}
"""
LISTEN = '[listen]\nhost = "127.0.0.1"\nport = {port}\n'
MAILBOX = '[mailbox]\nfolder = "mails"\n'


def write_watch(
    folder: Path, ways: str, mail: str = "", *, grace: float = GRACE_MINUTES, secret: bool = True, name: str = "Hut"
) -> Path:
    """watch.toml, the secret, and the folder for mails."""
    path, hidden = folder / "watch.toml", folder / "hut-secret"
    hidden.write_text(SECRET, encoding="utf-8")
    hidden.chmod(0o600)
    (folder / "mails").mkdir(exist_ok=True)
    line = 'secret_file = "hut-secret"' if secret else ""
    text = _TOML.format(grace=grace, secret=line, ways=ways).replace('"Hut"', f'"{name}"') + mail
    path.write_text(text, encoding="utf-8")
    return path


def iso(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()


def body(number: int = 1, sent_ms: int = SENT_MS, interval_ms: int = DAY, **changed: Any) -> bytes:
    """A webhook's document with a sign of life."""
    plain = {
        "id": f"<{number}.loggerd@webhook>",
        "site": "Hut",
        "topic": "heartbeat",
        "made_ms": sent_ms,
        "items": [],
        "sent_at": iso(sent_ms),
        "next_due": iso(sent_ms + interval_ms),
        "number": number,
    }
    return json.dumps({**plain, **changed}).encode()


def signed(content: bytes, secret: str = SECRET) -> str:
    """By RFC 2104, with the standard library and none of our own code."""
    return "sha256=" + hmac.new(secret.encode(), content, hashlib.sha256).hexdigest()


def post(port: int, content: bytes, signature: str | None = None, path: str = "/") -> int:
    """The status that is answered. Raises OSError, HTTPException."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        headers = {"Loggerd-Signature": signed(content) if signature is None else signature}
        connection.request("POST", path, content, headers)
        return connection.getresponse().status
    finally:
        connection.close()


def mailed(number: int = 1, sent_ms: int = SENT_MS, interval_ms: int = DAY, **changed: str | None) -> bytes:
    """A mail with a sign of life, as a mail server hands it over. `changed`: lines of its head, None for left out."""
    heads = {
        "X-Loggerd-Site": "Hut",
        "X-Loggerd-Sent-At": iso(sent_ms),
        "X-Loggerd-Next-Due": iso(sent_ms + interval_ms),
        "X-Loggerd-Number": str(number),
    }
    heads["X-Loggerd-Signature"] = signed("".join(f"{text}\n" for text in heads.values()).encode())
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = "hut@site.test", "watch@office.test", "Hut: Sign of life"
    for name, text in heads.items():
        told = changed.get(name.removeprefix("X-Loggerd-").replace("-", "_").lower(), text)
        if told is not None:
            message[name] = told
    message.set_content("The logger of Hut lives.\n")
    return message.as_bytes()


class WatchBench:
    """A watcher on clocks that the test moves."""

    def __init__(self, path: Path, clock: HandClock | None = None, boot: str = "first") -> None:
        self.path = path
        self.clock = clock or HandClock()
        self.settings = load_watch_settings(path)
        self.watcher = Watcher(self.settings, self.clock, lambda: boot)
        self.watcher.open()
        self.watcher.look()

    def restart(self, boot: str | None = None, clock: HandClock | None = None) -> WatchBench:
        """Another process goes on; `boot`: after a start of the machine."""
        self.watcher.close()
        return WatchBench(self.path, clock or self.clock, boot or self.watcher._boot)

    def tell(self, content: bytes) -> int:
        return int(self.watcher.take_call(content, signed(content)))

    def run(self, span_ms: int, step_ms: int = 5 * MINUTE) -> None:
        """Look and mail for that long by the hand clock."""
        end_ms = self.clock.mono_ms() + span_ms
        while self.clock.mono_ms() < end_ms:
            self.clock.pass_by(min(step_ms, end_ms - self.clock.mono_ms()))
            self.watcher.look()
            while self.watcher.turn() == 0.0:
                continue

    @property
    def late_ms(self) -> int:
        (site,) = self.watcher.sites()
        return site.overdue_ms

    def drop(self, content: bytes, name: str = "1") -> Path:
        """Put a mail into the folder, as a mail server does: whole, by a rename."""
        folder = self.path.parent / "mails"
        draft = self.path.parent / "draft"
        draft.write_bytes(content)
        return draft.rename(folder / name)


__all__ = ["MAIL", "WatchBench", "body", "mailed", "post", "signed", "write_watch"]
