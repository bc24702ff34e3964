"""What a service and its supervisor tell each other: datagrams of systemd's notify protocol (sd_notify(3)), signals."""

from __future__ import annotations

import os
import signal
import socket
from collections.abc import Callable


def tell_supervisor(*lines: str) -> None:
    """Send state lines such as READY=1 to $NOTIFY_SOCKET, if a supervisor listens there."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.setblocking(False)
        try:
            channel.connect(address)
            channel.sendall("\n".join(lines).encode())
        except OSError:
            # The supervisor went away or does not listen just now: nothing that a battery's record should stop for.
            return


def watchdog_seconds() -> float:
    """How often the supervisor wants to hear WATCHDOG=1; 0 if it does not."""
    return int(os.environ.get("WATCHDOG_USEC", "0")) / 1_000_000


def stop_on_signals(stop: Callable[[], None]) -> None:
    """Call this in the running event loop at SIGTERM, by which supervisors end a service, and at SIGINT (Ctrl-C)."""
    import asyncio  # the watcher tells its supervisor too, and has no loop

    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop)
