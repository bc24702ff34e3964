"""Why a serial port cannot be opened, in a keeper's words."""

from __future__ import annotations

import errno

_HINTS = {
    errno.EAGAIN: "another program holds it (the running service?)",
    errno.EBUSY: "another program holds it (the running service?)",
    errno.ENOENT: "there is no such port (unplugged, or another name)",
    errno.ENODEV: "there is no device behind it (unplugged?)",
    errno.EACCES: "no permission; the user has to be in the group that owns the port, often dialout",
}


def why_not_open(error: Exception) -> str:
    """The reason for an error of opening a port."""
    number = getattr(error, "errno", None)
    if number in _HINTS:
        return _HINTS[number]
    if "exclusively lock" in str(error):
        return _HINTS[errno.EAGAIN]
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)
