"""Telling the service supervisor how we are: the datagrams of systemd's notify protocol (sd_notify(3))."""

from __future__ import annotations

import os
import socket


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
