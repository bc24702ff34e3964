"""One mail to one mailbox, over SMTP with the certificate checked. Every end of it is an Outcome.

The steps of smtplib are taken one by one, so that each can be named when it fails, and so that the time for the last
answer is another than that for the rest: a server may take minutes to say that it has taken a mail (RFC 5321 4.5.3.2:
ten, from memory), and whoever hangs up before sends it twice.
"""

from __future__ import annotations

import contextlib
import re
import smtplib
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from loggerd.outputs.attempt import Attempt, GivenUp
from loggerd.outputs.outcome import Outcome, Trouble

Security: TypeAlias = Literal["starttls", "tls", "none"]
FINAL_SECONDS = 600.0
_LONGEST_ANSWER = 200
_CHUNK = 16_384
_HOST_NAME = re.compile(r"[A-Za-z0-9.-]{1,100}")


@dataclass(frozen=True)
class MailServer:
    """Where mail is handed in. `timeout_seconds`: for everything up to the end of the mail; `final_seconds`: for the
    answer to it. `ca_file`: certificates to trust instead of the system's."""

    host: str
    port: int
    security: Security
    sender: str
    user: str = ""
    password: str = field(default="", repr=False)
    ca_file: str | None = None
    timeout_seconds: float = 60.0
    final_seconds: float = FINAL_SECONDS


def send_mail(server: MailServer, address: str, content: bytes, attempt: Attempt) -> Outcome:
    """Hand in one mail. Raises nothing: what went wrong is in the outcome."""
    try:
        with _client(server, attempt) as client:
            return _hand_in(client, server, address, content, attempt)
    except smtplib.SMTPException as error:
        return _said_no(error, server, address, attempt)
    except OSError as error:
        return failed_connection(error, attempt)
    except ValueError:
        return Outcome(f"an answer that is no SMTP while {attempt.stage}", trouble=Trouble.SETUP)


def _said_no(error: smtplib.SMTPException, server: MailServer, address: str, attempt: Attempt) -> Outcome:
    """What the server's answer comes to."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        code, text = error.recipients[address]
        return _answered(code, text, f"{address} is not taken", refused=True)
    if isinstance(error, smtplib.SMTPNotSupportedError):
        return Outcome(f"the server does not offer what is needed ({error})", trouble=Trouble.SETUP)
    if not isinstance(error, smtplib.SMTPResponseException):
        return failed_connection(error, attempt)
    what, refused = f"the server says no while {attempt.stage}", False
    if isinstance(error, smtplib.SMTPSenderRefused):
        what = f"{server.sender} may not send here"
    elif isinstance(error, smtplib.SMTPAuthenticationError):
        what = "user or password is not taken"
    elif isinstance(error, smtplib.SMTPDataError):
        what, refused = "the mail is not taken", True
    return _answered(error.smtp_code, error.smtp_error, what, refused=refused)


def failed_connection(error: Exception, attempt: Attempt) -> Outcome:
    """What an error of the connection comes to."""
    if isinstance(error, GivenUp):
        return Outcome(f"given up while {attempt.stage}: it took too long")
    if isinstance(error, ssl.SSLError):
        return Outcome(certificate_words(error), trouble=Trouble.SETUP)
    # smtplib makes an error of its own of one of the socket.
    if isinstance(error, TimeoutError) or isinstance(error.__context__, TimeoutError):
        return Outcome(f"no answer while {attempt.stage}")
    reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return Outcome(f"the connection failed while {attempt.stage} ({reason})")


class _Client(smtplib.SMTP):
    """smtplib's client whose socket the attempt can shut at any time."""

    def __init__(self, server: MailServer, attempt: Attempt) -> None:
        self._attempt = attempt
        self._tls = server.security == "tls"
        self._server = server
        self.said_tls = ""
        name = socket.gethostname()
        own = name if _HOST_NAME.fullmatch(name) else "localhost"
        super().__init__(local_hostname=own, timeout=server.timeout_seconds)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        connected = socket.create_connection((host, port), timeout)
        self._attempt.hold(connected)
        self._attempt.say(f"connected to {host}, port {port}")
        return self.encrypted(connected) if self._tls else connected

    def encrypted(self, plain: socket.socket) -> ssl.SSLSocket:
        """The connection with TLS on it, the certificate checked. Raises OSError."""
        self._attempt.step("agreeing on encryption")
        context = ssl.create_default_context(cafile=self._server.ca_file)
        wrapped = context.wrap_socket(plain, server_hostname=self._server.host, do_handshake_on_connect=False)
        try:
            self._attempt.hold(wrapped)
            wrapped.do_handshake()
        except BaseException:
            wrapped.close()
            raise
        self._attempt.say(f"encrypted with {wrapped.version()}, the certificate is right for {self._server.host}")
        return wrapped

    def begin_tls(self) -> None:
        """STARTTLS; what the server said before is forgotten. Raises SMTPException, OSError."""
        code, text = self.docmd("STARTTLS")
        if code != 220:
            raise smtplib.SMTPResponseException(code, text)
        assert self.sock is not None
        self.sock = self.encrypted(self.sock)
        self.file = None
        self.ehlo_resp = self.helo_resp = None
        self.esmtp_features = {}
        self.does_esmtp = False


@contextlib.contextmanager
def _client(server: MailServer, attempt: Attempt) -> Iterator[_Client]:
    client = _Client(server, attempt)
    try:
        yield client
    finally:
        client.close()


def _hand_in(client: _Client, server: MailServer, address: str, content: bytes, attempt: Attempt) -> Outcome:
    attempt.step("looking for the server")
    code, text = client.connect(server.host, server.port)
    if code != 220:
        raise smtplib.SMTPConnectError(code, text)
    attempt.say(f"the server greets: {_words(text)}")
    attempt.step("greeting the server")
    client.ehlo_or_helo_if_needed()
    if server.security == "starttls":
        attempt.step("asking for encryption")
        if not client.has_extn("starttls"):
            raise smtplib.SMTPNotSupportedError("STARTTLS")
        client.begin_tls()
        client.ehlo_or_helo_if_needed()
    if server.user:
        attempt.step("signing in")
        client.login(server.user, server.password)
        attempt.say("signed in")
    attempt.step("naming the sender")
    code, text = client.mail(server.sender)
    if code != 250:
        raise smtplib.SMTPSenderRefused(code, text, server.sender)
    attempt.step("naming the receiver")
    code, text = client.rcpt(address)
    if code not in (250, 251):
        raise smtplib.SMTPRecipientsRefused({address: (code, text)})
    attempt.say(f"sender {server.sender} and receiver {address} are taken")
    return _data(client, server, content, attempt)


def _data(client: _Client, server: MailServer, content: bytes, attempt: Attempt) -> Outcome:
    attempt.step("sending the mail")
    code, text = client.docmd("DATA")
    if code != 354:
        raise smtplib.SMTPDataError(code, text)
    sock = client.sock
    assert sock is not None
    stuffed = re.sub(rb"(?m)^\.", b"..", content)
    stuffed += b".\r\n" if stuffed.endswith(b"\r\n") else b"\r\n.\r\n"
    for start in range(0, len(stuffed), _CHUNK):
        sock.sendall(stuffed[start : start + _CHUNK])
    attempt.extend(server.final_seconds)
    attempt.step("waiting for the server to take the mail")
    sock.settimeout(server.final_seconds)
    code, text = client.getreply()
    if code != 250:
        raise smtplib.SMTPDataError(code, text)
    # It is taken; whether the server hears our farewell changes nothing.
    with contextlib.suppress(OSError, smtplib.SMTPException):
        client.putcmd("QUIT")
    return Outcome(f"taken by {server.host}: {_words(text)}", accepted=True)


def _answered(code: int, text: bytes | str, what: str, *, refused: bool) -> Outcome:
    """4xx: later. 5xx: this mail will not be taken, or (`refused` False) something is wrong with the set-up."""
    answer = f"{what}: {code} {_words(text)}".rstrip()
    if code == -1 or not 400 <= code < 600:
        return Outcome(answer, trouble=Trouble.LINK)
    if code < 500:
        return Outcome(answer, trouble=Trouble.BUSY)
    return Outcome(answer, refused=refused, trouble=Trouble.SETUP)


def _words(text: bytes | str) -> str:
    """What a server said, on one line and safe to print."""
    plain = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    line = " ".join(plain.split())[:_LONGEST_ANSWER]
    return "".join(letter if letter.isprintable() else "?" for letter in line)


def certificate_words(error: ssl.SSLError) -> str:
    """What an error of TLS means to a keeper. A wrong clock looks like a wrong certificate."""
    if not isinstance(error, ssl.SSLCertVerificationError):
        return f"no encryption could be agreed on ({error.reason or error}); look at port and security"
    reason = error.verify_message
    if "expired" in reason or "not yet valid" in reason:
        return (
            f"the server's certificate does not hold now ({reason}): it is out of date, or the logger's clock is wrong"
        )
    return f"the server's certificate is not trusted ({reason}): look at the server's name, or give its ca_file"
