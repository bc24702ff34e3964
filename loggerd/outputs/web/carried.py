"""Files carried along: style, scripts, the library for charts. Nothing is fetched from elsewhere."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

_KINDS = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
}


@dataclass(frozen=True)
class CarriedFile:
    """One file, with a mark that changes with its content."""

    name: str
    kind: str
    content: bytes
    mark: str


def carried_files(folder: Path) -> dict[str, CarriedFile]:
    """All files of a folder by name."""
    found = {}
    for path in sorted(folder.iterdir()):
        if path.suffix in _KINDS:
            content = path.read_bytes()
            mark = hashlib.sha256(content).hexdigest()[:10]
            found[path.name] = CarriedFile(path.name, _KINDS[path.suffix], content, mark)
    return found


class Carried:
    """Answers with a file by its exact name; browsers may keep it as long as they like, its address has its mark."""

    def __init__(self, files: dict[str, CarriedFile]) -> None:
        self._files = files

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        name = scope["path"].rpartition("/")[2]
        one = self._files.get(name) if scope["path"].removeprefix("/static/") == name else None
        if one is None or scope["method"] not in ("GET", "HEAD"):
            await Response("there is no such file", 404, media_type="text/plain")(scope, receive, send)
            return
        keep = {"Cache-Control": "public, max-age=31536000, immutable"}
        await Response(one.content, 200, keep, media_type=one.kind)(scope, receive, send)
