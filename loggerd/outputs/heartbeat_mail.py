"""Signs of life that arrive as mails: files in a folder, each a mail as a mail server has taken it."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from email.errors import MessageError
from email.header import decode_header, make_header
from email.message import Message
from email.parser import BytesHeaderParser
from email.policy import compat32
from pathlib import Path
from typing import Any

from loggerd.outputs.signing import MAIL_SIGNATURE, SIGNED_HEADS

MOST_BYTES = 65_536
"""Of a mail; its head is within them."""
MOST_MAILS = 1_000
"""So many of the newest files are read at the first look into a folder."""
_FOLDERS = ("", "new", "cur")
"""The folder itself, and those of a Maildir in it."""


@dataclass(frozen=True)
class HeartbeatMail:
    """What the head of a sign of life says: lines by name, and its signature ("" without one)."""

    heads: dict[str, str]
    signature: str

    @property
    def document(self) -> dict[str, Any]:
        """The same as in the webhook's document."""
        site, sent_at, next_due, number = (self.heads[name] for name in SIGNED_HEADS)
        whole = int(number) if number.isascii() and number.isdecimal() and len(number) < 20 else number
        return {"site": site, "sent_at": sent_at, "next_due": next_due, "number": whole}


def heartbeat_mail(content: bytes) -> HeartbeatMail | None:
    """The sign of life in a mail; None in a mail that is none. Raises ValueError for a head that cannot be read."""
    # The older policy takes any head; the newer one raises what it likes on some garbage.
    message = BytesHeaderParser(policy=compat32).parsebytes(content)
    if not any(name in message for name in SIGNED_HEADS):
        return None
    heads = {name: text for name in SIGNED_HEADS if (text := _text(message, name))}
    missing = [name for name in SIGNED_HEADS if name not in heads]
    if missing:
        raise ValueError(f"its head has no {', '.join(missing)}")
    return HeartbeatMail(heads, _text(message, MAIL_SIGNATURE))


def _text(message: Message, name: str) -> str:
    try:
        text = str(make_header(decode_header(message.get(name, ""))))
    except (LookupError, MessageError, UnicodeError, ValueError) as error:
        raise ValueError(f"its {name} cannot be read ({error})") from None
    return " ".join(text.split())


class Mailbox:
    """A folder of mails. Only reads: mails stay where they are, and each is read once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._seen: set[tuple[str, int]] | None = None

    def new(self) -> Iterator[tuple[Path, bytes]]:
        """Mails that have come since the last look, each to MOST_BYTES at most. Raises OSError.

        One that is still being written is handed over, and looked at again, until its head is whole.
        """
        found = {(entry.path, entry.inode()): entry for entry in self._entries()}
        first = self._seen is None
        seen = (self._seen or set()) & set(found)
        paths = [Path(entry.path) for key, entry in found.items() if key not in seen]
        if first and len(paths) > MOST_MAILS:
            paths = sorted(paths, key=_changed_ns)[-MOST_MAILS:]
        self._seen = set(found)
        for path in paths:
            content = _content(path)
            if len(content) < MOST_BYTES and not _is_whole(content):
                self._seen = {key for key in self._seen if key[0] != str(path)}
            if content:
                yield path, content

    def _entries(self) -> Iterator[os.DirEntry[str]]:
        for name in _FOLDERS:
            folder = self._folder / name
            if name and not folder.is_dir():
                continue
            with os.scandir(folder) as entries:
                yield from (entry for entry in entries if entry.is_file(follow_symlinks=False))


def _is_whole(content: bytes) -> bool:
    return b"\n\n" in content or b"\r\n\r\n" in content


def _changed_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0  # it has just been taken away


def _content(path: Path) -> bytes:
    """b"" of a file that has been taken away, or may not be read."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as stream:
            return stream.read(MOST_BYTES) if stat.S_ISREG(os.fstat(descriptor).st_mode) else b""
    except OSError:
        return b""
