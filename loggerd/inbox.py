"""The inbox: a folder beside the record, by which commands ask something of whoever writes it.

One file for each request. It is put there whole (temporary name, fsync, rename, fsync of the folder) and taken away
only after the commit that took it in; its uid keeps it from counting twice. So a request is neither lost nor doubled,
whichever side is killed when. A file that cannot be used is set aside as *.refused, with the reason beside it.
"""

from __future__ import annotations

import json
import logging
import os
import re
import secrets
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from loggerd.errors import RequestRefused
from loggerd.store.record import sync_folder

_log = logging.getLogger("loggerd")

MOST_BYTES = 65_536
MOST_AT_ONCE = 200
"""Requests taken in with one commit: a flood of them must not hold readings up."""
_UID = re.compile(r"[0-9a-z][0-9a-z-]{3,63}")
_REFUSED, _REASON = ".refused", ".refused.txt"


@dataclass(frozen=True)
class Request:
    """One request: what is asked (a name of the handlers), its uid, and what it says."""

    path: Path
    what: str
    uid: str
    body: Mapping[str, Any]


def new_uid() -> str:
    """A uid that nothing else has, short enough to be typed."""
    return secrets.token_hex(5)


class Inbox:
    """The inbox of one record. Any number of processes put requests in; the one that writes the record takes them."""

    def __init__(self, record: Path) -> None:
        self.folder = record.with_name(f"{record.name}.inbox")
        self._told: set[str] = set()

    # -- who asks --

    def put(self, what: str, uid: str, body: Mapping[str, Any], wall_ms: int) -> Path:
        """Put a request in; it lasts through a power cut when this returns. Raises RequestRefused."""
        text = json.dumps({"what": what, "uid": uid, "body": dict(body)}, ensure_ascii=False, allow_nan=False)
        name = f"{max(wall_ms, 0):015d}-{uid}.json"
        target, draft = self.folder / name, self.folder / f".{name}.tmp"
        try:
            self.make_folder()
            with draft.open("w", encoding="utf-8") as stream:
                _same_owner(self.folder, stream.fileno())
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
            draft.rename(target)
            sync_folder(self.folder)
        except OSError as error:
            raise RequestRefused(f"{self.folder}: nothing can be put in ({error.strerror or error})") from error
        return target

    def make_folder(self) -> None:
        """Make the folder if it is not there, with the owner of the folder around it. Raises OSError."""
        if self.folder.is_dir():
            return
        self.folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            _same_owner(self.folder.parent, descriptor)
        finally:
            os.close(descriptor)
        sync_folder(self.folder.parent)

    @staticmethod
    def is_waiting(path: Path) -> bool:
        """Whether a request that was put in has not been looked at yet."""
        return path.exists()

    @staticmethod
    def refusal(path: Path) -> str | None:
        """Why a request was refused; None if it was not."""
        try:
            return path.with_name(path.name + _REASON).read_text(encoding="utf-8").strip()
        except FileNotFoundError:
            return None

    # -- who takes them --

    def requests(self) -> list[Request]:
        """What waits, in the order of the names. What cannot be read as a request is set aside."""
        found = []
        for path in self._names()[:MOST_AT_ONCE]:
            try:
                found.append(_read(path))
            except RequestRefused as refused:
                self.refuse(path, str(refused))
            except FileNotFoundError:
                continue
            except OSError as error:
                self._tell(f"{path}: cannot be read ({error.strerror or error}); it stays where it is")
        return found

    def _names(self) -> list[Path]:
        try:
            return sorted(path for path in self.folder.iterdir() if path.suffix == ".json" and path.name[0] != ".")
        except FileNotFoundError:
            return []
        except OSError as error:
            self._tell(f"{self.folder}: cannot be read ({error.strerror or error}); no request is taken in")
            return []

    def refuse(self, path: Path, reason: str) -> None:
        """Set a request aside, with the reason beside it. The reason comes first: who waits looks for it."""
        try:
            path.with_name(path.name + _REASON).write_text(f"{reason}\n", encoding="utf-8")
            path.rename(path.with_name(path.name + _REFUSED))
        except OSError as error:
            self._tell(f"{path}: {reason}; it cannot be set aside ({error.strerror or error})")
        else:
            _log.warning("%s: refused: %s", path, reason)

    def done(self, requests: Iterable[Request]) -> None:
        """Take away what is in the record. One that cannot be taken away is known by its uid the next time."""
        for request in requests:
            try:
                request.path.unlink(missing_ok=True)
            except OSError as error:
                self._tell(f"{request.path}: is taken in but cannot be removed ({error.strerror or error})")

    def _tell(self, text: str) -> None:
        """Warn once: it is looked at again with each commit."""
        if text not in self._told:
            self._told.add(text)
            _log.warning("%s", text)


def _read(path: Path) -> Request:
    """Raises RequestRefused, OSError."""
    # What is no plain file (a pipe, a link to a device) could hold up whoever reads it.
    if not stat.S_ISREG(path.lstat().st_mode):
        raise RequestRefused("it is not a plain file")
    with path.open("rb") as stream:
        content = stream.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise RequestRefused(f"it has more than {MOST_BYTES} bytes")
    try:
        plain = json.loads(content.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise RequestRefused(f"it is not JSON ({error})") from error
    if not isinstance(plain, dict) or not isinstance(plain.get("body"), dict):
        raise RequestRefused('it is not a request; expected {"what": ..., "uid": ..., "body": {...}}')
    what, uid = plain.get("what"), plain.get("uid")
    if not isinstance(what, str):
        raise RequestRefused('it does not say what it asks for; expected "what"')
    if not isinstance(uid, str) or not _UID.fullmatch(uid):
        raise RequestRefused('it has no usable "uid"; expected 4 to 64 small letters, digits or dashes')
    return Request(path, what, uid, plain["body"])


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _same_owner(folder: Path, descriptor: int) -> None:
    """What root makes belongs to the owner of the folder: the service must be able to take it away."""
    if os.geteuid() == 0:
        owner = folder.stat()
        os.fchown(descriptor, owner.st_uid, owner.st_gid)
