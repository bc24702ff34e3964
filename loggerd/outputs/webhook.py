"""The generic webhook: one POST of JSON for each message, signed where there is a secret.

The body is made once and sent byte for byte the same at each try, with the same Idempotency-Key. No redirects are
followed. The signature is that of the body (`loggerd/outputs/signing.py`).
"""

from __future__ import annotations

import http.client
import json
import socket
import ssl
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from loggerd.model.alarm_plain import change_to_plain
from loggerd.outputs.attempt import Attempt
from loggerd.outputs.mail_sending import failed_connection
from loggerd.outputs.outcome import Outcome, Trouble
from loggerd.outputs.planning import Letter
from loggerd.outputs.signing import SIGNATURE, signature_of

FINAL_SECONDS = 60.0
_LATER = (408, 409, 425, 429)
_NOT_THIS_ONE = (400, 413, 415, 422)


@dataclass(frozen=True)
class Webhook:
    """Who is called. The path of a URL may be a secret, so it is shown nowhere."""

    url: str = field(repr=False)
    secret: bytes = field(default=b"", repr=False)
    ca_file: str | None = None
    timeout_seconds: float = 60.0

    @property
    def shown(self) -> str:
        """The address without its path."""
        parts = urlsplit(self.url)
        return f"{parts.scheme}://{parts.netloc}"


def webhook_body(letter: Letter, site: str, message_id: str, more: dict[str, Any]) -> bytes:
    """What is told, as JSON. `more`: what is added for a digest or a sign of life."""
    items = [
        {
            "id": item.id,
            "kind": item.kind.value,
            "priority": item.priority.value,
            "safety": item.urgent,
            "change": None if item.change is None else change_to_plain(item.change),
        }
        for item in letter.items
    ]
    document = {"id": message_id, "site": site, "topic": letter.topic, "made_ms": letter.now_ms, "items": items, **more}
    return json.dumps(document, ensure_ascii=False, allow_nan=False).encode()


def call_webhook(webhook: Webhook, message_id: str, body: bytes, attempt: Attempt) -> Outcome:
    """Hand in one message. Raises nothing: what went wrong is in the outcome."""
    parts = urlsplit(webhook.url)
    connection = _Connection(webhook, attempt)
    headers = {"Content-Type": "application/json", "Idempotency-Key": message_id, "User-Agent": "loggerd"}
    if webhook.secret:
        headers[SIGNATURE] = signature_of(webhook.secret, body)
    try:
        attempt.step("looking for the server")
        connection.connect()
        attempt.step("sending")
        connection.request("POST", parts.path or "/", body, headers)
        attempt.step("waiting for the answer")
        status = connection.getresponse().status
        return _answered(status, webhook)
    except (OSError, http.client.HTTPException, ValueError) as error:
        return failed_connection(error, attempt)
    finally:
        connection.close()


class _Connection(http.client.HTTPConnection):
    """A connection whose socket the attempt can shut at any time."""

    def __init__(self, webhook: Webhook, attempt: Attempt) -> None:
        parts = urlsplit(webhook.url)
        self._tls = parts.scheme == "https"
        port = parts.port or (443 if self._tls else 80)
        super().__init__(parts.hostname or "", port, timeout=webhook.timeout_seconds)
        self._webhook = webhook
        self._attempt = attempt

    def connect(self) -> None:
        plain = socket.create_connection((self.host, self.port), self.timeout)
        self._attempt.hold(plain)
        self.sock = plain
        self._attempt.say(f"connected to {self.host}, port {self.port}")
        if not self._tls:
            return
        self._attempt.step("agreeing on encryption")
        context = ssl.create_default_context(cafile=self._webhook.ca_file)
        wrapped = context.wrap_socket(plain, server_hostname=self.host, do_handshake_on_connect=False)
        self._attempt.hold(wrapped)
        self.sock = wrapped
        wrapped.do_handshake()
        self._attempt.say(f"encrypted with {wrapped.version()}, the certificate is right for {self.host}")


def _answered(status: int, webhook: Webhook) -> Outcome:
    answer = f"{webhook.shown} answers {status}"
    if 200 <= status < 300:
        return Outcome(answer, accepted=True)
    if status in _NOT_THIS_ONE:
        return Outcome(answer, refused=True)
    busy = status in _LATER or status >= 500
    return Outcome(answer, trouble=Trouble.BUSY if busy else Trouble.SETUP)
