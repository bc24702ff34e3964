"""What slows down who guesses: wrong tries are counted by name and address together, by address, and by name.

- By name and address: five, then waits from 5 s doubling to 15 minutes.
- By address, whatever the name: ten, then likewise. Of an IPv6 address the network counts (64 bits), which one
  household has for itself.
- By name, whatever the address: twenty, then waits that double to one minute, against guesses from many addresses.
- From a browser from which this person has signed in before, only that browser's own wrong tries count: a stranger who
  keeps guessing a name cannot lock its owner out. (OWASP, "Slow Down Online Guessing Attacks with Device Cookies".)

The numbers are own choices. Names are shortened to 24 bits of a hash: what is typed by mistake into the field for the
name, a password even, cannot be read out of the file, and names that do not exist are counted as those that do.
"""

from __future__ import annotations

import hashlib
import ipaddress

from loggerd.model.throttle import TryLimit

_SECOND_MS = 1000
_QUARTER_HOUR_MS = 900_000
_DAY_MS = 86_400_000
_NAME_DIGITS, _DEVICE_DIGITS = 6, 24


def limits_for(name: str, address: str, device: str | None) -> tuple[tuple[TryLimit, ...], tuple[TryLimit, ...]]:
    """Limits on a try to sign in: those of this person here alone, and those shared with others.

    `device`: hash of a device of this person, None where it is not known.
    """
    if device is not None:
        return (_strict(f"device {device[:_DEVICE_DIGITS]}", 5),), ()
    short = hashlib.sha256(name.casefold().encode("utf-8", "surrogatepass")).hexdigest()[:_NAME_DIGITS]
    place = address_key(address)
    by_name = TryLimit(f"name {short}", 20, 2 * _SECOND_MS, 60 * _SECOND_MS, _DAY_MS)
    return (_strict(f"pair {short} {place}", 5),), (_strict(f"address {place}", 10), by_name)


def token_limit(address: str) -> TryLimit:
    """Limit on wrong tokens."""
    return _strict(f"token {address_key(address)}", 5)


def address_key(address: str) -> str:
    """What counts as one address."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((int(found) >> 64 << 64, 64)))
    return str(found)


def _strict(key: str, free: int) -> TryLimit:
    return TryLimit(key, free, 5 * _SECOND_MS, _QUARTER_HOUR_MS, _DAY_MS)
