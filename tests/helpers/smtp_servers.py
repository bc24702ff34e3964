"""Mail servers on loopback: aiosmtpd's with the manners that a test wants, and one that breaks off or drips."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default as modern
from pathlib import Path
from typing import Any, cast

import trustme
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

PASSWORD = "correct horse"


@dataclass
class Taken:
    """A mail that a server has taken."""

    sender: str
    receivers: list[str]
    content: bytes
    user: str = ""

    @property
    def parsed(self) -> EmailMessage:
        return cast(EmailMessage, message_from_bytes(self.content, policy=modern))

    @property
    def message_id(self) -> str:
        return str(self.parsed["Message-ID"]).strip()

    @property
    def text(self) -> str:
        body = self.parsed.get_body(("plain",))
        assert body is not None
        return str(body.get_content())


@dataclass
class Manners:
    """How a server behaves. `rcpt`, `data`: its answer to a receiver, and to a whole mail (which it keeps if it is a
    250); asked anew for each. `need_user`: sign in with PASSWORD first."""

    rcpt: Callable[[str], str] = lambda receiver: "250 OK"
    data: Callable[[Taken], str] = lambda taken: "250 taken"
    wait_before_data: float = 0.0
    need_user: bool = False
    tls: ssl.SSLContext | None = None
    starttls: ssl.SSLContext | None = None
    taken: list[Taken] = field(default_factory=list)
    port: int = 0

    async def handle_RCPT(  # noqa: N802 - aiosmtpd looks for this name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        answer = self.rcpt(address)
        if answer.startswith("2"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        await asyncio.sleep(self.wait_before_data)
        content = envelope.original_content
        assert content is not None
        one = Taken(str(envelope.mail_from), list(envelope.rcpt_tos), content, str(session.auth_data or ""))
        answer = self.data(one)
        if answer.startswith("2"):
            self.taken.append(one)
        return answer


def _sign_in(server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any) -> AuthResult:
    # With success=False alone nothing would be answered.
    right = data.password == PASSWORD.encode()
    return AuthResult(success=right, handled=False, auth_data=data.login.decode() if right else None)


@contextlib.contextmanager
def serving(manners: Manners) -> Iterator[Manners]:
    """aiosmtpd's server with these manners, in a thread; `port` says where (the one it had before, if any)."""
    loop = asyncio.new_event_loop()
    options: dict[str, Any] = {"loop": loop, "timeout": 30, "ident": "test", "hostname": "mail.test"}
    if manners.starttls is not None:
        options |= {"tls_context": manners.starttls, "require_starttls": True}
    if manners.need_user:
        options |= {"authenticator": _sign_in, "auth_required": True, "auth_require_tls": False}

    async def begin() -> asyncio.Server:
        return await loop.create_server(
            lambda: SMTP(manners, **options), "127.0.0.1", manners.port, ssl=manners.tls, reuse_address=True
        )

    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        server = asyncio.run_coroutine_threadsafe(begin(), loop).result()
        try:
            manners.port = server.sockets[0].getsockname()[1]
            yield manners
        finally:
            asyncio.run_coroutine_threadsafe(_end(server), loop).result()
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


async def _end(server: asyncio.Server) -> None:
    server.close()
    others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)


class Certificates:
    """An authority of our own, a certificate for this machine, and ones that are wrong."""

    def __init__(self, folder: Path) -> None:
        self.authority = trustme.CA()
        self.ca_file = str(folder / "authority.pem")
        self.authority.cert_pem.write_to_path(self.ca_file)
        self.right = self._context(self.authority.issue_cert("127.0.0.1", "localhost"))
        self.wrong_name = self._context(self.authority.issue_cert("elsewhere.test"))
        self.unknown = self._context(trustme.CA().issue_cert("127.0.0.1"))

    def out_of_date(self, **dates: Any) -> ssl.SSLContext:
        """`not_after` or `not_before` as trustme takes them."""
        return self._context(self.authority.issue_cert("127.0.0.1", **dates))

    @staticmethod
    def _context(certificate: trustme.LeafCert) -> ssl.SSLContext:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        certificate.configure_cert(context)
        return context


STAGES = ("greeting", "EHLO", "MAIL", "RCPT", "DATA", "content", "answer")


class RudeServer:
    """A bare server that breaks off the connection at a stage, or lets its answers drip from there on.

    At "answer" it has kept the mail, and says nothing of it: nobody can tell from outside.
    """

    def __init__(self, rude_at: Callable[[int], str | None], *, drip_seconds: float | None = None) -> None:
        self._rude_at = rude_at
        self._drip = drip_seconds
        self.taken: list[Taken] = []
        self.connections = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._listen)

    def __enter__(self) -> RudeServer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self.port), 1).close()
        self._thread.join()
        self._listener.close()

    def _listen(self) -> None:
        talks = []
        while not self._over.is_set():
            connected, _ = self._listener.accept()
            self.connections += 1
            talks.append(threading.Thread(target=self._talk, args=(connected, self._rude_at(self.connections))))
            talks[-1].start()
        for talk in talks:
            talk.join()

    def _talk(self, connected: socket.socket, rude_at: str | None) -> None:
        with connected, contextlib.suppress(OSError, EOFError):
            stream = connected.makefile("rb")
            dripping = False
            stage = "greeting"
            sender, receiver = "", ""
            while True:
                dripping = dripping or (stage == rude_at and self._drip is not None)
                if stage == rude_at and not dripping:
                    return
                answers = {"greeting": "220 rude", "EHLO": "250 rude", "DATA": "354 go on", "answer": "250 taken"}
                self._say(connected, answers.get(stage, "250 OK"), dripping)
                if self._over.is_set():
                    return
                if stage == "DATA":
                    if rude_at == "content":
                        connected.recv(10)
                        return
                    content = _until_dot(stream)
                    self.taken.append(Taken(sender, [receiver], content))
                    stage = "answer"
                    continue
                line = stream.readline()
                if not line:
                    return
                word = line[:4].decode().upper()
                sender = _address(line) if word == "MAIL" else sender
                receiver = _address(line) if word == "RCPT" else receiver
                stage = word

    def _say(self, connected: socket.socket, text: str, dripping: bool) -> None:
        data = f"{text}\r\n".encode()
        if not dripping:
            connected.sendall(data)
            return
        # A line that never ends, a letter at a time.
        for letter in data.rstrip() + b"." * 10_000:
            if self._over.is_set():
                return
            connected.sendall(bytes((letter,)))
            time.sleep(self._drip or 0)


def _address(line: bytes) -> str:
    return line.decode().partition("<")[2].partition(">")[0]


def _until_dot(stream: Any) -> bytes:
    lines = []
    while (line := stream.readline()) != b".\r\n":
        if not line:
            raise EOFError
        lines.append(line[1:] if line.startswith(b"..") else line)
    return b"".join(lines)
