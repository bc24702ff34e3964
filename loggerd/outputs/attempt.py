"""One try to send something over the network, with an end in time whatever the network does.

A resolver that hangs cannot be interrupted, and a server that sends a letter now and then never lets a socket's own
time-out run out. So each try runs in a thread of its own: when its time is over, its socket is shut, the thread is
left to itself, and may do nothing more on the network.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable

from loggerd.outputs.outcome import Outcome

MOST_LEFT = 4
"""Threads that hang in the resolver at the same time; beyond that, nothing new is tried until one has come back."""


class GivenUp(OSError):  # noqa: N818 - what has happened, not a mistake
    """The time of the try is over."""


class Attempt:
    """What a sender works under: a deadline, and the socket that is shut when it is over."""

    def __init__(self, seconds: float, say: Callable[[str], None] = lambda text: None) -> None:
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._given_up = False
        self._deadline = time.monotonic() + seconds
        self.say = say
        """Is told each step, in words."""
        self.stage = "looking for the server"

    @property
    def left_seconds(self) -> float:
        return self._deadline - time.monotonic()

    def extend(self, seconds: float) -> None:
        """From now on there are so many seconds. Raises GivenUp."""
        with self._lock:
            self._check()
            self._deadline = time.monotonic() + seconds

    def step(self, stage: str) -> None:
        """The next step begins. Raises GivenUp when the time is over."""
        with self._lock:
            self._check()
            self.stage = stage

    def hold(self, connected: socket.socket) -> None:
        """The socket to shut at the end of the time; one that was held before has been wrapped. Raises GivenUp."""
        with self._lock:
            self._socket = connected
            if self._given_up:
                connected.close()
            self._check()

    def _check(self) -> None:
        if self._given_up:
            raise GivenUp("its time is over")

    def give_up(self) -> None:
        """The time is over: nothing more is to be sent."""
        with self._lock:
            self._given_up = True
            held = self._socket
        if held is not None:
            _shut(held)


def _shut(held: socket.socket) -> None:
    try:
        # socket.socket's own: of an encrypted one, the method would wait for the other side.
        socket.socket.shutdown(held, socket.SHUT_RDWR)
    except OSError:
        return  # it is closed already


class Runner:
    """Runs tries one at a time. `_left`: threads that were left to themselves and have not ended yet."""

    def __init__(self) -> None:
        self._left: list[threading.Thread] = []

    def run(self, attempt: Attempt, work: Callable[[Attempt], Outcome]) -> Outcome:
        """What came of it, within its time."""
        self._left = [thread for thread in self._left if thread.is_alive()]
        if len(self._left) >= MOST_LEFT:
            return Outcome("earlier tries still hang, most likely in the look-up of the server's name")
        found: list[Outcome] = []
        thread = threading.Thread(target=lambda: found.append(work(attempt)), name="send", daemon=True)
        thread.start()
        while thread.is_alive() and (left := attempt.left_seconds) > 0:
            thread.join(left)
        if thread.is_alive():
            attempt.give_up()
            # Whoever was cut off in a read comes back at once.
            thread.join(1.0)
            if thread.is_alive():
                self._left.append(thread)
            if not found or not found[0].accepted:
                return Outcome(f"given up while {attempt.stage}: it took too long")
        if not found:
            raise RuntimeError("the thread that sends has ended without a result")
        return found[0]
