"""Whoever is slow cannot keep a sign of life from being heard."""

from __future__ import annotations

import contextlib
import http.client
import socket
import threading
from collections.abc import Iterator
from http import HTTPStatus

import pytest
from watch_bench import post

from loggerd.outputs import heartbeat_listener
from loggerd.outputs.heartbeat_listener import MOST_CALLS, HeartbeatListener


@pytest.fixture
def listener() -> Iterator[HeartbeatListener]:
    one = HeartbeatListener("127.0.0.1", 0, lambda body, signature: HTTPStatus.NO_CONTENT)
    one.start()
    yield one
    one.stop()


def drip(sockets: list[socket.socket], over: threading.Event) -> None:
    """A letter of a head now and then, for ever: no time-out of a socket ends that."""
    while not over.wait(0.05):
        for one in sockets:
            with contextlib.suppress(OSError):
                one.sendall(b"X")


def test_calls_that_drip_are_ended(listener: HeartbeatListener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heartbeat_listener, "CALL_SECONDS", 1.0)
    over = threading.Event()
    with contextlib.ExitStack() as held:
        sockets = [
            held.enter_context(socket.create_connection(("127.0.0.1", listener.server_port), 5))
            for _ in range(MOST_CALLS)
        ]
        for one in sockets:
            one.sendall(b"POST / HTTP/1.1\r\nX-")
        thread = threading.Thread(target=drip, args=(sockets, over))
        thread.start()
        try:
            answered = 0
            while not answered:
                with contextlib.suppress(OSError, http.client.HTTPException):
                    answered = post(listener.server_port, b"x")
        finally:
            over.set()
            thread.join()
    assert answered == 204


def test_a_mistake_in_judging_is_told_and_the_next_call_is_taken(caplog: pytest.LogCaptureFixture) -> None:
    answers = [KeyError("a mistake"), HTTPStatus.NO_CONTENT]

    def judge(body: bytes, signature: str) -> HTTPStatus:
        answer = answers.pop(0)
        if isinstance(answer, KeyError):
            raise answer
        return answer

    one = HeartbeatListener("127.0.0.1", 0, judge)
    one.start()
    try:
        with pytest.raises(http.client.RemoteDisconnected):
            post(one.server_port, b"x")
        assert post(one.server_port, b"x") == 204
        assert one.alive()
    finally:
        one.stop()
    assert "a mistake" in caplog.text


def test_it_listens_on_the_newer_internet_as_well() -> None:
    try:
        one = HeartbeatListener("::1", 0, lambda body, signature: HTTPStatus.NO_CONTENT)
    except OSError:
        pytest.skip("this machine has no IPv6")
    one.start()
    try:
        socket.create_connection(("::1", one.server_port), 5).close()
    finally:
        one.stop()
